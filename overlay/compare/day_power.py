"""Power at the wheels and gearing of each build of a day, as far as the sheet gives the figures."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from overlay.compare.atmosphere import Correction
from overlay.compare.coast import Coast, find_coasts
from overlay.compare.day import DayComparison, traces_of, whole_runs
from overlay.compare.gearing import rpm_at_speed, speed_at_rpm
from overlay.compare.power import (
    TURNING_SHARE,
    TURNING_SIGMA_SHARE,
    PowerCurve,
    RoadLoad,
    Setting,
    assumed_road_load,
    fit_coast,
    power_curve,
)
from overlay.compare.standing import DayRun
from overlay.compare.surroundings import Surroundings, density, surroundings_of
from overlay.compare.where import Trace
from overlay.engine.driveline import Driveline, engine_rpm_at
from overlay.errors import UndeterminedError
from overlay.sheet import Build, DaySheet, Vehicle

MASS_SHARE = 0.02  # standard uncertainty of a mass off bathroom scales; our own figure
SHEET_SHARE = 0.1  # standard uncertainty of a coefficient that the sheet gives; our own figure
MIN_SPEED_MPS = 2.0  # below it speed times force is all launch


@dataclass(frozen=True, eq=False)
class Measured:
    """What the power of a build is worked out from."""

    traces: tuple[Trace, ...]  # its runs that count whole
    settings: tuple[Setting, ...]  # what acted on each
    around: tuple[Surroundings, ...]  # of each, as the sheet has them
    mass_kg: float  # of the build with driver and fuel, for which the road load is
    turning: tuple[float, float]
    road_load: RoadLoad


@dataclass(frozen=True, eq=False)
class BuildPower:
    """What one build puts on the road."""

    build: str
    curve: PowerCurve  # against speed, observed (not corrected for the air)
    # Highest power at the wheels and half width of its interval (NaN below two runs).
    peak_w: float
    half_w: float
    at_mps: float  # where it lies
    # Engine speed there without slip, and at the build's mean top speed; None without gearing.
    at_rpm: float | None
    top_rpm: float | None
    limit_mps: float | None  # speed at the limit of the stock parts without slip
    # Factors for power (never for seconds) in the runs' air, one a standard; empty without its
    # figures.
    corrections: tuple[Correction, ...]
    measured: Measured


def powers_of(
    sheet: DaySheet, day: DayComparison, runs: Sequence[DayRun]
) -> tuple[BuildPower, ...]:
    """Power of every build that has a mass and a run that counts whole.

    Parameters
    ----------
    runs : sequence of DayRun
        Those that `day` was made from.
    """
    around = surroundings_of(sheet, day, runs)
    loads: dict[tuple[float, float], RoadLoad] = {}
    found = []
    for build in sheet.builds:
        try:
            measured = _measured(sheet, day, runs, around, build, loads)
            one = None if measured is None else _power(sheet, day, build, measured)
        except UndeterminedError:
            continue
        if one is not None:
            found.append(one)
    return tuple(found)


def turning_of(vehicle: Vehicle) -> tuple[float, float]:
    """Mass equivalent of the turning parts and its standard uncertainty, kg."""
    if vehicle.turning_kg is not None:
        return vehicle.turning_kg, SHEET_SHARE * vehicle.turning_kg
    mass_kg = vehicle.mass_kg or 0.0
    return TURNING_SHARE * mass_kg, TURNING_SIGMA_SHARE * mass_kg


def road_load_of(
    sheet: DaySheet, runs: Sequence[DayRun], around: Mapping[str, Surroundings], of: Vehicle
) -> RoadLoad:
    """Road load of the day's vehicle at one build's mass, from the best that there is.

    The sheet's coefficients, else the usual range, stand where nothing is measured; every coast
    with the clutch out of a build of that mass and those turning parts narrows them.
    """
    mass_kg, air_kgpm3 = of.mass_kg or 0.0, density(sheet.conditions)
    turning_kg = turning_of(of)[0]
    known = _unmeasured(sheet.vehicle, mass_kg, air_kgpm3)
    alike = [
        build.name
        for build in sheet.builds
        if (vehicle := sheet.vehicle_of(build)).mass_kg == of.mass_kg
        and turning_of(vehicle)[0] == turning_kg
    ]
    coasts = _coasts(sheet, runs, around, of, alike)
    try:
        fitted = fit_coast(
            [(coast.kinematics, coast.start_s, coast.end_s) for coast, _ in coasts],
            mass_kg=mass_kg,
            settings=[setting for _, setting in coasts],
            prior=known,
        )
    except UndeterminedError:
        return known
    return replace(fitted, runs=tuple(dict.fromkeys(coast.run for coast, _ in coasts)))


def coasts_of(
    sheet: DaySheet, day: DayComparison, runs: Sequence[DayRun], build: Build
) -> list[tuple[Coast, Setting]]:
    """Each coast with the clutch out of one build's runs, and its surroundings."""
    vehicle = sheet.vehicle_of(build)
    if vehicle.mass_kg is None:
        return []
    return _coasts(sheet, runs, surroundings_of(sheet, day, runs), vehicle, [build.name])


