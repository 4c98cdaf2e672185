"""The offset where the picture cannot tell it, as at night: the log's speed against the engine's.

While the clutch holds, the engine turns in proportion to the ground speed, and its sound is on the
footage's clock. So the revs, logged and set against the sound or heard alone, stand in for motion
in the picture where they are in gear; a logged wheel speed does so everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from overlay.engine.clock_speed import (
    LEAST_SPEED_MPS,
    WELL_ON_ITS_WAY,
    densest,
    rpm_clock_offset_from_speed,
)
from overlay.logs.model import WHEEL_SPEED
from overlay.motion.logged import as_motion
from overlay.motion.model import BoolArray, GainErrors, MotionSignal
from overlay.series import Series
from overlay.session.model import AlignedRun
from overlay.session.sound import rpm_clock, rpm_heard
from overlay.sync import estimate_offset
from overlay.timebase import FloatArray
from overlay.units import Z95

# Of one gear: neither the ground nor a spring is in it, and at rest the speed is exactly 0.
IN_GEAR = GainErrors(3e-3, (3e-4,), (1.0,), 0.03, 6.0, 0.0)
CREEP_SIGMA_S = 0.02  # what tyres that creep and grow may move the match
SLIPS, LOCKED = 0.08, 0.12  # relative distance from the gear's ratio
ABOVE_SLIP = 1.1  # a clutch still creeps a little above the revs up to which it clearly slips
LARGEST_CONTRARY = 0.08  # share of the way in which revs and speed are in no gear
STILL_MPS, STILL_S = 0.35, 0.6
OTHER_GEARING = 0.08
LARGEST_CLOCK_SIGMA_S = 0.1


@dataclass(frozen=True, eq=False)
class Turning:
    """Revs, or a wheel's speed, on footage time."""

    series: Series
    what: str
    sigma_s: float = 0.0  # standard uncertainty of its times
    is_wheel: bool = False


def by_engine(aligned: AlignedRun) -> AlignedRun:
    """The run aligned by its engine where its picture shows no motion to go by; else as it is.

    A picture that shows some is not overruled, whatever it says of the log.

    Notes
    -----
    The estimator is the one for pictures, with the gearing in place of the gain. Another run of the
    same vehicle at nearly the same pace looks alike by this evidence, which a note says.
    """
    found = aligned.alignment
    if aligned.motion.reason is None or aligned.inputs.options.offset_s is not None:
        return aligned
    turning = _turning(aligned)
    if turning is None:
        return aligned
    inputs = aligned.inputs
    motion = in_gear(turning, inputs.speed, inputs.options.machine.rpm_per_mps)
    if isinstance(motion, str):
        note = f"the {turning.what} cannot tell either: {motion}"
        return replace(aligned, alignment=replace(found, notes=(*found.notes, note)))
    late = estimate_offset(
        motion,
        inputs.speed,
        same_clock=inputs.options.same_clock,
        extra_lag_s=inputs.speed_log.extra_lag_s,
        rounding=inputs.options.rounding,
    )
    if not late.determined:
        reason = str(late.reason).replace("the motion in the picture", f"the {turning.what}")
        note = f"the {turning.what} cannot tell either: {reason}"
        return replace(aligned, alignment=replace(found, notes=(*found.notes, note)))
    sigma_s = float(np.hypot(CREEP_SIGMA_S, turning.sigma_s))
    late = late.widened(sigma_s).widened(inputs.options.log_sigma_s)
    notes = (
        *late.notes,
        f"by the {turning.what}, since the picture cannot tell: {found.reason}",
        "another run of the same vehicle at nearly the same pace would look alike by this "
        "evidence: make sure that the log is of this run",
        *found.notes,
    )
    return replace(aligned, alignment=replace(late, notes=notes))


def _turning(aligned: AlignedRun) -> Turning | None:
    """The best that is known of engine or wheel on footage time."""
    inputs = aligned.inputs
    for log in inputs.logs:
        if log.clock == "footage" and log is not inputs.speed_log and WHEEL_SPEED in log.channels:
            return Turning(log.channels[WHEEL_SPEED], "logged wheel speed", is_wheel=True)
    revs = inputs.rpm_log
    if revs is not None and revs.rpm is not None:
        found, _ = rpm_clock(aligned)
        if found.offset_s is not None and found.interval_s is not None:
            sigma_s = (found.interval_s[1] - found.interval_s[0]) / (2 * Z95)
            if sigma_s <= LARGEST_CLOCK_SIGMA_S:
                wheel = revs.channels.get(WHEEL_SPEED)
                what = "logged wheel speed" if wheel else "logged engine speed"
                turns = (wheel or revs.rpm).shifted(-found.offset_s)
                return Turning(
                    turns, f"{what}, set by the engine's sound", sigma_s, wheel is not None
                )
    by_ear = rpm_heard(aligned)
    return None if by_ear is None else Turning(by_ear, "engine speed heard in the clip")


