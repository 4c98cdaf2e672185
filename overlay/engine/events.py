"""Wheelspin, clutch slip, limiter cuts and lifts, from engine speed against ground speed.

All tests compare a mean over `EVENTS.window_s` with what the noise of both sensors allows, so that
the same settings serve a quiet and a rough log.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from overlay.engine.driveline import Driveline, wheel_speed_mps
from overlay.engine.tuning import EVENTS
from overlay.series import Series, stretches
from overlay.timebase import FloatArray

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]
EventKind = Literal["wheelspin", "clutch slip", "limiter cut", "lift"]


@dataclass(frozen=True, eq=False)
class Ground:
    """Motion of the vehicle on footage time; arrays of shape (n,)."""

    t_s: FloatArray
    speed_mps: FloatArray
    speed_sigma_mps: FloatArray
    accel_mps2: FloatArray
    accel_sigma_mps2: FloatArray
    known: BoolArray
    timing_sigma_s: float = 0.0  # standard uncertainty of the time axis against the engine's


@dataclass(frozen=True)
class Event:
    """Something found in a run."""

    kind: EventKind
    # Footage times.
    start_s: float
    end_s: float
    # Wheelspin and clutch slip: most that the wheel (or the engine's end of the clutch) is ahead,
    # m/s. Limiter cut: the limit, rpm. Lift: speed lost, m/s.
    size: float


def rpm_noise(rpm: Series) -> float:
    """Standard deviation of the noise of engine speed in rpm, from its third differences.

    The median keeps short bounces and shifts out; white noise has 20 times its variance there.
    """
    if len(rpm) < 8:
        return 50.0
    third = np.abs(np.diff(rpm.values, 3))
    return max(5.0, float(np.median(third)) / 0.6745 / float(np.sqrt(20)))


def wheel_events(
    ground: Ground, rpm: Series, driveline: Driveline, *, launch_s: float, end_s: float
) -> tuple[Event, ...]:
    """Stretches in which the engine says more speed than the ground, separated by cause.

    Parameters
    ----------
    rpm : Series
        Engine speed on footage time.
    driveline : Driveline
        With several ratios the gear that fits best is taken at each instant.
    launch_s, end_s : float
        Footage times of launch and of the end of the run.

    Returns
    -------
    tuple of Event
        ``clutch slip`` for the stretch from launch in which the lead only falls (a clutch takes
        up: the engine holds its revs while the ground speed catches up); ``wheelspin`` for any
        other of at least `EVENTS.window_s`.
    """
    part = rpm.between(launch_s, end_s)
    if len(part) < 4:
        return ()
    lead, sigma, moving_mps = _lead(ground, part, rpm_noise(rpm), driveline)
    width = _width(part)
    mean = _mean_over(lead, width)
    limit = EVENTS.begin_sigmas * sigma + EVENTS.margin * moving_mps + 0.05
    runs = _stretches(mean > limit, mean > np.maximum(EVENTS.go_on_sigmas * sigma, limit / 2))
    found: list[Event] = []
    for first, last in runs:
        found.extend(_told_apart(part.t_s, mean, sigma, (first, last), launch_s, driveline))
    return tuple(e for e in found if e.end_s - e.start_s >= 0.75 * EVENTS.window_s)


def _lead(
    ground: Ground, rpm: Series, noise_rpm: float, driveline: Driveline
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Wheel speed less ground speed, the sigma of its windowed mean, and ground speed."""
    t = rpm.t_s
    speed = np.interp(t, ground.t_s, ground.speed_mps)
    speed_sigma = np.interp(t, ground.t_s, ground.speed_sigma_mps)
    accel = np.interp(t, ground.t_s, ground.accel_mps2)
    known = np.interp(t, ground.t_s, ground.known.astype(float)) > 0.99
    wheels = np.stack(
        [wheel_speed_mps(rpm.values, r, driveline.circumference_m) for r in driveline.ratios]
    )
    gear = np.argmin(np.abs(wheels - speed), axis=0)
    wheel = wheels[gear, np.arange(len(t))]
    per_rpm = driveline.circumference_m / 60 / np.array(driveline.ratios)[gear]
    sigma = np.sqrt(
        speed_sigma**2
        + (noise_rpm * per_rpm) ** 2 / _width(rpm)
        + (ground.timing_sigma_s * accel) ** 2
        + (driveline.ratio_sigma * speed) ** 2
    )
    return np.where(known, wheel - speed, 0.0), sigma, speed


