"""What to try next, whole: the vehicle's model, its check, gearing, strength, air, candidates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from overlay.compare.cautions import CLOSED_COURSE, QUALIFIED, rev_caution
from overlay.compare.day import DayComparison, main_goal, traces_of, whole_runs
from overlay.compare.day_power import MASS_SHARE, BuildPower, Measured
from overlay.compare.figures import RunSplit, run_split
from overlay.compare.gearing import rpm_at_speed
from overlay.compare.standing import DayRun
from overlay.errors import UndeterminedError, UsageError
from overlay.plan.air import jetting_figures
from overlay.plan.bundle import Basis, bundle
from overlay.plan.candidates import Prospect, ranked
from overlay.plan.compression import compression_figures
from overlay.plan.course import passage
from overlay.plan.driveline import Slip, slip_of
from overlay.plan.figure import Figure, drawn
from overlay.plan.gearing import Limit, Sweep, choices, sweep
from overlay.plan.pull import Pull, fit_pull
from overlay.plan.shown import in_unit
from overlay.plan.strength import strength_figures
from overlay.plan.vehicle import Body, VehicleModel, fit_vehicle
from overlay.runs.model import SplitGoal
from overlay.runs.splits import parse_goal, splits
from overlay.sheet import Candidate, DaySheet, SheetError, Vehicle
from overlay.units import mps_to_speed

SCATTER_SHARE = 0.01  # of a goal's value from run to run where fewer than two tell; our own figure
STRENGTH_CAUTION = (
    "Figures of strength are cautions and no permission: makers' limits and qualified practice "
    "come first, and a stock flywheel or rod can burst beyond its limit."
)


@dataclass(frozen=True)
class HeldOut:
    """One run's main goal as measured, and as the other runs predict it."""

    run: str
    measured: float
    predicted: Figure

    @property
    def is_inside(self) -> bool:
        """Whether the interval holds what was measured."""
        low, high = self.predicted.low, self.predicted.high
        return low is not None and high is not None and low <= self.measured <= high


@dataclass(frozen=True, eq=False)
class Next:
    """Everything that 'timetrue next' tells of one build.

    Attributes
    ----------
    build, goal : str
        The build that parts would be fitted to, and the main goal.
    currency : str or None
    vehicle, force, strength, compression, air : tuple of Figure
        Facts of the model; force at the wheels at speeds; the rest as named.
    held_out : tuple of HeldOut
    sweep : Sweep or None
        None where no gearing is known.
    prospects : tuple of Prospect
    asked : tuple of str
        Keys of the sheet that would tell more.
    elsewhere : tuple of (str, str)
        Candidates of other builds, and their builds.
    cautions : tuple of str
    about : str
        What the build is.
    """

    build: str
    goal: str
    currency: str | None
    vehicle: tuple[Figure, ...]
    force: tuple[Figure, ...]
    held_out: tuple[HeldOut, ...]
    sweep: Sweep | None
    strength: tuple[Figure, ...]
    compression: tuple[Figure, ...]
    air: tuple[Figure, ...]
    prospects: tuple[Prospect, ...]
    asked: tuple[str, ...]
    elsewhere: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    about: str = ""


def plan_next(
    sheet: DaySheet,
    day: DayComparison,
    runs: Sequence[DayRun],
    powers: Sequence[BuildPower],
    *,
    build: str | None = None,
    goal: str | None = None,
) -> Next:
    """Say what to try next, from the runs of a day.

    Parameters
    ----------
    sheet, day, runs, powers
        The day as it was judged.
    build : str, optional
        The build that parts would be fitted to; else the last that has run.
    goal : str, optional
        The goal that matters; else the sheet's main one.

    Raises
    ------
    SheetError
        If the mass is missing.
    UsageError
        If there is no such build, or the goal is not understood.
    UndeterminedError
        If no run of the build counts whole.
    """
    name = _build_of(sheet, day, runs, build)
    vehicle, measured = _known_of(sheet, powers, name)
    own = whole_runs(day, runs, name)
    slip, rpm_per_mps = _gearing_of(vehicle, [run for run in runs if run.build == name])
    base = _Base(vehicle, measured, rpm_per_mps, fit_pull(measured.traces))
    goals = _goals(day, sheet, goal)
    mine = [one for one in sheet.candidates if one.build in ("", name)]
    driven = {one.label: _driven(own, one) for one in goals}
    ground = _ground(base, sheet, goals, mine, driven, slip)
    strength, asked = _strength(ground)
    air, ask_air = jetting_figures(sheet.engine, sheet.conditions)
    asked += ask_air
    if rpm_per_mps is None:
        several = len(vehicle.gear_ratios or ()) > 1
        one_only = ["one gear only: gearing of several is not worked out"]
        keys = ["vehicle.gear_ratios", "vehicle.rolling_circumference_m"]
        asked += one_only if several else keys
    unit = sheet.report.speed_unit
    return Next(
        name,
        goals[0].label,
        next((one.currency for one in sheet.builds if one.currency), None),
        in_unit(_facts(ground.model, slip, vehicle), unit),
        _forces(ground.model, unit),
        in_unit(_held_out(base, goals[0], driven[goals[0].label]), unit),
        in_unit(_sweep(ground, slip, mine), unit),
        strength,
        compression_figures(sheet.engine)[0],
        air,
        in_unit(ranked(ground, mine), unit),
        tuple(dict.fromkeys(asked)),
        tuple((one.name, one.build) for one in sheet.candidates if one not in mine),
        (*_beyond(ground, name), STRENGTH_CAUTION, QUALIFIED, CLOSED_COURSE),
        next((one.about or "" for one in sheet.builds if one.name == name), ""),
    )


