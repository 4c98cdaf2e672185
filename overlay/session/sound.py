"""What the engine's sound adds: the RPM log's clock, the lag apart from it, revs without a log."""

from __future__ import annotations

from dataclasses import replace
from math import hypot

from overlay.engine.clock import ClockOffset, refused, rpm_clock_offset
from overlay.engine.clock_speed import rpm_clock_offset_from_speed
from overlay.engine.sound_rpm import SoundRpm, rpm_from_sound
from overlay.footage import read_sound
from overlay.series import Series
from overlay.session.model import AlignedRun
from overlay.sync.model import Alignment, ChannelTiming
from overlay.sync.separate import separate

CHANNEL = "engine_rpm"


def with_rpm_timing(aligned: AlignedRun) -> AlignedRun:
    """The run with its RPM log set against the footage, and the lag told from the clock.

    The engine's sound in the clip is matched to the logged revs; where there is none to hear,
    revs are matched to the vehicle's speed while the clutch holds. Where revs and speed are logged
    on one clock (in one file, or both in UTC), the receiver's lag follows. Where the evidence
    cannot tell, a note says why.
    """
    found, rpm_log = aligned.alignment, aligned.inputs.rpm_log
    if rpm_log is None:
        return aligned
    clock, evidence = rpm_clock(aligned)
    if clock.determined and clock.offset_s is not None and clock.interval_s is not None:
        timing = ChannelTiming(CHANNEL, clock.offset_s, clock.interval_s, evidence)
        known = replace(found, channels=(*found.channels, timing))
        apart_s = _clocks_apart(aligned)
        if found.clock_offset_s is None and apart_s is not None:
            known = _separated(known, clock, timing, apart_s)
        return replace(aligned, alignment=known)
    if found.clock_offset_s is None:
        note = f"RPM cannot be set against the footage: {clock.reason}"
        return replace(aligned, alignment=replace(found, notes=(*found.notes, note)))
    if rpm_log is not aligned.inputs.speed_log:
        return aligned
    offset = found.clock_offset_s
    timing = ChannelTiming(
        CHANNEL, offset, (offset, offset), "logged on the clock of the speed log"
    )
    return replace(aligned, alignment=replace(found, channels=(*found.channels, timing)))


def rpm_timing(alignment: Alignment) -> ChannelTiming | None:
    """How the RPM log lies against the footage, where that is known."""
    return next((c for c in alignment.channels if c.channel == CHANNEL), None)


def rpm_heard(aligned: AlignedRun) -> Series | None:
    """Engine speed from the clip's sound on footage time, only where it is sure; else None."""
    heard = _heard(aligned, limiter_rpm=aligned.inputs.options.machine.limiter_rpm)
    return None if heard is None else heard.series()


def _separated(
    found: Alignment, clock: ClockOffset, timing: ChannelTiming, apart_s: float
) -> Alignment:
    """Clock offset and lag of the speed log, from the clock that it shares with the RPM log."""
    offset_s = timing.offset_s + apart_s
    if found.interval_s is None and found.total_offset_s is not None:  # given, not measured
        lag_s = found.total_offset_s - offset_s
        return replace(found, clock_offset_s=offset_s, readout_lag_s=lag_s, reason=None)
    low, high = timing.interval_s
    late_s = clock.logger_delay_up_to_s
    # The RPM logger itself may be that much behind.
    interval_s = (low - late_s + apart_s, high + apart_s)
    told = separate(found, offset_s, interval_s, timing.evidence)
    note = (
        f"the lag would be up to {1000 * late_s:.0f} ms longer if the logger averages engine "
        "speed over its own step"
    )
    channels = tuple(timing if c.channel == CHANNEL else c for c in told.channels)
    return replace(told, channels=channels, notes=(*told.notes, note))


def _heard(aligned: AlignedRun, *, limiter_rpm: float | None = None) -> SoundRpm | None:
    inputs = aligned.inputs
    sound = None if inputs.clip.audio_codec is None else read_sound(inputs.clip.path)
    if sound is None:
        return None
    logged = None if inputs.rpm_log is None else inputs.rpm_log.rpm
    machine = inputs.options.machine
    return rpm_from_sound(
        sound,
        cylinders=machine.cylinders,
        strokes=machine.strokes,
        logged=logged,
        limiter_rpm=limiter_rpm,
    )


def rpm_clock(aligned: AlignedRun) -> tuple[ClockOffset, str]:
    """Offset of the RPM log's clock, and what it rests on."""
    log = aligned.inputs.rpm_log
    if log is None or log.rpm is None:
        return refused("no RPM is logged"), ""
    heard = _heard(aligned)
    if heard is None:
        by_sound = refused("the clip has no sound")
    elif not heard.heard:
        by_sound = refused(heard.note)
    else:
        by_sound = rpm_clock_offset(heard, log.rpm)
    if by_sound.determined:
        return by_sound, f"from {by_sound.reason}"
    by_speed = _clock_from_speed(aligned, log.rpm)
    if by_speed.determined:
        return by_speed, f"from {by_speed.reason}, since by sound {by_sound.reason}"
    return refused(f"by sound, {by_sound.reason}; by speed, {by_speed.reason}"), ""


def _clock_from_speed(aligned: AlignedRun, logged: Series) -> ClockOffset:
    """The offset from the corrected speed, its own time's uncertainty included."""
    found = aligned.alignment
    if not found.determined or found.total_offset_s is None:
        return refused("the speed log itself is not aligned")
    speed, total = aligned.inputs.speed, found.total_offset_s
    matched = rpm_clock_offset_from_speed(speed.t_s - total, speed.values, logged)
    if not matched.determined or matched.offset_s is None or matched.interval_s is None:
        return matched
    start, end = found.interval_s or (total, total)
    low = hypot(matched.offset_s - matched.interval_s[0], total - start)
    high = hypot(matched.interval_s[1] - matched.offset_s, end - total)
    return replace(matched, interval_s=(matched.offset_s - low, matched.offset_s + high))


def _clocks_apart(aligned: AlignedRun) -> float | None:
    """Time on the speed log's clock less that on the RPM log's; None if they are strangers."""
    speed_log, rpm_log = aligned.inputs.speed_log, aligned.inputs.rpm_log
    if rpm_log is speed_log:
        return 0.0
    if rpm_log is None or speed_log.start_utc is None or rpm_log.start_utc is None:
        return None
    return (rpm_log.start_utc - speed_log.start_utc).total_seconds()