def _told_apart(
    t: FloatArray,
    lead: FloatArray,
    sigma: FloatArray,
    stretch: tuple[int, int],
    launch_s: float,
    driveline: Driveline,
) -> list[Event]:
    """One stretch as clutch slip, wheelspin, or the one followed by the other."""
    first, last = stretch
    start, end = float(t[first]), float(t[last])
    top = float(np.max(lead[first : last + 1]))
    if driveline.clutch == "none" or start > launch_s + EVENTS.flare_s:
        return [Event("wheelspin", start, end, top)]
    settled = first + int(np.searchsorted(t[first : last + 1], launch_s + EVENTS.flare_s))
    part = lead[settled : last + 1]
    if not len(part):
        return [Event("clutch slip", launch_s, end, top)]
    lowest = np.minimum.accumulate(part)
    rise = part - lowest
    allowed = np.maximum(EVENTS.begin_sigmas * sigma[settled : last + 1], 0.12 * top)
    if not bool(np.any(rise > allowed)):
        return [Event("clutch slip", launch_s, end, top)]
    beyond = int(np.argmax(rise > allowed))
    turn = settled + int(np.argmin(part[: beyond + 1]))
    spin = Event("wheelspin", float(t[turn]), end, float(np.max(lead[turn : last + 1])))
    if turn == settled:
        return [Event("wheelspin", start, end, top)]
    return [Event("clutch slip", launch_s, float(t[turn]), top), spin]


def limiter_cuts(
    rpm: Series, *, launch_s: float, end_s: float, limiter_rpm: float | None = None
) -> tuple[Event, ...]:
    """Stretches in which the revs bounce at the limit and rise no further.

    Parameters
    ----------
    rpm : Series
        Engine speed on footage time, at least 10 Hz.
    limiter_rpm : float, optional
        Where the ignition cuts; default: the highest revs that the run holds.

    Notes
    -----
    A cut holds the revs between two levels: from the first touch of the limit to the last their
    trend is flat, and they scatter about it by more than the sensor's noise allows. A governor
    holds them without scatter; a climb through the level has a trend. The speed's stall is read
    from the revs, since a receiver's speed is too smooth to show a stall of 0.2 s.
    """
    from scipy.ndimage import maximum_filter1d

    part = rpm.between(launch_s, end_s)
    if len(part) < 8:
        return ()
    limit = limiter_rpm or float(np.percentile(part.values, 98))
    noise = rpm_noise(rpm)
    touch = part.values >= EVENTS.touch * limit - noise
    near = maximum_filter1d(touch, _width(part) | 1, mode="nearest")
    known = limiter_rpm is not None
    scatter = EVENTS.scatter_known if known else EVENTS.scatter_unknown
    found = []
    for first, last in _stretches(touch, near):
        touched = first + np.flatnonzero(touch[first : last + 1])
        low, high = int(touched[0]), int(touched[-1])
        long_enough = part.t_s[high] - part.t_s[low] >= 0.7 * EVENTS.window_s
        if long_enough and _bounces(part, low, high, noise, scatter):
            found.append(Event("limiter cut", float(part.t_s[low]), float(part.t_s[high]), limit))
    return tuple(found)


