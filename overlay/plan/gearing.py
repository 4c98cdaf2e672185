"""Gearing for a course: time over the ratio with its band, revs at the line, and what is alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from overlay.plan.course import Change, changed, passage
from overlay.plan.figure import Figure, drawn
from overlay.plan.vehicle import VehicleModel
from overlay.runs.model import SplitGoal
from overlay.timebase import FloatArray

SPAN, STEPS = (0.7, 1.4), 36  # ratios over that of now: beyond it the runs are carried on too far


@dataclass(frozen=True, eq=False)
class Sweep:
    """A goal against the whole ratio, shape (n,) each.

    Attributes
    ----------
    goal, unit : str
    ratio : ndarray
        Turns of the crank for one of the wheel.
    value, low, high : ndarray
        With its 95 % band.
    line_rpm, line_high_rpm : ndarray
        Revs at the end of the goal, and the upper end of their interval.
    now, limit_rpm : float
    limit_from : str
    best : float or None
        The best ratio within the limit; None where none is.
    alike : (float, float) or None
        Ratios about the best that cannot be told from it, or differ by less than matters.
    gains : tuple of Figure
        What the best does to every goal against now, the swept one first.
    """

    goal: str
    unit: str
    ratio: FloatArray
    value: FloatArray
    low: FloatArray
    high: FloatArray
    line_rpm: FloatArray
    line_high_rpm: FloatArray
    now: float
    limit_rpm: float
    limit_from: str
    best: float | None
    alike: tuple[float, float] | None
    gains: tuple[Figure, ...]


def ratio_with_teeth(ratio: float, now: tuple[int, int], new: tuple[int, int]) -> float:
    """Whole ratio with other sprockets, (driving, driven) each.

    Examples
    --------
    >>> round(ratio_with_teeth(6.0, (10, 60), (10, 66)), 6)
    6.6
    """
    return ratio * (new[1] / new[0]) / (now[1] / now[0])


def unit_of(goal: SplitGoal) -> str:
    """Seconds, and m/s for a trap."""
    return "m/s" if goal.kind == "trap" else "s"


def line_rpm(
    model: VehicleModel, change: Change, goal: SplitGoal, rpm_per_mps: float
) -> FloatArray:
    """Revs at the end of a goal, shape (draws,); `rpm_per_mps` is that of now, clutch locked."""
    if goal.kind == "speed":
        return np.full(len(model.mass_kg), goal.value * rpm_per_mps * change.gearing)
    return passage(model, change).speed_at(goal.value) * rpm_per_mps * change.gearing


def sweep(
    model: VehicleModel,
    goals: Sequence[SplitGoal],
    *,
    ratio: float,
    rpm_per_mps: float,
    limit: tuple[float, str],
    worth: float,
) -> Sweep:
    """Vary the ratio and see what it does.

    Parameters
    ----------
    model : VehicleModel
    goals : sequence of SplitGoal
        The first is swept; the others are told for its best.
    ratio, rpm_per_mps : float
        Of now.
    limit : (float, str)
        Revs that are not to be passed, and whose limit that is.
    worth : float
        Smallest difference that matters, in the goal's unit.
    """
    goal, sign = goals[0], -1.0 if goals[0].kind == "trap" else 1.0
    factors = np.geomspace(*SPAN, STEPS)
    factors = np.sort(np.r_[factors, 1.0])
    before = passage(model).value(goal)
    gains = np.array([changed(model, Change(gearing=k), goal, before) for k in factors])
    revs = np.array([line_rpm(model, Change(gearing=k), goal, rpm_per_mps) for k in factors])
    line_high = np.nanquantile(revs, 0.975, axis=1)
    low, middle, high = np.nanquantile(gains + before, (0.025, 0.5, 0.975), axis=1)
    allowed = line_high <= limit[0]
    best = alike = None
    told: tuple[Figure, ...] = ()
    if np.any(allowed):
        score = np.where(allowed, sign * np.nanmedian(gains, axis=1), np.inf)
        at = int(np.argmin(score))
        best = float(ratio * factors[at])
        behind = sign * (gains - gains[at])
        same = (np.nanquantile(behind, 0.025, axis=1) <= 0) | (np.nanmedian(behind, axis=1) < worth)
        same &= allowed
        first = at - int(np.argmin(np.r_[same[at::-1], False])) + 1
        last = at + int(np.argmin(np.r_[same[at:], False])) - 1
        alike = (float(ratio * factors[first]), float(ratio * factors[last]))
        told = tuple(_gain(model, Change(gearing=float(factors[at])), one) for one in goals)
    return Sweep(
        goal.label,
        unit_of(goal),
        ratio * factors,
        middle,
        low,
        high,
        np.nanmedian(revs, axis=1),
        line_high,
        ratio,
        *limit,
        best,
        alike,
        told,
    )


def _gain(model: VehicleModel, change: Change, goal: SplitGoal) -> Figure:
    values = changed(model, change, goal, passage(model).value(goal))
    if not np.any(np.isfinite(values)):
        return Figure(goal.label, float("nan"), unit_of(goal), "model", why="not reached")
    return drawn(goal.label, values, unit_of(goal), "model of the vehicle from its runs")