def _known_of(sheet: DaySheet, powers: Sequence[BuildPower], name: str) -> tuple[Vehicle, Measured]:
    """The vehicle as a build makes it, and what its power was worked out from."""
    vehicle = sheet.vehicle_of(next(one for one in sheet.builds if one.name == name))
    if vehicle.mass_kg is None:
        problem = "is missing; nothing can be predicted without the mass with driver and fuel"
        raise SheetError([sheet.problem(("vehicle", "mass_kg"), problem)])
    measured = next((power.measured for power in powers if power.build == name), None)
    if measured is None:
        raise UndeterminedError(f"build {name}: no run counts whole, so there is no model of it")
    return vehicle, measured


def _ground(
    base: _Base,
    sheet: DaySheet,
    goals: tuple[SplitGoal, ...],
    candidates: Sequence[Candidate],
    driven: Mapping[str, Mapping[str, RunSplit]],
    slip: Slip | None,
) -> Basis:
    """What the candidates of the build are predicted from."""
    report = sheet.report
    limiters = {
        part.limiter_rpm
        for one in candidates
        for part in bundle(one, candidates)
        if part.limiter_rpm
    }
    return Basis(
        base.model(),
        {rpm: base.model(limiter_rpm=rpm) for rpm in limiters},
        goals,
        {label: _scatter(list(found.values())) for label, found in driven.items()},
        base.vehicle,
        sheet.engine,
        base.rpm_per_mps,
        slip.highest_rpm if slip else None,
        report.worth_noticing_mps if goals[0].unit == "m/s" else report.worth_noticing_s,
    )


def _beyond(ground: Basis, build: str) -> tuple[str, ...]:
    """Where a build as it is passes its own limit: nothing is then recommended."""
    caution = rev_caution(ground.highest_rpm or 0.0, ground.vehicle.stock_limit_rpm)
    return (f"Build {build} as driven: {caution}",) if caution else ()


@dataclass(frozen=True, eq=False)
class _Base:
    """What models of one build are made from."""

    vehicle: Vehicle
    measured: Measured
    rpm_per_mps: float | None
    pull: Pull

    def model(
        self, *, limiter_rpm: float | None = None, without: int | None = None
    ) -> VehicleModel:
        """The build as it is, held by another limiter, or one more run as the others tell it."""
        rpm = limiter_rpm or self.vehicle.limiter_rpm
        mass_kg = self.measured.mass_kg
        return fit_vehicle(
            self.pull if without is None else self.pull.without(without),
            Body(
                (mass_kg, MASS_SHARE * mass_kg),
                self.measured.road_load,
                self.measured.turning,
                float(np.mean([one.slope for one in self.measured.settings])),
            ),
            limit_mps=rpm / self.rpm_per_mps if rpm and self.rpm_per_mps else None,
            is_freed=limiter_rpm is not None,
            one_more=without is not None,
        )


def _build_of(
    sheet: DaySheet, day: DayComparison, runs: Sequence[DayRun], named: str | None
) -> str:
    names = [one.name for one in sheet.builds]
    if named is not None:
        if named not in names:
            raise UsageError(f"{sheet.path}: has no build {named!r}; use one of {', '.join(names)}")
        return named
    driven = [one for one in names if traces_of(day, runs, one)]
    if not driven:
        raise UndeterminedError(f"{sheet.path}: no run counts whole, so there is no model")
    return driven[-1]


def _gearing_of(vehicle: Vehicle, runs: Sequence[DayRun]) -> tuple[Slip | None, float | None]:
    """What the logged revs say, and revs over speed: from them, else from the stated gearing."""
    ratios, around_m = vehicle.gear_ratios, vehicle.circumference_m
    if ratios is not None and len(ratios) > 1:
        return None, None
    stated = None
    if ratios is not None and around_m is not None:
        stated = rpm_at_speed(1.0, ratio=ratios[0], circumference_m=around_m)
    slip = slip_of(runs, stated)
    return slip, slip.rpm_per_mps if slip else stated


def _goals(day: DayComparison, sheet: DaySheet, named: str | None) -> tuple[SplitGoal, ...]:
    main = named or main_goal(sheet.report.main, day.goals) or day.goals[-1].label
    first = parse_goal(main)
    return (first, *(goal for goal in day.goals if goal.label != first.label))


