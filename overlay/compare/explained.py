"""How much of a time difference weight, wind, slope and air explain: never a correction.

The driving force that the earlier build showed at each speed drives a mass under the mean weight,
wind, slope and air of each build's runs in turn; the figure's times are compared. A heavier driver
or a breeze thus shows in seconds. At constant power it is what the cube root gives: a thirtieth
more mass, a ninetieth more time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.integrate import cumulative_trapezoid

from overlay.compare.day import DayComparison
from overlay.compare.day_power import BuildPower
from overlay.compare.power import PowerCurve, Setting
from overlay.runs.model import SplitGoal
from overlay.timebase import FloatArray
from overlay.units import ROLLOUT_M

LEAST_S = 0.005  # half of the last digit shown
LEAST_MPS = 0.02
_STEP_MPS = 0.002
_TAIL_MPS = 0.5
_FASTER = 1.5  # how far beyond the speeds seen another wind may take the vehicle


@dataclass(frozen=True)
class Cause:
    """One thing that differed between the runs of two builds."""

    kind: str  # ``weight`` (kg), ``headwind`` (m/s), ``slope`` (%) or ``air`` (% of power)
    more: float  # how much more of it the later build's runs had
    effect: float  # what it changes the figure by, in the figure's unit


@dataclass(frozen=True)
class Explained:
    """What the surroundings explain of one step's main figure."""

    a: str
    b: str
    label: str
    unit: str
    causes: tuple[Cause, ...]

    @property
    def effect(self) -> float:
        """Of all causes together."""
        return math.fsum(cause.effect for cause in self.causes)


def explained_of(day: DayComparison, powers: Sequence[BuildPower]) -> tuple[Explained, ...]:
    """What weight, wind, slope and air explain of each step's main figure, where they do."""
    known = {one.build: one for one in powers}
    goals = {goal.label: goal for goal in day.goals}
    found = []
    for step in day.steps:
        main = next((c for c in step.comparisons if c.is_main), None)
        if main is not None and main.label in goals and {step.a, step.b} <= set(known):
            causes = _causes(known[step.a], known[step.b], goals[main.label])
            if causes:
                found.append(Explained(step.a, step.b, main.label, main.unit, causes))
    return tuple(found)


def _causes(a: BuildPower, b: BuildPower, goal: SplitGoal) -> tuple[Cause, ...]:
    first, second = _mean_setting(a), _mean_setting(b)
    tilt = second.slope - first.slope
    own_kg = second.mass_kg - b.measured.mass_kg - (first.mass_kg - a.measured.mass_kg)
    thinner = _air_factor(a) / _air_factor(b)
    changes = (
        ("weight", own_kg, replace(first, mass_kg=first.mass_kg + own_kg), 1.0),
        (
            "headwind",
            second.headwind_mps - first.headwind_mps,
            replace(first, headwind_mps=second.headwind_mps),
            1.0,
        ),
        ("slope", 100 * tilt, replace(first, slope=second.slope), 1.0),
        ("air", 100 * (thinner - 1), replace(first, air=second.air), thinner),
    )
    before = figure_under(a.curve, first, a.measured.mass_kg, goal)
    found = []
    for kind, more, setting, power in changes:
        after = figure_under(a.curve, setting, a.measured.mass_kg, goal, power=power)
        least = LEAST_MPS if goal.unit == "m/s" else LEAST_S
        if before is not None and after is not None and abs(after - before) >= least:
            found.append(Cause(kind, more, after - before))
    return tuple(found)


def _mean_setting(one: BuildPower) -> Setting:
    """The mean over the runs, each way counting half, as in the figures."""
    ways = np.array([trace.way for trace in one.measured.traces])
    names = ("mass_kg", "turning_kg", "slope", "headwind_mps", "air")
    table = np.array([[getattr(s, name) for name in names] for s in one.measured.settings])
    means = np.mean([table[ways == way].mean(axis=0) for way in set(ways.tolist())], axis=0)
    return Setting(*means.tolist())


def _air_factor(one: BuildPower) -> float:
    """How much more power the engine would give in standard air; 1 where the air is not known."""
    return one.corrections[0].factor if one.corrections else 1.0


def figure_under(
    curve: PowerCurve,
    setting: Setting,
    load_mass_kg: float,
    goal: SplitGoal,
    *,
    power: float = 1.0,
) -> float | None:
    """Time (or mean speed, of a trap) of a goal, driven from rest by a curve's force.

    Below the speeds of the curve the force stays; above them it falls as it fell at the last, which
    a governor that takes over shows.

    Parameters
    ----------
    setting : Setting
        What acts besides the engine.
    load_mass_kg : float
        For which the curve's road load is.
    power : float
        Factor on the driving force.

    Returns
    -------
    float or None
        Seconds, or m/s; None where the goal is not reached.
    """
    known = np.isfinite(curve.force_n)
    if not bool(np.any(known)):
        return None
    seen, watts = curve.speed_mps[known], curve.power_w[known]
    v = np.arange(_STEP_MPS, _FASTER * float(seen[-1]), _STEP_MPS)
    back = np.interp(seen[-1] - _TAIL_MPS, seen, curve.force_n[known])
    falls = min(0.0, float(curve.force_n[known][-1] - back) / _TAIL_MPS)
    above = np.maximum(curve.force_n[known][-1] + falls * (v - seen[-1]), 0.0)
    force = np.where(v < seen[0], curve.force_n[known][0], np.interp(v, seen, watts) / v)
    force = power * np.where(v > seen[-1], above, force)
    accel = (force - setting.resistance_n(curve.road_load, load_mass_kg, v)) / setting.inert_kg
    stalled = np.flatnonzero(accel <= 0)
    end = int(stalled[0]) if len(stalled) else len(v)
    if end < 2:
        return None
    v, slowness = v[:end], 1 / accel[:end]
    t = cumulative_trapezoid(slowness, v, initial=0) + v[0] * slowness[0]
    x = cumulative_trapezoid(v * slowness, v, initial=0) + v[0] ** 2 * slowness[0] / 2
    return _read(goal, t, x, v)


def _read(goal: SplitGoal, t: FloatArray, x: FloatArray, v: FloatArray) -> float | None:
    """The goal's figure on a motion; at the top speed it goes on as it is."""
    along = v if goal.kind == "speed" else x
    if goal.kind == "speed" and goal.value > v[-1]:
        return None

    def at(value: float) -> float:
        beyond = max(0.0, value - float(along[-1])) / float(v[-1])
        return float(np.interp(value, np.r_[0.0, along], np.r_[0.0, t])) + beyond

    rolled = float(np.interp(ROLLOUT_M, np.r_[0.0, x], np.r_[0.0, t])) if goal.rollout else 0.0
    taken = at(goal.value) - (at(goal.start) if goal.start else rolled)
    return goal.per_time(taken)
