"""Gearing for a course: time over the ratio with its band, revs at the line, and what is alike."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt

from overlay.plan.course import Change, Passage, changed, passage
from overlay.plan.figure import Figure, drawn
from overlay.plan.vehicle import VehicleModel
from overlay.runs.model import SplitGoal
from overlay.sheet import Candidate, Vehicle
from overlay.timebase import FloatArray

SPAN, STEPS = (0.7, 1.4), 36  # ratios over that of now: beyond it the runs are carried on too far


@dataclass(frozen=True)
class Size:
    """Sprockets and tyre that might be fitted."""

    name: str
    ratio: float  # whole ratio that does the same on the tyre of now
    value: Figure  # the swept goal with it
    gains: tuple[Figure, ...]  # change of every goal against now, the swept one first
    line: Figure  # highest revs on the course
    # Whether it is fitted now; may pass the limit; cannot be told from the best of the list, or
    # differs from it by less than matters.
    is_now: bool
    is_beyond: bool
    is_alike: bool


@dataclass(frozen=True, eq=False)
class Sweep:
    """A goal against the whole ratio, shape (n,) each."""

    goal: str
    unit: str
    ratio: FloatArray  # turns of the crank for one of the wheel, on the tyre of now
    # With its 95 % band.
    value: FloatArray
    low: FloatArray
    high: FloatArray
    # Highest revs on the course (at the end of any goal), and the upper end of their interval.
    line_rpm: FloatArray
    line_high_rpm: FloatArray
    now: float
    limit_rpm: float
    limit_from: str
    best: float | None  # the best ratio within the limit; None where none is
    # Ratios about the best that cannot be told from it, or differ by less than matters.
    alike: tuple[float, float] | None
    gains: tuple[Figure, ...]  # what the best does to every goal against now, the swept one first
    sizes: tuple[Size, ...] = ()  # sprockets and tyres of the candidates and of now, by their ratio


@dataclass(frozen=True)
class Limit:
    """Revs that are not to be passed, and whose limit that is."""

    rpm: float
    whose: str


def ratio_with_teeth(ratio: float, now: tuple[int, int], new: tuple[int, int]) -> float:
    """Whole ratio with other sprockets, (driving, driven) each.

    Examples
    --------
    >>> round(ratio_with_teeth(6.0, (10, 60), (10, 66)), 6)
    6.6
    """
    return ratio * (new[1] / new[0]) / (now[1] / now[0])


def choices(
    vehicle: Vehicle, parts: Sequence[Candidate], *, with_now: bool = False
) -> list[tuple[str, float]]:
    """Every pair of sprockets and tyre that parts offer: name, force through it over that of now.

    A tyre works as a ratio does: the force at its edge goes with one over its circumference.

    Parameters
    ----------
    parts : sequence of Candidate
        Fitted together.
    with_now : bool
        Whether what is fitted now is one of the choices too.
    """
    ratio, around_m = (vehicle.gear_ratios or (None,))[0], vehicle.circumference_m
    ratios: list[tuple[str, float]] = []
    if ratio is not None:
        ratios = [(f"ratio {one:g}", one / ratio) for one in _offered(parts, "gear_ratio")]
        ratios += _with_teeth(vehicle, parts, with_now)
        if with_now and not vehicle.sprocket_teeth:
            ratios.append((f"ratio {ratio:g}", 1.0))
    tyres = []
    if around_m is not None:
        sizes = [*_offered(parts, "tyre_diameter_m")]
        sizes += [around_m / math.pi] if with_now and sizes else []
        tyres = [(f"tyre {size:.4g} m", around_m / (math.pi * size)) for size in sizes]
    pairs = product(dict(ratios).items() or [("", 1.0)], dict(tyres).items() or [("", 1.0)])
    return [(", ".join(filter(None, (a, b))), k * by) for (a, k), (b, by) in pairs]


def _with_teeth(
    vehicle: Vehicle, parts: Sequence[Candidate], with_now: bool
) -> list[tuple[str, float]]:
    now = vehicle.sprocket_teeth
    driving, driven = _offered(parts, "engine_teeth"), _offered(parts, "wheel_teeth")
    if now is None or not (driving or driven or with_now):
        return []
    pairs = product(
        [*driving, *now[: with_now or not driving]],
        [*driven, *now[1 : 1 + (with_now or not driven)]],
    )
    return [(f"{a} to {b} teeth", ratio_with_teeth(1.0, now, (a, b))) for a, b in pairs]


def _offered(parts: Sequence[Candidate], key: str) -> list[Any]:
    return [size for part in parts for size in getattr(part, key)]


def highest_rpm(run: Passage, goals: Sequence[SplitGoal], rpm_per_mps: float) -> FloatArray:
    """Highest revs at the end of any goal, shape (draws,); `rpm_per_mps` with the clutch locked."""
    ends = [
        np.minimum(goal.value, run.speed_mps[-1]) + 0 * run.t_s[:, 0]
        if goal.kind == "speed"
        else run.speed_at(goal.value)
        for goal in goals
    ]
    return np.asarray(np.max(ends, axis=0) * rpm_per_mps)


def sweep(
    model: VehicleModel,
    goals: Sequence[SplitGoal],
    *,
    ratio: float,
    rpm_per_mps: float,
    limit: Limit,
    worth: float,
    sizes: Sequence[tuple[str, float]] = (),
) -> Sweep:
    """Vary the ratio and see what it does.

    Parameters
    ----------
    goals : sequence of SplitGoal
        The first is swept; the others are told for its best, and count for the limit.
    ratio, rpm_per_mps : float
        Of now.
    worth : float
        Smallest difference that matters, in the goal's unit.
    sizes : sequence of (str, float)
        Sprockets and tyres, as :func:`choices` gives them.
    """
    factors = np.sort(np.r_[np.geomspace(*SPAN, STEPS), 1.0])
    rows = _Rows(model, goals, rpm_per_mps, limit, worth, factors)
    low, middle, high = np.nanquantile(rows.gains + rows.before, (0.025, 0.5, 0.975), axis=1)
    best = alike = None
    told: tuple[Figure, ...] = ()
    if (at := rows.best) is not None:
        same = rows.alike(at)
        best = float(ratio * factors[at])
        first = at - int(np.argmin(np.r_[same[at::-1], False])) + 1
        last = at + int(np.argmin(np.r_[same[at:], False])) - 1
        alike = (float(ratio * factors[first]), float(ratio * factors[last]))
        told = rows.told(at)
    return Sweep(
        goals[0].label,
        goals[0].unit,
        ratio * factors,
        middle,
        low,
        high,
        np.nanmedian(rows.revs, axis=1),
        rows.revs_high,
        ratio,
        limit.rpm,
        limit.whose,
        best,
        alike,
        told,
        _sizes(rows.like(sizes), ratio, sizes) if sizes else (),
    )


class _Rows:
    """The swept goal and the revs at several gearings, shape (n, draws) each."""

    def __init__(
        self,
        model: VehicleModel,
        goals: Sequence[SplitGoal],
        rpm_per_mps: float,
        limit: Limit,
        worth: float,
        factors: FloatArray,
    ) -> None:
        self._given = (model, goals, rpm_per_mps, limit, worth)
        self.model, self.goals, self.worth = model, goals, worth
        self.sign = -1.0 if goals[0].unit == "m/s" else 1.0
        now = passage(model)
        self.befores = [now.value(goal) for goal in goals]
        self.before = self.befores[0]
        self.changes = [Change(gearing=float(k)) for k in factors]
        self.runs = [passage(model, change) for change in self.changes]
        self.gains = np.array([self._gain(i, 0) for i in range(len(factors))])
        self.revs = np.array(
            [
                highest_rpm(run, goals, rpm_per_mps * change.gearing)
                for run, change in zip(self.runs, self.changes, strict=True)
            ]
        )
        self.revs_high = np.nanquantile(self.revs, 0.975, axis=1)
        self.allowed = self.revs_high <= limit.rpm

    def like(self, sizes: Sequence[tuple[str, float]]) -> _Rows:
        """The same of other gearings."""
        return _Rows(*self._given, np.array([k for _, k in sizes]))

    def _gain(self, at: int, goal: int) -> FloatArray:
        return changed(
            self.model, self.changes[at], self.goals[goal], self.befores[goal], self.runs[at]
        )

    @property
    def best(self) -> int | None:
        """The best within the limit."""
        if not np.any(self.allowed):
            return None
        score = self.sign * np.nanmedian(self.gains, axis=1)
        return int(np.argmin(np.where(self.allowed, score, np.inf)))

    def alike(self, at: int) -> npt.NDArray[np.bool_]:
        """Which are within the limit and not told from one, or too little worse to matter."""
        behind = self.sign * (self.gains - self.gains[at])
        near = np.nanquantile(behind, 0.025, axis=1)
        middle = np.nanmedian(behind, axis=1)
        return np.asarray(((near <= 0) | (middle < self.worth)) & self.allowed)

    def told(self, at: int) -> tuple[Figure, ...]:
        """The change of each goal."""
        values = [self._gain(at, goal) for goal in range(len(self.goals))]
        return tuple(map(change_figure, self.goals, values))


def _sizes(rows: _Rows, ratio: float, sizes: Sequence[tuple[str, float]]) -> tuple[Size, ...]:
    best = rows.best
    alike = [False] * len(sizes) if best is None else list(rows.alike(best))
    goal = rows.goals[0]
    found = [
        Size(
            name,
            ratio * k,
            change_figure(goal, rows.gains[i] + rows.before),
            rows.told(i),
            drawn("highest revs on the course", rows.revs[i], "rpm", "model"),
            math.isclose(k, 1.0),
            not rows.allowed[i],
            bool(alike[i]),
        )
        for i, (name, k) in enumerate(sizes)
    ]
    return tuple(sorted(found, key=lambda one: one.ratio))


def change_figure(goal: SplitGoal, values: FloatArray) -> Figure:
    """A goal from draws; one that half of them do not reach is not told."""
    if np.mean(np.isfinite(values)) < 0.5:
        return Figure(goal.label, math.nan, goal.unit, "model", why="not reached")
    return drawn(goal.label, values, goal.unit, "model of the vehicle from its runs")
