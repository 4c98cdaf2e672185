"""Scales and ticks that suit the runs shown together: round numbers in the unit shown."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from overlay.errors import UsageError
from overlay.runs.course import Course
from overlay.runs.model import SplitGoal
from overlay.units import STANDARD_GRAVITY_MPS2, mps_to_speed, speed_to_mps

Ticks = Sequence[tuple[float, str]]

HEADROOM = 1.03  # the tape never quite reaches its end at the top speed
GAPS_S = (0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
ACCELS_G = (0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 5.0)
LEAST_STRIP_M = 5.0


@dataclass(frozen=True)
class GaugeScale:
    """Scales that runs shown together share."""

    unit: str  # of speed
    full_speed_mps: float  # at the ribbon's full length
    full_rpm: float | None = None  # at the comb's last tooth; None where no run has RPM


def scale_for(
    courses: Sequence[Course], unit: str, *, limiters_rpm: Sequence[float] = ()
) -> GaugeScale:
    """Round scales that hold every value of the given runs, and the limiters."""
    fastest = max(float(c.kinematics.speed_mps.max()) for c in courses)
    highest = [float(c.rpm.values.max()) for c in courses if c.rpm is not None and len(c.rpm)]
    full_rpm = rpm_scale(max(highest), max(limiters_rpm, default=None)) if highest else None
    return GaugeScale(unit, speed_scale(max(fastest, 0.5), unit), full_rpm)


def speed_scale(top_mps: float, unit: str) -> float:
    """Full scale of a ribbon in m/s: the next multiple of five units above the top speed.

    Raises
    ------
    UsageError
        If the speed is no number above zero, or the unit is unknown.

    Examples
    --------
    >>> top_mps = speed_to_mps(41.2, "mph")
    >>> round(mps_to_speed(speed_scale(top_mps, "mph"), "mph"), 6)
    45.0
    """
    top = mps_to_speed(_above_zero(top_mps, "top speed"), unit)
    step = 5.0 if top < 150 else 10.0
    return speed_to_mps(step * math.ceil(HEADROOM * top / step), unit)


def speed_ticks(goals: Sequence[SplitGoal], unit: str, full_scale_mps: float) -> Ticks:
    """Ticks of a ribbon: zero, the speed goals (round speeds where a run has none), full scale.

    Examples
    --------
    >>> goal = SplitGoal("speed", speed_to_mps(20, "mph"), "20 mph")
    >>> [text for _, text in speed_ticks([goal], "mph", speed_to_mps(45, "mph"))]
    ['0', '20', '45']
    >>> [text for _, text in speed_ticks([], "km/h", speed_to_mps(65, "km/h"))]
    ['0', '20', '40', '65']
    """
    full = mps_to_speed(full_scale_mps, unit)
    marks = [mps_to_speed(goal.value, unit) for goal in goals if goal.kind == "speed"]
    if not marks:
        step = next((s for s in (2, 5, 10, 20, 50) if full / s <= 4), 100)
        marks = [float(step * k) for k in range(1, math.ceil(full / step - 0.5))]
    inside = sorted({round(mark, 6) for mark in marks if 0 < mark < full})
    return tuple((speed_to_mps(mark, unit), f"{mark:.3g}") for mark in (0.0, *inside, full))


def rpm_scale(top_rpm: float, limiter_rpm: float | None = None) -> float:
    """Full scale of a comb: the next 500 above the top revs and 1.08 times the limiter.

    Examples
    --------
    >>> rpm_scale(4830.0, 5000.0)
    5500.0
    """
    top = max(HEADROOM * _above_zero(top_rpm, "top revs"), 1.08 * (limiter_rpm or 0.0))
    return 500.0 * math.ceil(top / 500.0 - 1e-9)


def gap_scale(largest_gap_s: float) -> float:
    """Full scale of a gap bar: the least round number of seconds that holds the largest gap.

    Examples
    --------
    >>> gap_scale(0.61), gap_scale(0.0), gap_scale(99.0)
    (1.0, 0.25, 20.0)
    """
    size = abs(largest_gap_s)
    return next((scale for scale in GAPS_S if size <= scale), GAPS_S[-1])


def accel_scale(course: Course) -> float:
    """Full scale of an acceleration bar in m/s²: the least round number of g that holds a run."""
    known = course.kinematics.accel_mps2[course.kinematics.known]
    size = float(abs(known).max(initial=0.0)) / STANDARD_GRAVITY_MPS2
    found = next((scale for scale in ACCELS_G if size <= scale), ACCELS_G[-1])
    return found * STANDARD_GRAVITY_MPS2


def strip_length_m(courses: Sequence[Course]) -> float:
    """Length of a track strip: as far as the farthest run comes."""
    return max(LEAST_STRIP_M, *(c.from_launch_m(c.end_s) for c in courses if c.launch is not None))


def distance_ticks(goals: Sequence[SplitGoal], length_m: float) -> Ticks:
    """Ticks of a track strip: the distance goals, or round distances where a run has none.

    Examples
    --------
    >>> [text for _, text in distance_ticks([], 66.0)]
    ['20 m', '40 m', '60 m']
    """
    found = {goal.value: goal.label for goal in goals if goal.kind == "distance"}
    if not found:
        length = _above_zero(length_m, "length")
        step = next((s for s in (5, 10, 20, 50, 100, 200) if length / s <= 4), 500)
        found = {float(step * k): f"{step * k} m" for k in range(1, int(length / step) + 1)}
    return tuple((at, text) for at, text in sorted(found.items()) if at <= length_m)


def _above_zero(value: float, what: str) -> float:
    if not (math.isfinite(value) and value > 0):
        raise UsageError(f"{what} {value} must be a number above zero: is the log empty?")
    return value
