"""Candidates: what each would bring, what it costs, what it may break, what would show it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import nct
from scipy.stats import t as student_t

from overlay.compare.figures import LEVEL, MAIN_SHARE
from overlay.compare.further import STEPS, WANTED, chance_of
from overlay.plan.bundle import Basis, Whole, bundle, lacking, whole_of
from overlay.plan.course import Change, changed, passage
from overlay.plan.figure import Figure, drawn
from overlay.plan.gearing import change_figure, choices, highest_rpm
from overlay.plan.limits import ASKED, BEYOND, LimitCheck, Revs, against_limits
from overlay.plan.vehicle import VehicleModel
from overlay.runs.model import SplitGoal
from overlay.sheet import Candidate
from overlay.timebase import FloatArray

LONGER_M = (100.0, 150.0, 200.0, 300.0, 400.0)  # courses that might show what this one does not
NOT_SEEN = "this cannot be seen on your course"
UNKNOWN = "not predicted: what it changes is missing"
WORTH = "worth trying"
SMALL = "brings less than matters to you"
UNSURE = "may bring nothing"
SLOWER = "makes it slower"
ORDER = (WORTH, SMALL, UNSURE, NOT_SEEN, SLOWER, UNKNOWN, ASKED, BEYOND)


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
        Highest revs on the course.
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


def ranked(ground: Basis, candidates: Sequence[Candidate]) -> tuple[Prospect, ...]:
    """Every candidate with what it needs, the best value for money first."""
    found = [_prospect(ground, one, bundle(one, candidates)) for one in candidates]

    def place(one: Prospect) -> tuple[int, float, float]:
        cost = math.inf if one.tenth is None else one.tenth.value
        return ORDER.index(one.answer), cost, one.gains[0].value if one.gains else 0.0

    return tuple(sorted(found, key=place))


@dataclass(frozen=True, eq=False)
class _Trial:
    """One size of a bundle: what it does and what speaks against it."""

    label: str
    change: Change
    model: VehicleModel
    values: FloatArray  # change of the main goal
    revs: FloatArray | None  # highest on the course
    verdict: LimitCheck


def _trial(ground: Basis, whole: Whole, parts: Sequence[Candidate], label: str, k: float) -> _Trial:
    model = ground.freed.get(whole.limiter_rpm or 0.0, ground.model)
    change = Change(k, whole.mass_kg, whole.power)
    after = passage(model, change)
    by_speed = highest_rpm(after, ground.goals, k)
    rise = float(np.nanmedian(by_speed / highest_rpm(ground.now, ground.goals, 1.0)))
    revs = Revs(None if ground.rpm_per_mps is None else ground.rpm_per_mps * by_speed, rise)
    before = ground.now.value(ground.goals[0])
    values = changed(model, change, ground.goals[0], before, after)
    verdict = against_limits(ground, whole, parts, revs)
    return _Trial(label, change, model, values, revs.rpm, verdict)


def _prospect(ground: Basis, one: Candidate, parts: tuple[Candidate, ...]) -> Prospect:
    whole = whole_of(ground, parts)
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
    if wanted := lacking(ground.vehicle, whole, parts):
        return replace(known, missing=(*known.missing, *wanted))
    trials = [_trial(ground, whole, parts, *size) for size in choices(ground.vehicle, parts)]
    sign = -1.0 if ground.goals[0].unit == "m/s" else 1.0
    best = min(
        trials, key=lambda one: (bool(one.verdict.answer), sign * float(np.nanmedian(one.values)))
    )
    gains = tuple(
        change_figure(goal, changed(best.model, best.change, goal, ground.now.value(goal)))
        for goal in ground.goals
    )
    line = (
        None
        if best.revs is None
        else drawn("highest revs on the course", best.revs, "rpm", "model")
    )
    refused = tuple(trial.label for trial in trials if trial.verdict.answer)
    found = replace(
        known,
        choice=best.label,
        gains=gains,
        line=line,
        may_break=(*known.may_break, *best.verdict.breaks),
        left_out=() if best.verdict.answer else refused,
        missing=tuple(dict.fromkeys((*known.missing, *best.verdict.asked))),
    )
    return _judged(ground, best, found)


def _judged(ground: Basis, trial: _Trial, found: Prospect) -> Prospect:
    """The answer, the cost of a tenth, and the runs that would tell."""
    main, answer = found.gains[0], trial.verdict.answer
    if math.isnan(main.value) or main.low is None or main.high is None:
        return replace(found, answer=answer or UNKNOWN)
    is_time = main.unit == "s"
    runs = _runs(main.value, ground.scatter[main.name])
    shown_by = "" if runs is not None else _shown_by(ground, trial)
    is_gain = main.value < 0 if is_time else main.value > 0
    sure = main.is_below_zero if is_time else main.is_above_zero
    if not answer and not is_gain:
        answer = SLOWER if runs is not None else NOT_SEEN
    elif not answer:
        good = WORTH if abs(main.value) >= ground.worth else SMALL
        answer = NOT_SEEN if runs is None else good if sure else UNSURE
    tenth = None
    if found.price and is_gain and is_time:
        costs = found.price * 0.1 / np.maximum(-trial.values, 1e-9)
        low, middle, high = np.nanquantile(costs, (0.025, 0.5, 0.975))
        bound = float(high) if sure else None
        why = "" if sure else "it may bring nothing, so there is no upper end"
        tenth = Figure("cost of 0.1 s", float(middle), "", "price and gain", float(low), bound, why)
    return replace(found, answer=answer, tenth=tenth, runs=runs, shown_by=shown_by)


def _runs(gain: float, scatter: float) -> int | None:
    """Runs of each build that tell a gain from nothing; None where the most do not."""
    level, counts = LEVEL * MAIN_SHARE, range(2, STEPS[-1] + 1)
    # A day's judgement allows for a drift too, so it never finds more than a plain t-test.
    least = WANTED - 0.03  # of 1000 draws, two standard deviations
    tried = (n for n in counts if _chance_by_t(n, abs(gain) / scatter, level) >= least)
    return next((n for n in tried if chance_of(n, abs(gain), scatter, level=level) >= WANTED), None)


def _chance_by_t(runs: int, ratio: float, level: float) -> float:
    """Chance that so many runs of each build tell a difference of `ratio` times their scatter.

    Power of the two-sided t-test by the noncentral t distribution (Cohen, Statistical Power
    Analysis for the Behavioral Sciences, 2nd ed. 1988, chapter 2, from memory).
    """
    free = 2 * runs - 2
    return float(nct.sf(student_t.isf(level / 2, free), free, ratio * math.sqrt(runs / 2)))


def _shown_by(ground: Basis, trial: _Trial) -> str:
    """The first goal or longer course on which no more than 20 runs of each would show it."""
    main = ground.goals[0]
    whole = float(np.nanmedian(ground.now.value(main)))
    longer = [SplitGoal("distance", x, f"20 to {x:g} m", start=20.0) for x in LONGER_M]
    after = passage(trial.model, trial.change)
    for goal in (*ground.goals[1:], *longer):
        # Times from launch lean on the first movement, and builds are not judged by them.
        if goal.counts_from_launch or "m/s" in (goal.unit, main.unit):
            continue
        before = ground.now.value(goal)
        gain = float(np.nanmedian(changed(trial.model, trial.change, goal, before, after)))
        if not math.isfinite(gain):
            continue
        # A driver's and a gust's share of a time grows with the time.
        grown = ground.scatter[main.label] * float(np.nanmedian(before)) / whole
        scatter = ground.scatter.get(goal.label, grown)
        if (runs := _runs(gain, scatter)) is not None:
            change = "faster" if gain < 0 else "slower"
            return f"{goal.label}: {abs(gain):.2f} s {change}, {runs} runs of each build"
    return ""
