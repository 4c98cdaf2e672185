"""Candidates: what each would bring, what it costs, what it may break, what would show it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from overlay.compare.figures import LEVEL, MAIN_SHARE
from overlay.compare.further import STEPS, WANTED, chance_of, runs_wanted
from overlay.plan.compression import FUEL_CAUTION, compression_figures
from overlay.plan.course import Change, changed, passage
from overlay.plan.figure import Figure, drawn
from overlay.plan.gearing import line_rpm, ratio_with_teeth, unit_of
from overlay.plan.strength import float_rpm, spring_force_n
from overlay.plan.vehicle import VehicleModel
from overlay.runs.model import SplitGoal
from overlay.sheet import Candidate, Engine, Vehicle
from overlay.timebase import FloatArray

LONGER_M = (100.0, 150.0, 200.0, 300.0, 400.0)  # courses that might show what this one does not
NOT_SEEN = "this cannot be seen on your course"
BEYOND = "not recommended: beyond a stated limit"
ASKED = "not judged: a limit is missing"
UNKNOWN = "not predicted: what it changes is missing"
WORTH = "worth trying"
UNSURE = "may bring nothing"
SLOWER = "makes it slower"
CHANGES = (
    "mass_change_kg",
    "power_percent",
    "limiter_rpm",
    "gear_ratio",
    "engine_teeth",
    "wheel_teeth",
    "tyre_diameter_m",
)
ORDER = (WORTH, UNSURE, NOT_SEEN, SLOWER, UNKNOWN, ASKED, BEYOND)


@dataclass(frozen=True, eq=False)
class Ground:
    """What every candidate of one build is predicted from.

    Attributes
    ----------
    model : VehicleModel
    freed : mapping of float to VehicleModel
        Models with the speed held only by a limiter at other revs.
    goals : tuple of SplitGoal
        The main one first.
    scatter : mapping of str to float
        Of each goal from run to run, by its label.
    vehicle : Vehicle
    engine : Engine
    rpm_per_mps, highest_rpm : float or None
        Revs over speed with the clutch locked, highest revs driven.
    """

    model: VehicleModel
    freed: Mapping[float, VehicleModel]
    goals: tuple[SplitGoal, ...]
    scatter: Mapping[str, float]
    vehicle: Vehicle
    engine: Engine
    rpm_per_mps: float | None
    highest_rpm: float | None


@dataclass(frozen=True)
class Prospect:
    """What is told of one candidate.

    Attributes
    ----------
    name, choice : str
        Of several sizes, the one that does best within the limits.
    answer : str
        One of `ORDER`.
    gains : tuple of Figure
        Change of each goal, the main one first; below 0 s is a gain.
    line : Figure or None
        Revs at the end of the main goal.
    price : float or None
        With what has to be bought together.
    together : tuple of str
    tenth : Figure or None
        Cost of 0.1 s on the main goal.
    runs : int or None
        Of each build, in turns, that tell it from nothing four times in five; None where 20 do not.
    shown_by : str
        A goal or course that would show it.
    figures : tuple of Figure
        Compression and clearances, where it changes them.
    may_break, missing, left_out : tuple of str
        The last: sizes of it that go beyond a limit.
    """

    name: str
    answer: str
    choice: str = ""
    gains: tuple[Figure, ...] = ()
    line: Figure | None = None
    price: float | None = None
    together: tuple[str, ...] = ()
    tenth: Figure | None = None
    runs: int | None = None
    shown_by: str = ""
    figures: tuple[Figure, ...] = ()
    may_break: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()


def ranked(ground: Ground, candidates: Sequence[Candidate]) -> tuple[Prospect, ...]:
    """Every candidate with what it needs, the best value for money first."""
    found = [_prospect(ground, one, bundle(one, candidates)) for one in candidates]

    def place(one: Prospect) -> tuple[int, float, float]:
        cost = math.inf if one.tenth is None else one.tenth.value
        return ORDER.index(one.answer), cost, one.gains[0].value if one.gains else 0.0

    return tuple(sorted(found, key=place))


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
class _Whole:
    """A bundle as one change, gearing still to choose."""

    mass_kg: float
    power: tuple[float, float]
    limiter_rpm: float | None
    limit_rpm: float | None
    figures: tuple[Figure, ...]
    missing: tuple[str, ...]
    says: bool


def _whole(ground: Ground, parts: Sequence[Candidate]) -> _Whole:
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
    return _Whole(
        sum(part.mass_change_kg or 0.0 for part in parts),
        (low, high),
        next((part.limiter_rpm for part in parts if part.limiter_rpm), None),
        min(limits, default=ground.vehicle.stock_limit_rpm),
        figures,
        missing,
        bool(spans) or any(getattr(part, key) for part in parts for key in CHANGES),
    )


def _gearings(ground: Ground, parts: Sequence[Candidate]) -> list[tuple[str, float]]:
    """Each choice of sprockets and tyre: label, and force through it over that of now."""
    vehicle = ground.vehicle
    now, around_m = (vehicle.gear_ratios or (None,))[0], vehicle.circumference_m
    teeth = vehicle.sprocket_teeth
    ratios: list[tuple[str, float]] = []
    for part in parts:
        if now is not None and part.gear_ratio:
            ratios = [(f"ratio {ratio:g}", ratio / now) for ratio in part.gear_ratio]
        elif now is not None and teeth and (part.engine_teeth or part.wheel_teeth):
            pairs = product(part.engine_teeth or teeth[:1], part.wheel_teeth or teeth[1:])
            ratios = [(f"{a} to {b} teeth", ratio_with_teeth(1.0, teeth, (a, b))) for a, b in pairs]
    tyres = [
        (f"tyre {size:g} m", around_m / (math.pi * size))
        for part in parts
        for size in part.tyre_diameter_m
        if around_m is not None
    ]
    return [
        (", ".join(filter(None, (a, b))), k * by)
        for (a, k), (b, by) in product(ratios or [("", 1.0)], tyres or [("", 1.0)])
    ]


def _prospect(ground: Ground, one: Candidate, parts: tuple[Candidate, ...]) -> Prospect:
    whole = _whole(ground, parts)
    prices = [part.price for part in parts if part.price is not None]
    known = Prospect(
        one.name,
        UNKNOWN,
        price=sum(prices) if prices else None,
        together=tuple(part.name for part in parts[1:]),
        figures=whole.figures,
        missing=whole.missing + (() if prices else ("candidates.price",)),
        may_break=tuple(part.may_break for part in parts if part.may_break),
    )
    if not whole.says:
        wanted = "candidates: mass_change_kg, power_percent, limiter_rpm, gear_ratio or teeth"
        return replace(known, missing=(*known.missing, wanted))
    main = ground.goals[0]
    model = ground.freed.get(whole.limiter_rpm or 0.0, ground.model)
    before = passage(ground.model).value(main)
    tried = []
    for label, k in _gearings(ground, parts):
        change = Change(k, whole.mass_kg, whole.power)
        revs = None
        if ground.rpm_per_mps is not None:
            revs = line_rpm(model, change, main, ground.rpm_per_mps)
        worry = _limits(ground, whole, parts, revs)
        tried.append(
            (bool(worry[0]), change, label, revs, worry, _change(ground, model, change, before))
        )
    sign = -1.0 if main.kind == "trap" else 1.0
    refused = [row[2] for row in tried if row[0]]
    _, change, label, revs, (answer, breaks, asked), values = min(
        tried, key=lambda row: (row[0], sign * float(np.nanmedian(row[5])))
    )
    gains = tuple(
        _figure(goal, _change(ground, model, change, passage(ground.model).value(goal), goal))
        for goal in ground.goals
    )
    found = replace(
        known,
        choice=label,
        gains=gains,
        line=None if revs is None else drawn(f"revs at {main.label}", revs, "rpm", "model"),
        may_break=(*known.may_break, *breaks),
        left_out=() if answer else tuple(refused),
        missing=tuple(dict.fromkeys((*known.missing, *asked))),
    )
    return _judged(ground, model, change, found, values, answer)


def _change(
    ground: Ground,
    model: VehicleModel,
    change: Change,
    before: FloatArray,
    goal: SplitGoal | None = None,
) -> FloatArray:
    return changed(model, change, goal or ground.goals[0], before)


def _figure(goal: SplitGoal, values: FloatArray) -> Figure:
    if np.mean(np.isfinite(values)) < 0.5:
        return Figure(goal.label, math.nan, unit_of(goal), "model", why="not reached")
    return drawn(goal.label, values, unit_of(goal), "model of the vehicle from its runs")


def _limits(
    ground: Ground, whole: _Whole, parts: Sequence[Candidate], revs: FloatArray | None
) -> tuple[str, tuple[str, ...], tuple[str, ...]]:
    """Answer where a limit forbids one or is missing, what may break, and the keys asked for."""
    answer, breaks, asked = "", [], []
    high = 0.0 if revs is None else float(np.nanquantile(revs, 0.975))
    high = max(high, whole.limiter_rpm or 0.0)
    # Without a stated limit only what does not raise the revs is judged.
    raises = high > 1.01 * (ground.highest_rpm or math.inf) or whole.limiter_rpm is not None
    if whole.limit_rpm is None and raises:
        answer, asked = ASKED, ["stock_limit_rpm of the vehicle, or of the candidate"]
    if whole.limit_rpm is not None and high > whole.limit_rpm:
        load = (high / whole.limit_rpm) ** 2
        breaks.append(
            f"{high:.0f} rpm is beyond the stated {whole.limit_rpm:.0f} rpm, with {load:.2f} times "
            "the load: a stock flywheel or rod can burst"
        )
        answer = BEYOND
    stiff = ground.engine.model_copy(
        update={
            key: value
            for part in parts
            for key in ("spring_seat_n", "spring_rate_npmm")
            if (value := getattr(part, key)) is not None
        }
    )
    force, train, lift = spring_force_n(stiff), stiff.valve_train_g, stiff.valve_lift_mm
    if force and train and lift and stiff.cam_duration_deg:
        floats = float_rpm(force, train, lift, stiff.cam_duration_deg)
        if high > floats:
            breaks.append(f"valves begin to float near {floats:.0f} rpm by a plain estimate")
    for figure in whole.figures:
        is_room = figure.unit == "mm"
        if figure.limit is None:
            continue
        if (figure.value < figure.limit) if is_room else (figure.value > figure.limit):
            word = "less than" if is_room else "beyond"
            breaks.append(
                f"{figure.name} {figure.value:.2f} {figure.unit}, {word} {figure.limit:g} "
                f"({figure.limit_from})"
            )
            answer = BEYOND
    if whole.figures:
        breaks.append(FUEL_CAUTION)
        answer = answer or (ASKED if whole.missing else "")
    return answer, tuple(breaks), tuple(asked)


def _judged(
    ground: Ground,
    model: VehicleModel,
    change: Change,
    found: Prospect,
    values: FloatArray,
    answer: str,
) -> Prospect:
    """The answer, the cost of a tenth, and the runs that would tell."""
    main = found.gains[0]
    if math.isnan(main.value) or main.low is None or main.high is None:
        return replace(found, answer=answer or UNKNOWN)
    sign = -1.0 if main.unit == "m/s" else 1.0
    runs = _runs(main.value, ground.scatter[main.name])
    shown_by = "" if runs is not None else _shown_by(ground, model, change)
    is_gain = sign * main.value < 0
    if not answer and not is_gain:
        answer = SLOWER if runs is not None else NOT_SEEN
    elif not answer:
        sure = main.high < 0 if sign > 0 else main.low > 0
        answer = NOT_SEEN if runs is None else WORTH if sure else UNSURE
    tenth = None
    if found.price and is_gain and main.unit == "s":
        costs = found.price * 0.1 / np.maximum(-values, 1e-9)
        low, middle, high = np.nanquantile(costs, (0.025, 0.5, 0.975))
        bound = None if main.high >= 0 else float(high)
        why = "" if bound is not None else "it may bring nothing, so there is no upper end"
        tenth = Figure("cost of 0.1 s", float(middle), "", "price and gain", float(low), bound, why)
    return replace(found, answer=answer, tenth=tenth, runs=runs, shown_by=shown_by)


def _runs(gain: float, scatter: float) -> int | None:
    """Runs of each build that tell a gain from nothing; None where the most do not."""
    level = LEVEL * MAIN_SHARE
    # Most that are asked for are too small, and one look at the most runs tells.
    if chance_of(STEPS[-1], abs(gain), scatter, level=level) < WANTED:
        return None
    return runs_wanted(abs(gain), scatter, level=level)


def _shown_by(ground: Ground, model: VehicleModel, change: Change) -> str:
    """The first goal or longer course on which no more than 20 runs of each would show it."""
    main = ground.goals[0]
    whole = float(np.nanmedian(passage(ground.model).value(main)))
    longer = [SplitGoal("distance", x, f"20 to {x:g} m", start=20.0) for x in LONGER_M]
    for goal in (*ground.goals[1:], *longer):
        # Times from launch lean on the first movement, and builds are not judged by them.
        if goal.counts_from_launch or "trap" in (goal.kind, main.kind):
            continue
        before = passage(ground.model).value(goal)
        gain = float(np.nanmedian(_change(ground, model, change, before, goal)))
        if not math.isfinite(gain):
            continue
        # A driver's and a gust's share of a time grows with the time.
        grown = ground.scatter[main.label] * float(np.nanmedian(before)) / whole
        scatter = ground.scatter.get(goal.label, grown)
        if (runs := _runs(gain, scatter)) is not None:
            return f"{goal.label}: {gain:+.2f} s, {runs} runs of each build"
    return ""


__all__ = ["Ground", "Prospect", "bundle", "ranked"]