def _coasts(
    sheet: DaySheet,
    runs: Sequence[DayRun],
    around: Mapping[str, Surroundings],
    of: Vehicle,
    builds: Sequence[str],
) -> list[tuple[Coast, Setting]]:
    """The coasts of builds that weigh what `of` does."""
    mass_kg, air_kgpm3 = of.mass_kg or 0.0, density(sheet.conditions)
    turning_kg = turning_of(of)[0]
    found = []
    for run in runs:
        build = sheet.build(run.build)
        if run.build not in builds or build is None or run.name not in around:
            continue
        setting = around[run.name].setting(mass_kg, turning_kg, air_kgpm3)
        coasts = find_coasts(
            run.name,
            run.kinematics,
            run.launch,
            run.rpm,
            _driveline(sheet.vehicle_of(build)),
            expected=_unmeasured(sheet.vehicle, mass_kg, air_kgpm3),
            setting=setting,
        )
        found += [(coast, setting) for coast in coasts]
    return found


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


def _measured(
    sheet: DaySheet,
    day: DayComparison,
    runs: Sequence[DayRun],
    around: Mapping[str, Surroundings],
    build: Build,
    loads: dict[tuple[float, float], RoadLoad],
) -> Measured | None:
    vehicle = sheet.vehicle_of(build)
    whole = [run for run in whole_runs(day, runs, build.name) if run.name in around]
    if vehicle.mass_kg is None or not whole:
        return None
    turning, air_kgpm3 = turning_of(vehicle), density(sheet.conditions)
    key = (vehicle.mass_kg, turning[0])
    if key not in loads:
        loads[key] = road_load_of(sheet, runs, around, vehicle)
    each = tuple(around[run.name] for run in whole)
    return Measured(
        traces_of(day, runs, build.name),
        tuple(one.setting(vehicle.mass_kg, turning[0], air_kgpm3) for one in each),
        each,
        vehicle.mass_kg,
        turning,
        loads[key],
    )


def _power(
    sheet: DaySheet, day: DayComparison, build: Build, measured: Measured
) -> BuildPower | None:
    vehicle = sheet.vehicle_of(build)
    curve = power_curve(
        measured.traces,
        mass_kg=measured.mass_kg,
        mass_sigma_kg=MASS_SHARE * measured.mass_kg,
        road_load=measured.road_load,
        turning=measured.turning,
        settings=measured.settings,
    )
    single = vehicle.gear_ratios if vehicle.gear_ratios and len(vehicle.gear_ratios) == 1 else None
    at_rpm = top_rpm = limit_mps = None
    if single and vehicle.circumference_m is not None:
        gear = {"ratio": single[0], "circumference_m": vehicle.circumference_m}
        curve = replace(curve, engine_rpm=engine_rpm_at(curve.speed_mps, **gear))
        tops = [one.splits[-1].value for one in day.of_build(build.name) if one.splits[-1].used]
        top_mps = float(np.mean([top for top in tops if top is not None])) if tops else 0.0
        top_rpm = rpm_at_speed(top_mps, **gear) if top_mps else None
        if vehicle.stock_limit_rpm:
            limit_mps = speed_at_rpm(vehicle.stock_limit_rpm, **gear)
    place = _peak(curve, len(measured.traces))
    if place is None:
        return None
    if curve.engine_rpm is not None:
        at_rpm = float(curve.engine_rpm[place])
    return BuildPower(
        build.name,
        curve,
        float(curve.power_w[place]),
        float(curve.high_w[place] - curve.power_w[place]),
        float(curve.speed_mps[place]),
        at_rpm,
        top_rpm,
        limit_mps,
        _mean_corrections([one.corrections for one in measured.around]),
        measured,
    )


def _mean_corrections(each: Sequence[tuple[Correction, ...]]) -> tuple[Correction, ...]:
    """The mean factor of each standard over the runs, not valid where one run's is not."""
    if not all(each):
        return ()
    found = []
    for of_runs in zip(*each, strict=True):
        wrong = next((one for one in of_runs if not one.valid), of_runs[0])
        found.append(replace(wrong, factor=math.fsum(c.factor for c in of_runs) / len(of_runs)))
    return tuple(found)


def _peak(curve: PowerCurve, runs: int) -> int | None:
    """Where the power is highest, among speeds that as many runs tell as there are."""
    usable = np.isfinite(curve.power_w) & (curve.speed_mps >= MIN_SPEED_MPS)
    if runs > 1 and bool(np.any(np.isfinite(curve.sigma_w))):
        usable &= np.isfinite(curve.sigma_w)
    if not bool(np.any(usable)):
        return None
    return int(np.argmax(np.where(usable, curve.power_w, -np.inf)))
