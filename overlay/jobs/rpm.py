"""How an RPM log lies against the footage, and engine speed for those without a logger."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from overlay.jobs.analyse import AlignedRun
from overlay.series import Series
from overlay.sync.model import ChannelTiming

if TYPE_CHECKING:
    from overlay.engine.clock import ClockOffset
    from overlay.engine.sound_rpm import SoundRpm

CHANNEL = "engine_rpm"


def time_rpm(aligned: AlignedRun, *, cylinders: int = 1, strokes: int = 4) -> ChannelTiming | None:
    """Timing of the RPM channel, or None without RPM or without evidence.

    The engine's sound in the clip is matched to the log; where there is none to hear, engine
    speed is matched to the vehicle's speed while the clutch holds.

    Parameters
    ----------
    aligned : AlignedRun
    cylinders, strokes : int
        The engine.
    """
    known = next((c for c in aligned.alignment.channels if c.channel == CHANNEL), None)
    if known is not None or aligned.inputs.rpm_log is None:
        return known
    found, evidence = _clock(aligned, cylinders, strokes)
    if found.determined and found.offset_s is not None and found.interval_s is not None:
        return ChannelTiming(CHANNEL, found.offset_s, found.interval_s, evidence)
    offset = aligned.alignment.clock_offset_s
    if aligned.inputs.rpm_log is aligned.inputs.speed_log and offset is not None:
        evidence = "logged on the clock of the speed log"
        return ChannelTiming(CHANNEL, offset, (offset, offset), evidence)
    return None


def separate_by_sound(aligned: AlignedRun, *, cylinders: int = 1, strokes: int = 4) -> AlignedRun:
    """The run with the receiver's lag told from the clock offset, where RPM allows it.

    That needs engine speed on the clock of the speed log: in the same file, or both in UTC. The
    run comes back with a note instead where that is not so.

    Parameters
    ----------
    aligned : AlignedRun
    cylinders, strokes : int
        The engine.
    """
    from overlay.sync.separate import separate

    found = aligned.alignment
    if found.clock_offset_s is not None or aligned.inputs.rpm_log is None:
        return aligned
    apart_s = _clocks_apart(aligned)
    clock, evidence = _clock(aligned, cylinders, strokes)
    if not clock.determined or clock.offset_s is None or clock.interval_s is None:
        note = f"RPM cannot be set against the footage: {clock.reason}"
        return replace(aligned, alignment=replace(found, notes=(*found.notes, note)))
    timing = ChannelTiming(CHANNEL, clock.offset_s, clock.interval_s, evidence)
    if apart_s is None:
        return replace(aligned, alignment=replace(found, channels=(*found.channels, timing)))
    low, high = clock.interval_s
    late_s = clock.logger_delay_up_to_s
    told = separate(
        found,
        clock.offset_s + apart_s,
        (low - late_s + apart_s, high + apart_s),  # the clock itself may be that much behind
        evidence,
    )
    channels = tuple(timing if c.channel == CHANNEL else c for c in told.channels)
    note = (
        f"the lag would be up to {1000 * late_s:.0f} ms longer if the logger averages engine "
        "speed over its own step"
    )
    return replace(aligned, alignment=replace(told, channels=channels, notes=(*told.notes, note)))


def rpm_heard(
    aligned: AlignedRun,
    *,
    cylinders: int = 1,
    strokes: int = 4,
    limiter_rpm: float | None = None,
) -> Series | None:
    """Engine speed from the clip's sound on footage time, only where it is sure; else None.

    Parameters
    ----------
    aligned : AlignedRun
    cylinders, strokes : int
        The engine.
    limiter_rpm : float, optional
        Where the ignition cuts.
    """
    heard = _heard(aligned, cylinders, strokes, limiter_rpm=limiter_rpm)
    return None if heard is None else heard.series()


def _heard(
    aligned: AlignedRun, cylinders: int, strokes: int, *, limiter_rpm: float | None = None
) -> SoundRpm | None:
    from overlay.engine.sound_rpm import OctaveEvidence, rpm_from_sound
    from overlay.footage import read_sound

    clip, log = aligned.inputs.clip, aligned.inputs.rpm_log
    if clip.audio_codec is None:
        return None
    sound = read_sound(clip.path)
    if sound is None:
        return None
    known = OctaveEvidence(logged=None if log is None else log.rpm, limiter_rpm=limiter_rpm)
    return rpm_from_sound(sound, cylinders=cylinders, strokes=strokes, evidence=known)


def _clock(aligned: AlignedRun, cylinders: int, strokes: int) -> tuple[ClockOffset, str]:
    """Offset of the RPM log's clock, and what it rests on."""
    from overlay.engine.clock import refused, rpm_clock_offset

    log = aligned.inputs.rpm_log
    if log is None or log.rpm is None:
        return refused("no RPM is logged"), ""
    heard = _heard(aligned, cylinders, strokes)
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
    from math import hypot

    from overlay.engine.clock import refused
    from overlay.engine.clock_speed import rpm_clock_offset_from_speed

    found = aligned.alignment
    if not found.determined or found.total_offset_s is None or found.interval_s is None:
        return refused("the speed log itself is not aligned")
    speed = aligned.inputs.speed
    matched = rpm_clock_offset_from_speed(speed.t_s - found.total_offset_s, speed.values, logged)
    if not matched.determined or matched.offset_s is None or matched.interval_s is None:
        return matched
    centre, total = matched.offset_s, found.total_offset_s
    low = hypot(centre - matched.interval_s[0], total - found.interval_s[0])
    high = hypot(matched.interval_s[1] - centre, found.interval_s[1] - total)
    return replace(matched, interval_s=(centre - low, centre + high))


def _clocks_apart(aligned: AlignedRun) -> float | None:
    """Time on the speed log's clock less that on the RPM log's; None if they are strangers."""
    speed_log, rpm_log = aligned.inputs.speed_log, aligned.inputs.rpm_log
    if rpm_log is speed_log:
        return 0.0
    if rpm_log is None or speed_log.start_utc is None or rpm_log.start_utc is None:
        return None
    return (rpm_log.start_utc - speed_log.start_utc).total_seconds()


__all__ = ["rpm_heard", "separate_by_sound", "time_rpm"]
