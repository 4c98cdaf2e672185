"""What is known of the vehicle in one build: gearing, limits, engine."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from overlay.engine.driveline import Driveline, engine_rpm_at

if TYPE_CHECKING:
    from overlay.sheet import DaySheet


@dataclass(frozen=True)
class Machine:
    """The vehicle as one build makes it; what is not known is None.

    Attributes
    ----------
    driveline : Driveline or None
        Gear ratios and the driven wheel's circumference.
    limiter_rpm : float or None
        Where the ignition cuts or the governor holds.
    stock_limit_rpm : float or None
        Most that the maker allows the stock flywheel and rod.
    cylinders, strokes : int
        The engine; one cylinder and four strokes unless something else is known.
    """

    driveline: Driveline | None = None
    limiter_rpm: float | None = None
    stock_limit_rpm: float | None = None
    cylinders: int = 1
    strokes: int = 4

    @property
    def rpm_per_mps(self) -> float | None:
        """Engine revs a minute for one metre a second without slip; None with several gears."""
        line = self.driveline
        if line is None or len(line.ratios) != 1:
            return None
        return float(engine_rpm_at(np.ones(1), line.ratios[0], line.circumference_m)[0])


def machine_of(sheet: DaySheet, build: str) -> Machine:
    """The vehicle of a sheet in the build of that name."""
    known = sheet.build(build)
    vehicle = sheet.vehicle if known is None else sheet.vehicle_of(known)
    driveline = None
    if vehicle.gear_ratios and vehicle.circumference_m is not None:
        driveline = Driveline(
            tuple(vehicle.gear_ratios),
            vehicle.circumference_m,
            limiter_rpm=vehicle.limiter_rpm,
            clutch=vehicle.clutch,
        )
    return Machine(
        driveline,
        vehicle.limiter_rpm,
        vehicle.stock_limit_rpm,
        vehicle.cylinders,
        vehicle.strokes or 4,
    )
