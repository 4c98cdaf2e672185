"""What acts on one run besides the build: air, wind, slope and weight, from the day and the run.

The day's wind and slope are those of the way that the sheet's first run went; for a run the other
way both are turned round. What a run says of itself holds as it stands.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from overlay.compare.atmosphere import STANDARDS, Correction, correction
from overlay.compare.day import DayComparison
from overlay.compare.power import Setting, air_density
from overlay.compare.standing import DayRun
from overlay.sheet import Conditions, DaySheet, Run

USUAL_C, USUAL_HPA = 15.0, 1013.25  # standard atmosphere, ISO 2533


@dataclass(frozen=True)
class Surroundings:
    """What acted on one run."""

    way: int  # 1, or -1 for the other way
    air: Conditions  # with wind and slope along the run as it went
    mass_kg: float | None  # with driver and fuel
    own_kg: float  # how much of it is the run's own, beside the build's

    @property
    def air_kgpm3(self) -> float:
        """Density of the air."""
        return density(self.air)

    @property
    def corrections(self) -> tuple[Correction, ...]:
        """Factors from power in this air to the standards'; empty where the air is not known."""
        warm, high, damp = (
            self.air.temperature_c,
            self.air.pressure_hpa,
            self.air.humidity_percent,
        )
        if warm is None or high is None or damp is None:
            return ()
        return tuple(correction(standard, warm, high, damp) for standard in STANDARDS)

    def setting(self, mass_kg: float, turning_kg: float, air_kgpm3: float) -> Setting:
        """For power, where the road load is that of a mass and an air."""
        return Setting(
            mass_kg + self.own_kg,
            turning_kg,
            (self.air.slope_percent or 0.0) / 100,
            self.air.headwind_mps or 0.0,
            self.air_kgpm3 / air_kgpm3,
        )


def density(air: Conditions) -> float:
    """Density of the air, of the standard atmosphere where the sheet does not say."""
    celsius = USUAL_C if air.temperature_c is None else air.temperature_c
    return air_density(celsius, USUAL_HPA if air.pressure_hpa is None else air.pressure_hpa)


def surroundings_of(
    sheet: DaySheet, day: DayComparison, runs: Sequence[DayRun]
) -> dict[str, Surroundings]:
    """What acted on each run, by name."""
    return {
        run.name: _of(sheet, said, day.standing(run.name).way)
        for run in runs
        if (said := sheet.run(run.name)) is not None
    }


def _of(sheet: DaySheet, said: Run, way: int) -> Surroundings:
    build = sheet.build(said.build)
    usual_kg = sheet.vehicle.mass_kg if build is None else sheet.vehicle_of(build).mass_kg
    air, own = sheet.conditions_of(said), said.conditions or Conditions()
    turned = {
        key: -value
        for key in ("headwind_mps", "slope_percent")
        if way < 0 and getattr(own, key) is None and (value := getattr(air, key)) is not None
    }
    mass_kg = usual_kg if said.mass_kg is None else said.mass_kg
    own_kg = 0.0 if mass_kg is None or usual_kg is None else mass_kg - usual_kg
    return Surroundings(way, air.model_copy(update=turned), mass_kg, own_kg)