def _bounces(rpm: Series, low: int, high: int, noise_rpm: float, sure: float) -> bool:
    """Whether the revs have a flat trend and more scatter than noise from `low` to `high`."""
    t, values = rpm.t_s[low : high + 1], rpm.values[low : high + 1]
    if len(t) < 4:
        return False
    slope = np.polynomial.polynomial.polyfit(t - t[0], values, 1)[1]
    # A bow is taken off as well: revs that rise and fall once have a crest, but do not bounce.
    # One that sags is the bounce itself, where a cut is over after one dip.
    bow = np.polynomial.polynomial.polyfit(t - t[0], values, 2)
    if bow[2] > 0:
        bow = np.polynomial.polynomial.polyfit(t - t[0], values, 1)
    scatter = values - np.polynomial.polynomial.polyval(t - t[0], bow)
    free = len(t) - len(bow)
    ratio = float(np.sum(scatter**2)) / free / noise_rpm**2
    before = rpm.between(float(t[0]) - 1.0, float(t[0]))
    rise = (before.values[-1] - before.values[0]) / before.duration_s if len(before) > 2 else 0.0
    flat = abs(slope) < 0.5 * max(float(rise), 50.0)
    dips = _deepest_dip(values) > EVENTS.dip_sigmas * noise_rpm
    spread = noise_rpm * float(np.sqrt(max(ratio - 1, 0.0)))  # of the revs, the noise taken off
    deep = spread > EVENTS.bounce * float(np.max(values))
    return bool(flat and deep and dips and ratio > max(1.3, 1 + sure * np.sqrt(2 / free)))


def _deepest_dip(values: FloatArray) -> float:
    """Largest fall that is followed by an equal rise."""
    before = np.maximum.accumulate(values)
    after = np.maximum.accumulate(values[::-1])[::-1]
    return float(np.max(np.minimum(before, after) - values))


def lifts(
    ground: Ground, *, launch_s: float, end_s: float, rpm: Series | None = None
) -> tuple[Event, ...]:
    """Stretches in which the run loses speed and then gains it again.

    The run's own end, where the driver lifts for good, is none. Where engine speed is given, it
    must fall as well.
    """
    span = (ground.t_s >= launch_s + 0.5) & (ground.t_s <= end_s) & ground.known
    t, v = ground.t_s[span], ground.speed_mps[span]
    if len(t) < 10:
        return ()
    a, sigma = ground.accel_mps2[span], ground.accel_sigma_mps2[span]
    found = []
    for first, last in _stretches(a < -0.2 - 1.5 * sigma, a < 0):
        lost = float(v[first] - v[last])
        noise = float(np.median(ground.speed_sigma_mps[span]))
        regained = float(np.max(v[last:], initial=0.0)) - float(v[last])
        if (
            t[last] - t[first] < EVENTS.window_s
            or lost < max(0.1, 3 * noise)
            or regained < lost / 2
        ):
            continue
        if rpm is not None:
            part = rpm.between(float(t[first]), float(t[last])).values
            if len(part) >= 4 and np.mean(part[len(part) // 2 :]) >= np.mean(
                part[: len(part) // 2]
            ):
                continue
        found.append(Event("lift", float(t[first]), float(t[last]), lost))
    return tuple(found)


def _width(series: Series) -> int:
    """Samples in `EVENTS.window_s`, at least one."""
    return max(1, round(EVENTS.window_s / series.median_step_s))


def _mean_over(values: FloatArray, width: int) -> FloatArray:
    """Centred running mean; the window shrinks at the ends."""
    sums = np.cumsum(np.r_[0.0, values])
    index = np.arange(len(values))
    low = np.maximum(index - (width - 1) // 2, 0)
    high = np.minimum(index + width // 2 + 1, len(values))
    return np.asarray((sums[high] - sums[low]) / (high - low))


def _stretches(strong: BoolArray, weak: BoolArray) -> list[tuple[int, int]]:
    """First and last index of each run of `weak` that holds something `strong`."""
    return [(a, b - 1) for a, b in stretches(weak | strong) if bool(np.any(strong[a:b]))]
