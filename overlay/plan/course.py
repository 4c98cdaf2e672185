"""Time over a course: the model integrated, with a change or without.

A change scales what the runs showed. With the force through the gearing k times as large, revs at
a speed are k times as high, so the force at speed v is k times that which was at k v, slipping
clutch included: the engine feels the same. Power scales the force; mass adds inertia and rolling
resistance. Time and distance follow from the inverse of acceleration over speed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.integrate import cumulative_trapezoid

from overlay.errors import UsageError
from overlay.plan.vehicle import VehicleModel
from overlay.runs.model import SplitGoal
from overlay.timebase import FloatArray
from overlay.units import ROLLOUT_M

# Of what a change of gearing, mass, power would do at constant power, the shares by which scaling
# the runs errs (gearing moves force and revs, so it counts twice); set by
# tests.benchmarks.accuracy.next.
MODEL_SHARES = (0.07, 0.025, 0.035)
_LEAST_MPS2 = 1e-3  # at its top speed a vehicle goes on without gaining
_NEVER_S = 600.0


@dataclass(frozen=True, eq=False)
class Change:
    """What a part does, as far as the runs can be scaled by it."""

    # Force through the gearing over what it was: ratio over circumference, new over old, > 0.
    gearing: float = 1.0
    mass_kg: float = 0.0  # added
    # Lowest and highest factor on the engine's force; drawn evenly between.
    power: tuple[float, float] = (1.0, 1.0)

    def __post_init__(self) -> None:
        if not (self.gearing > 0 and 0 < self.power[0] <= self.power[1]):
            raise UsageError(f"gearing {self.gearing:g} and power {self.power} must be above 0")


@dataclass(frozen=True, eq=False)
class Passage:
    """Time and distance from launch at each speed, a row a draw."""

    speed_mps: FloatArray  # shape (n,)
    # shape (draws, n)
    t_s: FloatArray
    distance_m: FloatArray

    def _at_distance(self, distance_m: float, of: FloatArray) -> FloatArray:
        rows = zip(self.distance_m, of, strict=True)
        return np.array([np.interp(distance_m, x, values) for x, values in rows])

    def speed_at(self, distance_m: float) -> FloatArray:
        """Speed at a distance, shape (draws,)."""
        return self._at_distance(distance_m, np.broadcast_to(self.speed_mps, self.t_s.shape))

    def value(self, goal: SplitGoal) -> FloatArray:
        """Seconds of a goal (m/s for a trap), shape (draws,); NaN where it is not reached."""
        start = ROLLOUT_M if goal.rollout else goal.start
        if goal.kind == "speed":
            ends = [self._when(v) for v in (goal.start, goal.value)]
            if goal.rollout:
                ends[0] = self._at_distance(ROLLOUT_M, self.t_s)
        else:
            ends = [self._at_distance(x, self.t_s) for x in (start, goal.value)]
        taken = np.asarray(ends[1] - (ends[0] if start else 0.0), dtype=np.float64)
        taken = np.where(taken < _NEVER_S, taken, np.nan)
        return (goal.value - goal.start) / taken if goal.unit == "m/s" else taken

    def _when(self, speed_mps: float) -> FloatArray:
        if speed_mps > self.speed_mps[-1]:
            return np.full(len(self.t_s), np.nan)
        i = min(int(np.searchsorted(self.speed_mps, speed_mps)), len(self.speed_mps) - 1)
        low, high = self.speed_mps[max(i - 1, 0)], self.speed_mps[i]
        share = 1.0 if high <= low else (speed_mps - low) / (high - low)
        return np.asarray((1 - share) * self.t_s[:, max(i - 1, 0)] + share * self.t_s[:, i])


def passage(model: VehicleModel, change: Change | None = None) -> Passage:
    """Integrate the model over speed, from launch.

    Parameters
    ----------
    change : Change, optional
        Without one, the vehicle as it was driven.
    """
    by = change or Change()
    v = model.speed_mps
    low, high = by.power
    power = low + (high - low) * np.random.default_rng(1948).random((len(model.force_n), 1))
    force = power * by.gearing * _at(model.force_n, v, by.gearing * v)
    mass = model.mass_kg + by.mass_kg
    resist = (mass * model.rolling_mps2)[:, None] + model.drag_kgpm[:, None] * v**2
    turning = model.wheels_kg + model.engine_kg * by.gearing**2
    accel = (force - resist) / (mass + turning)[:, None]
    pace = 1 / np.maximum(accel, _LEAST_MPS2)
    t, x = (np.asarray(cumulative_trapezoid(y, v, axis=1, initial=0)) for y in (pace, pace * v))
    return Passage(v, t + model.delay_s[:, None], x + model.ahead_m[:, None])


def changed(
    model: VehicleModel,
    change: Change,
    goal: SplitGoal,
    before: FloatArray,
    after: Passage | None = None,
) -> FloatArray:
    """What a change adds to a goal's value, with what the scaling itself may be wrong by.

    Parameters
    ----------
    model : VehicleModel
        With the change's limiter, where it has another.
    before : ndarray, shape (draws,)
        The goal's value without it, from the same draws.
    after : Passage, optional
        That of the model with the change, where it was worked out before.
    """
    difference = (after or passage(model, change)).value(goal) - before
    mean_power = (change.power[0] + change.power[1]) / 2
    parts = (np.log(change.gearing), change.mass_kg / model.mass_kg, np.log(mean_power))
    wrong = sum(np.square(share * part) for share, part in zip(MODEL_SHARES, parts, strict=True))
    # At constant power a third of the relative change is that of the time.
    sigma = np.sqrt(wrong) * before / 3
    return np.asarray(difference + sigma * np.random.default_rng(1949).standard_normal(len(before)))


def _at(rows: FloatArray, grid: FloatArray, at: FloatArray) -> FloatArray:
    """Rows over an even grid at other places, the last value held."""
    place = np.minimum(at / (grid[1] - grid[0]), len(grid) - 1.0)
    low = np.minimum(place.astype(np.int64), len(grid) - 2)
    share = place - low
    return np.asarray((1 - share) * rows[:, low] + share * rows[:, low + 1])