def in_gear(
    turning: Turning, speed: Series, rpm_per_mps: float | None = None
) -> MotionSignal | str:
    """The motion that engine or wheel show where they are in gear, or why they show none.

    Where the vehicle is at rest by the log, well away from setting off and stopping, it is 0.

    Parameters
    ----------
    turning : Turning
    speed : Series
        The log's, m/s, on its own clock.
    rpm_per_mps : float, optional
        Engine revs a minute for one metre a second in gear, by gearing and tyre.
    """
    turns = turning.series
    first = rpm_clock_offset_from_speed(speed.t_s, speed.values, turns)
    if first.offset_s is None:
        return first.reason
    total_s = -first.offset_s
    shown = np.interp(turns.t_s + total_s, speed.t_s, speed.values, left=np.nan, right=np.nan)
    least = max(LEAST_SPEED_MPS, WELL_ON_ITS_WAY * float(np.percentile(speed.values, 98)))
    on_way = np.isfinite(shown) & (shown > least)
    ratio = np.where(on_way, turns.values / np.where(on_way, shown, 1.0), np.nan)
    gear = densest(ratio[on_way])
    refused = _other_gearing(turning, gear, rpm_per_mps)
    if refused is not None:
        return refused
    held = np.isfinite(turns.values) if turning.is_wheel else _held(turns, ratio, gear, on_way)
    if held is None:
        return "engine and speed are in no gear together: is it the right log?"
    motion = as_motion(turns)
    known = np.interp(motion.t_s, turns.t_s, held.astype(np.float64)) > 0.99
    rests = _at_rest(motion, speed, total_s)
    return replace(
        motion,
        forward=np.where(rests, 0.0, motion.forward),
        quality=np.where((known & (motion.quality > 0)) | rests, 1.0, 0.0),
        gain_errors=IN_GEAR,
    )


def _other_gearing(turning: Turning, gear: float, rpm_per_mps: float | None) -> str | None:
    """Why the gearing that is given speaks against the log; None where it does not."""
    given = 1.0 if turning.is_wheel else rpm_per_mps
    # What is heard may be taken at half or twice the engine's speed.
    factors = (0.5, 1.0, 2.0) if turning.what.endswith("clip") else (1.0,)
    if given is None or any(abs(gear / (f * given) - 1) < OTHER_GEARING for f in factors):
        return None
    return (
        f"it would turn {gear / given:.2f} times as fast as gearing and tyre make it: is it the "
        "right log, and the right gearing?"
    )


def _held(turns: Series, ratio: FloatArray, gear: float, on_way: BoolArray) -> BoolArray | None:
    """Where the clutch holds; None where revs and speed are too often in no gear.

    A clutch only slips up to some engine speed, and with the engine ahead of the wheels.
    """
    ahead = on_way & (ratio > gear * (1 + SLIPS))
    slips_to = float(np.percentile(turns.values[ahead], 90)) if ahead.sum() > 10 else 0.0
    above = turns.values > ABOVE_SLIP * slips_to
    contrary = on_way & ((ratio < gear * (1 - SLIPS)) | (above & ahead))
    if contrary.sum() > LARGEST_CONTRARY * on_way.sum():
        return None
    return np.asarray(on_way & above & (np.abs(ratio / gear - 1) < LOCKED))


def _at_rest(motion: MotionSignal, speed: Series, total_s: float) -> BoolArray:
    """Where the vehicle rests by the log, and did and will for `STILL_S`."""
    from scipy.ndimage import maximum_filter1d

    grid_s = np.arange(motion.t_s[0] - 1, motion.t_s[-1] + 1, 0.05)
    shown = np.interp(grid_s + total_s, speed.t_s, speed.values, left=99.0, right=99.0)
    fastest = maximum_filter1d(shown, 2 * round(STILL_S / 0.05) + 1)
    return np.interp(motion.t_s, grid_s, fastest) < STILL_MPS
