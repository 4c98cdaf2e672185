"""A candidate with all that has to be bought with it, as one change, and what it is judged on."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from overlay.plan.compression import compression_figures
from overlay.plan.course import Passage, passage
from overlay.plan.figure import Figure
from overlay.plan.gearing import highest_rpm
from overlay.plan.vehicle import VehicleModel
from overlay.runs.model import SplitGoal
from overlay.sheet import Candidate, Engine, Vehicle

CHANGES = (
    "mass_change_kg",
    "power_percent",
    "limiter_rpm",
    "gear_ratio",
    "engine_teeth",
    "wheel_teeth",
    "tyre_diameter_m",
)


@dataclass(frozen=True, eq=False)
class Basis:
    """What every candidate of one build is predicted from."""

    model: VehicleModel
    # Models with the speed held only by a limiter at other revs.
    freed: Mapping[float, VehicleModel]
    goals: tuple[SplitGoal, ...]  # the main one first
    scatter: Mapping[str, float]  # of each goal from run to run, by its label
    vehicle: Vehicle
    engine: Engine
    # Revs over speed with the clutch locked, highest revs driven.
    rpm_per_mps: float | None
    highest_rpm: float | None
    worth: float = 0.0  # smallest difference of the main goal that matters, in its unit

    @cached_property
    def now(self) -> Passage:
        """The course as the build drives it."""
        return passage(self.model)

    @property
    def now_rpm(self) -> float | None:
        """Highest revs on the course by the model; None where revs over speed are not known."""
        if self.rpm_per_mps is None:
            return None
        return float(np.nanmedian(highest_rpm(self.now, self.goals, self.rpm_per_mps)))


def bundle(one: Candidate, known: Sequence[Candidate]) -> tuple[Candidate, ...]:
    """The candidate and all that has to be bought with it, each once."""
    by_name = {other.name: other for other in known}
    found, waiting = {one.name: one}, list(one.needs)
    while waiting:
        other = by_name.get(waiting.pop(0))
        if other is not None and other.name not in found:
            found[other.name] = other
            waiting += other.needs
    return tuple(found.values())


@dataclass(frozen=True)
class Whole:
    """A bundle as one change, gearing still to choose."""

    mass_kg: float  # added
    power: tuple[float, float]  # least and most factor on the force
    # Where it holds the revs, and the most that is allowed with it.
    limiter_rpm: float | None
    limit_rpm: float | None
    figures: tuple[Figure, ...]  # compression and clearances, where it changes them
    missing: tuple[str, ...]  # keys of the sheet that those lack
    says: bool  # whether it says what it changes


def whole_of(ground: Basis, parts: Sequence[Candidate]) -> Whole:
    """A bundle as one change; compression by its gasket or ratio, power by that where unsaid."""
    gasket = next((part.gasket_mm for part in parts if part.gasket_mm), None)
    ratio = next((part.compression_ratio for part in parts if part.compression_ratio), None)
    figures: tuple[Figure, ...] = ()
    missing: tuple[str, ...] = ()
    if gasket is not None or ratio is not None:
        figures, missing = compression_figures(
            ground.engine, gasket_mm=gasket, compression_ratio=ratio
        )
    spans = [part.power_percent for part in parts if part.power_percent is not None]
    bound = next((f.value for f in figures if f.unit == "%"), None)
    if not spans and bound is not None:
        spans = [(min(bound, 0.0), max(bound, 0.0))]
    low, high = (math.prod(1 + span[i] / 100 for span in spans) for i in (0, 1))
    limits = [part.stock_limit_rpm for part in parts if part.stock_limit_rpm]
    return Whole(
        sum(part.mass_change_kg or 0.0 for part in parts),
        (low, high),
        next((part.limiter_rpm for part in parts if part.limiter_rpm), None),
        min(limits, default=ground.vehicle.stock_limit_rpm),
        figures,
        missing,
        bool(spans) or any(getattr(part, key) for part in parts for key in CHANGES),
    )


def lacking(vehicle: Vehicle, whole: Whole, parts: Sequence[Candidate]) -> tuple[str, ...]:
    """Keys without which what a bundle changes is not known at all."""
    if not whole.says:
        return ("candidates: mass_change_kg, power_percent, limiter_rpm, gear_ratio or teeth",)
    found = []
    if vehicle.gear_ratios is None and any(
        part.gear_ratio or part.engine_teeth or part.wheel_teeth for part in parts
    ):
        found.append("vehicle.gear_ratios")
    if not vehicle.sprocket_teeth and any(part.engine_teeth or part.wheel_teeth for part in parts):
        found.append("vehicle.sprocket_teeth")
    if vehicle.circumference_m is None and any(part.tyre_diameter_m for part in parts):
        found.append("vehicle.rolling_circumference_m")
    return tuple(found)