def _driven(runs: Sequence[DayRun], goal: SplitGoal) -> dict[str, RunSplit]:
    """The goal in each run of the model, in its order."""
    return {
        run.name: run_split(run.name, splits(run.kinematics, run.launch, [goal])[0]) for run in runs
    }


def _scatter(found: Sequence[RunSplit]) -> float:
    """Of the goal from run to run, at least what it is measured to."""
    values = [one.value for one in found if one.value is not None]
    floor = float(np.mean([one.sigma for one in found if one.value is not None] or [0.0]))
    if len(values) > 1:
        return max(float(np.std(values, ddof=1)), floor)
    return max(SCATTER_SHARE * (values[0] if values else 5.0), floor)


def _held_out(base: _Base, goal: SplitGoal, driven: Mapping[str, RunSplit]) -> tuple[HeldOut, ...]:
    """Each run by the others, with what its own measurement may be wrong by."""
    found = []
    for i, (run, split) in enumerate(driven.items()):
        if split.value is None or len(driven) < 2:
            continue
        values = passage(base.model(without=i)).value(goal)
        noise = np.random.default_rng(1950).standard_normal(len(values))
        told = drawn(goal.label, values + split.total_sigma * noise, goal.unit, "other runs")
        found.append(HeldOut(run, split.value, told))
    return tuple(found)


def _strength(ground: Basis) -> tuple[tuple[Figure, ...], list[str]]:
    """At the highest revs driven, else at the limiter's; none where neither is known."""
    revs = ground.highest_rpm or ground.vehicle.limiter_rpm
    if revs is None:
        limit = [] if ground.vehicle.stock_limit_rpm else ["vehicle.stock_limit_rpm"]
        return (), [*limit, "vehicle.limiter_rpm, or a log of the revs"]
    found, asked = strength_figures(ground.engine, revs, ground.vehicle.stock_limit_rpm)
    return found, list(asked)


def _facts(model: VehicleModel, slip: Slip | None, vehicle: Vehicle) -> tuple[Figure, ...]:
    load = model.road_load
    own = "runs" if load.source == "coast" else "usual range, no coast was measured"
    source = {"sheet": "sheet"}.get(load.source, own)
    found = [
        drawn("mass with driver", model.mass_kg, "kg", "sheet, to 2 %"),
        drawn(
            "turning wheels, as mass",
            model.wheels_kg,
            "kg",
            "usual range" if vehicle.turning_kg is None else "sheet",
        ),
        drawn("turning engine, as mass", model.engine_kg, "kg", "usual range"),
        drawn("rolling and slope", model.rolling_mps2 * model.mass_kg, "N", source),
        drawn("air drag, force over speed²", model.drag_kgpm, "kg/m", source),
    ]
    if slip is not None:
        low, high = (slip.rpm_per_mps + side * 2 * slip.sigma for side in (-1, 1))
        found.append(
            Figure(
                "revs over speed, clutch locked",
                slip.rpm_per_mps,
                "rpm per m/s",
                "logged revs",
                low,
                high,
            )
        )
        once = "one figure over all runs"
        more = (
            ("tyre slip at speed", None if slip.slip is None else 100 * slip.slip, "%"),
            ("clutch pulls away at", slip.engaged_rpm, "rpm"),
            ("clutch locks at", slip.locked_mps, "m/s"),
            ("highest revs driven", slip.highest_rpm, "rpm"),
        )
        found += [
            Figure(name, value, unit, "logged revs", why=once)
            for name, value, unit in more
            if value is not None
        ]
    for name, rpm in (
        ("limiter or governor", vehicle.limiter_rpm),
        ("stated limit of stock parts", vehicle.stock_limit_rpm),
    ):
        if rpm is not None:
            found.append(Figure(name, rpm, "rpm", "sheet", why="as stated"))
    return tuple(found)


def _forces(model: VehicleModel, unit: str) -> tuple[Figure, ...]:
    """Force at the wheels at eight speeds up to what was driven."""
    speeds = np.linspace(1.0, model.pull.top_mps, 8)
    places = np.searchsorted(model.speed_mps, speeds)
    return tuple(
        drawn(
            f"force at {mps_to_speed(float(model.speed_mps[i]), unit):.1f} {unit}",
            model.force_n[:, i],
            "N",
            "runs",
        )
        for i in places
    )


def _sweep(ground: Basis, slip: Slip | None, candidates: Sequence[Candidate]) -> Sweep | None:
    ratios = ground.vehicle.gear_ratios
    if ground.rpm_per_mps is None or ratios is None:
        return None
    stock = ground.vehicle.stock_limit_rpm
    if stock is not None:
        limit = Limit(stock, "stated limit of the stock parts")
    elif slip is not None:
        limit = Limit(slip.highest_rpm, "highest revs driven, since no limit is stated")
    else:
        return None
    return sweep(
        ground.model,
        ground.goals,
        ratio=ratios[0],
        rpm_per_mps=ground.rpm_per_mps,
        limit=limit,
        worth=ground.worth,
        sizes=choices(ground.vehicle, candidates, with_now=True),
    )
