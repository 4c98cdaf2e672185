"""What each gauge shows at one instant: pure functions from a run's course to gauge values.

Times are footage times in seconds unless the name says otherwise. Whatever a viewer reads passes
through here, so that every figure can be tested at chosen instants against closed-form runs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from overlay.gauges.values import (
    AccelValues,
    CombValues,
    GapValues,
    LadderValues,
    RibbonValues,
    RungState,
    SpoiledPart,
    Spoiler,
    StripValues,
)
from overlay.runs.course import Course, SplitAt, gap_at

SPOILERS: dict[str, Spoiler] = {"wheelspin": "wheelspin", "limiter cut": "limiter"}


def ribbon_values(course: Course, t_s: float) -> RibbonValues:
    """Speed over ground and its standard uncertainty, m/s; NaN inside a gap of the log."""
    now = course.at(t_s)
    return RibbonValues(now.speed_mps, now.sigma_mps)


def comb_values(course: Course, t_s: float) -> CombValues:
    """Revs, and the slip of the driven wheel while a mark of wheelspin lasts."""
    is_spinning = course.is_marked("wheelspin", t_s)
    return CombValues(
        engine_rpm=course.rpm_at(t_s),
        is_cutting=course.is_marked("limiter cut", t_s),
        is_spinning=is_spinning,
        slip=course.slip_at(t_s) if is_spinning else math.nan,
    )


def ladder_values(course: Course, t_s: float) -> LadderValues:
    """Every split: how far toward it, and its time from launch once it is passed."""
    return LadderValues(tuple(_rung(course, at) for at in course.splits_at(t_s)))


def accel_values(course: Course, t_s: float) -> AccelValues:
    """Acceleration along the path and its standard uncertainty, m/s²."""
    now = course.at(t_s)
    return AccelValues(now.accel_mps2, now.accel_sigma_mps2)


def strip_values(courses: Sequence[Course], t_s: float, *, since_launch: bool) -> StripValues:
    """Distance of each run from its own launch, m.

    Parameters
    ----------
    since_launch : bool
        Whether `t_s` counts from each run's launch; a run that is over stays where it ended.
    """
    return StripValues(
        tuple(c.from_launch_m(c.held_s(t_s) if since_launch else t_s) for c in courses)
    )


def gap_values(first: Course, second: Course, since_launch_s: float) -> GapValues:
    """How far the first run is ahead of the second at a time from the common launch."""
    gap = gap_at(first, second, since_launch_s)
    return GapValues(gap.gap_s, gap.gap_m, gap.sigma_s)


def largest_gap_s(first: Course, second: Course, *, steps: int = 60) -> float:
    """Largest gap between two runs in size, seconds; 0.5 where none is known."""
    runs = [(c.finish_s - c.launch.at_s) if c.launch else 0.0 for c in (first, second)]
    gaps = [abs(gap_at(first, second, max(runs) * k / steps).gap_s) for k in range(1, steps + 1)]
    return max((gap for gap in gaps if not math.isnan(gap)), default=0.5)


def _rung(course: Course, at: SplitAt) -> RungState:
    split = at.split
    if at.status == "passed":
        return RungState("passed", 1.0, split.time_s, split.total_sigma_s, _spoiled(course, at))
    if at.status == "missed":
        reason = (split.reason or "not reached").split(";")[0].split(":")[0]
        return RungState("missed", at.progress, reason=reason)
    return RungState("filling" if at.status == "filling" else "waiting", at.progress)


def _spoiled(course: Course, at: SplitAt) -> tuple[SpoiledPart, ...]:
    """Marks that fall between launch and the split, as parts of the rung's whole time."""
    if course.launch is None or at.split.at_s is None:
        return ()
    start, end = course.launch.at_s, at.split.at_s
    parts = []
    for mark in course.marks:
        if mark.kind in SPOILERS and mark.start_s < end and mark.end_s > start and end > start:
            low, high = ((edge - start) / (end - start) for edge in (mark.start_s, mark.end_s))
            parts.append(SpoiledPart(SPOILERS[mark.kind], max(0.0, low), min(1.0, high)))
    return tuple(parts)


__all__ = [
    "accel_values",
    "comb_values",
    "gap_values",
    "ladder_values",
    "largest_gap_s",
    "ribbon_values",
    "strip_values",
]
