"""Power at the wheels and gearing of each build of a day, as far as the sheet gives the figures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from overlay.compare.atmosphere import Correction, corrections
from overlay.compare.coast import find_coasts
from overlay.compare.day import DayComparison, traces_of
from overlay.compare.gearing import rpm_at_speed, speed_at_rpm
from overlay.compare.power import (
    PowerCurve,
    RoadLoad,
    air_density,
    assumed_road_load,
    fit_coast,
    power_curve,
    with_rpm,
)
from overlay.compare.standing import DayRun
from overlay.engine.driveline import Driveline
from overlay.errors import UndeterminedError
from overlay.sheet import Build, DaySheet, Vehicle

MASS_SHARE = 0.02  # standard uncertainty of a mass off bathroom scales; our own figure
SHEET_SHARE = 0.1  # standard uncertainty of a coefficient that the sheet gives; our own figure
MIN_SPEED_MPS = 2.0  # below it speed times force is all launch


@dataclass(frozen=True, eq=False)
class BuildPower:
    """What one build puts on the road.

    Attributes
    ----------
    build : str
    curve : PowerCurve
        Against speed, observed (not corrected for the air).
    peak_w, half_w : float
        Highest power at the wheels and half width of its interval (NaN below two runs).
    at_mps : float
        Where it lies.
    at_rpm, top_rpm : float or None
        Engine speed there without slip, and at the build's mean top speed; None without gearing.
    limit_mps : float or None
        Speed at the limit of the stock parts without slip.
    corrections : tuple of Correction
        Factors for power (never for seconds) in the day's air; empty without its figures.
    """

    build: str
    curve: PowerCurve
    peak_w: float
    half_w: float
    at_mps: float
    at_rpm: float | None
    top_rpm: float | None
    limit_mps: float | None
    corrections: tuple[Correction, ...]

    @property
    def is_road_load_assumed(self) -> bool:
        """Whether resistance is assumed and not measured."""
        return self.curve.road_load.source == "assumed"


def powers_of(
    sheet: DaySheet, day: DayComparison, runs: Sequence[DayRun]
) -> tuple[BuildPower, ...]:
    """Power of every build that has a mass and a run that counts whole.

    Parameters
    ----------
    sheet : DaySheet
    day : DayComparison
    runs : sequence of DayRun
        Those that `day` was made from.
    """
    found = []
    loads: dict[float, RoadLoad] = {}
    for build in sheet.builds:
        try:
            one = _power(sheet, day, runs, build, loads)
        except UndeterminedError:
            continue
        if one is not None:
            found.append(one)
    return tuple(found)


def road_load_of(sheet: DaySheet, runs: Sequence[DayRun], mass_kg: float) -> RoadLoad:
    """Road load of the day's vehicle at one mass, from the best that there is.

    The sheet's coefficients, else the usual range, stand where nothing is measured; every coast
    with the clutch out of a build of that mass narrows them.
    """
    air = sheet.conditions
    known = _unmeasured(
        sheet.vehicle, mass_kg, air_density(air.temperature_c or 15.0, air.pressure_hpa or 1013.25)
    )
    vehicles: Mapping[str, Vehicle] = {
        build.name: vehicle
        for build in sheet.builds
        if (vehicle := sheet.vehicle_of(build)).mass_kg == mass_kg
    }
    coasts = [
        coast
        for run in runs
        if run.build in vehicles
        for coast in find_coasts(
            run.name,
            run.kinematics,
            run.launch,
            run.rpm,
            _driveline(vehicles[run.build]),
            expected=known,
            mass_kg=mass_kg,
        )
    ]
    try:
        fitted = fit_coast(
            [(coast.kinematics, coast.start_s, coast.end_s) for coast in coasts],
            equivalent_mass_kg=mass_kg,
            slope=(air.slope_percent or 0.0) / 100,
            prior=known,
        )
    except UndeterminedError:
        return known
    return replace(fitted, runs=tuple(dict.fromkeys(coast.run for coast in coasts)))


def _unmeasured(vehicle: Vehicle, mass_kg: float, air_kgpm3: float) -> RoadLoad:
    """What the sheet says of rolling and drag, and the usual range of what it does not."""
    given: dict[str, float] = {}
    if vehicle.rolling_coefficient is not None:
        given["rolling"] = vehicle.rolling_coefficient
        given["rolling_sigma"] = SHEET_SHARE * vehicle.rolling_coefficient
    if vehicle.drag_area_m2 is not None:
        given["drag_area_m2"] = vehicle.drag_area_m2
        given["drag_area_sigma_m2"] = SHEET_SHARE * vehicle.drag_area_m2
    source = "sheet" if len(given) == 4 else "assumed"
    return assumed_road_load(mass_kg, air_kgpm3=air_kgpm3, source=source, **given)


def _driveline(vehicle: Vehicle) -> Driveline | None:
    if not vehicle.gear_ratios or vehicle.circumference_m is None:
        return None
    ratios = tuple(vehicle.gear_ratios)
    return Driveline(ratios, vehicle.circumference_m, clutch=vehicle.clutch)


def _power(
    sheet: DaySheet,
    day: DayComparison,
    runs: Sequence[DayRun],
    build: Build,
    loads: dict[float, RoadLoad],
) -> BuildPower | None:
    vehicle, air = sheet.vehicle_of(build), sheet.conditions
    traces = traces_of(day, runs, build.name)
    if vehicle.mass_kg is None or not traces:
        return None
    known_air = air.temperature_c is not None and air.pressure_hpa is not None
    if vehicle.mass_kg not in loads:
        loads[vehicle.mass_kg] = road_load_of(sheet, runs, vehicle.mass_kg)
    curve = power_curve(
        traces,
        mass_kg=vehicle.mass_kg,
        mass_sigma_kg=MASS_SHARE * vehicle.mass_kg,
        road_load=loads[vehicle.mass_kg],
        slope=(air.slope_percent or 0.0) / 100,
    )
    single = vehicle.gear_ratios if vehicle.gear_ratios and len(vehicle.gear_ratios) == 1 else None
    at_rpm = top_rpm = limit_mps = None
    if single and vehicle.circumference_m is not None:
        gear = {"ratio": single[0], "circumference_m": vehicle.circumference_m}
        curve = with_rpm(curve, **gear)
        tops = [one.splits[-1].value for one in day.of_build(build.name) if one.splits[-1].used]
        top_mps = float(np.mean([top for top in tops if top is not None])) if tops else 0.0
        top_rpm = rpm_at_speed(top_mps, **gear) if top_mps else None
        if vehicle.stock_limit_rpm:
            limit_mps = speed_at_rpm(vehicle.stock_limit_rpm, **gear)
    place = _peak(curve, len(traces))
    if place is None:
        return None
    if curve.engine_rpm is not None:
        at_rpm = float(curve.engine_rpm[place])
    factors: tuple[Correction, ...] = ()
    if known_air and air.humidity_percent is not None:
        assert air.temperature_c is not None
        assert air.pressure_hpa is not None
        factors = corrections(
            temperature_c=air.temperature_c,
            pressure_hpa=air.pressure_hpa,
            humidity_percent=air.humidity_percent,
        )[:2]
    return BuildPower(
        build.name,
        curve,
        float(curve.power_w[place]),
        float(curve.high_w[place] - curve.power_w[place]),
        float(curve.speed_mps[place]),
        at_rpm,
        top_rpm,
        limit_mps,
        factors,
    )


def _peak(curve: PowerCurve, runs: int) -> int | None:
    """Where the power is highest, among speeds that as many runs tell as there are."""
    usable = np.isfinite(curve.power_w) & (curve.speed_mps >= MIN_SPEED_MPS)
    if runs > 1:
        usable &= np.isfinite(curve.sigma_w)
    if not bool(np.any(usable)):
        return None
    return int(np.argmax(np.where(usable, curve.power_w, -np.inf)))
