"""Further cells of the verdicts, run by :mod:`tests.benchmarks.accuracy.days`.

Runs in both directions; errors that the runs of a build or of the day share; builds on a limiter,
and runs that something spoiled; several days. Nothing differs between the builds, so that a "real"
is false and the share of days on which it is said is that of intervals without the truth.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from overlay.compare import verdict
from overlay.compare.equations import laid_out
from overlay.compare.figures import LEVEL, REAL, Comparison, PairedRuns, RunSplit, run_split
from overlay.compare.mixed import Difference, difference_of
from overlay.compare.season import _judged, _Run
from overlay.compare.spoiled import CUT, belonging
from overlay.compare.verdict import compare_all
from overlay.runs.model import Mark, Split
from overlay.runs.splits import parse_goal

MARGIN_S, SIGMA_S, SCATTER_S = 0.1, 0.015, 0.04
WAY_S = 0.15  # by which a run one way is quicker than the mean of both: a slope, a breeze
LAG_SIGMA_S, SOFT_SIGMA_S = 0.02, 0.05  # of the day's lag, and of how a build sets off
SHARES = (0.3, 0.8)  # of the lag that a's and b's launches have
BETWEEN_S = 0.08  # standard deviation of the days' levels
SPOILED_SHARE, CUT_SHARE = 0.2, 0.8  # of the runs: wheelspin in any, a cut in those of b
ENOUGH = 3
SEASONS = {  # builds in the order driven, a day each
    "two days of both in turns": ("ABAB", "BABA"),
    "through a third build": ("ACACA", "CBCBC"),
    "two days each": ("AAA", "BBB", "AAA", "BBB"),
    "three days each": ("AAA", "BBB", "AAA", "BBB", "AAA", "BBB"),
}


@dataclass(frozen=True)
class Shares:
    """Shares of days: a false "real", and an interval that holds the truth."""

    where: str
    real: float
    inside: float


def drifted(runs: int, drift: str, days: int, rng: np.random.Generator) -> np.ndarray:
    """What the day adds to each run, shape (days, runs): nothing, 0.02 s a run, or a walk."""
    steps = np.full((days, runs), 0.02)
    if drift == "walk":
        steps = rng.normal(0, 0.02, (days, runs))
    return np.cumsum(steps, axis=1) if drift != "none" else np.zeros((days, runs))


def both_ways(sizes: tuple[int, ...], days: int, rng: np.random.Generator) -> Iterator[Shares]:
    """Each run of A and the one of B after it go the same way, the next two go back."""
    for n in sizes:
        of_b = np.array([False, True] * n)
        ways = np.array([(1, 1, -1, -1)[i % 4] for i in range(2 * n)])
        for drift in ("none", "steady", "walk"):
            values = rng.normal(0, math.hypot(SCATTER_S, SIGMA_S), (days, 2 * n))
            values += WAY_S * ways + drifted(2 * n, drift, days, rng)
            found = difference_of(
                values, laid_out(of_b, range(2 * n), columns=[ways]), floor=SIGMA_S
            )
            yield _counted(f"both ways, {n} runs, drift {drift}", found)


def shared(sizes: tuple[int, ...], days: int, rng: np.random.Generator) -> Iterator[Shares]:
    """Times from launch: the lag's error is the day's, softness each build's."""
    for n in sizes:
        of_b = np.array([False, True] * n)
        values = rng.normal(0, math.hypot(SCATTER_S, SIGMA_S), (days, 2 * n))
        soft = rng.normal(0, SOFT_SIGMA_S, (days, 2))
        values += np.where(of_b, soft[:, 1:], soft[:, :1])
        values += rng.normal(0, LAG_SIGMA_S, (days, 1)) * np.where(of_b, SHARES[1], SHARES[0])
        known = math.hypot((SHARES[1] - SHARES[0]) * LAG_SIGMA_S, SOFT_SIGMA_S, SOFT_SIGMA_S)
        found = difference_of(values, laid_out(of_b, range(2 * n)), floor=SIGMA_S, shared=known)
        yield _counted(f"shared errors, {n} runs", found)


def _counted(where: str, found: Difference) -> Shares:
    low, high = found.interval()
    p = found.p_differ()
    return Shares(where, float(np.mean(p <= LEVEL)), float(np.mean((low <= 0) & (high >= 0))))


def limited(days: int, rng: np.random.Generator) -> tuple[list[Shares], int]:
    """B on its limiter in most runs, any run spoiled by wheelspin; days that lost a build.

    Only wheelspin makes a run unsound. A build with three sound runs must have results.
    """
    made, lost = [], 0
    for n in (3, 4, 6):
        for stated in (None, 4400.0):
            counts = np.zeros(3)
            for _ in range(days):
                pairing, sound = _limited_day(n, stated, rng)
                (c,) = judged_fast([pairing])
                for summary, enough in ((c.a, sound[0]), (c.b, sound[1])):
                    lost += enough >= ENOUGH and summary.mean is None
                if c.low is not None and c.high is not None:
                    counts += (1, c.verdict == REAL, c.low <= 0 <= c.high)
            words = "stated" if stated else "not stated"
            real, inside = counts[1:] / counts[0]
            made.append(Shares(f"limiter {words}, {n} runs", float(real), float(inside)))
    return made, lost


def _limited_day(
    n: int, stated: float | None, rng: np.random.Generator
) -> tuple[PairedRuns, tuple[int, int]]:
    """One day's pairing of a and b, and how many runs of each nothing spoiled."""
    goal, sides, sound = parse_goal("20 to 60 m"), [], []
    for b in (0, 1):
        spins = rng.random(n) < SPOILED_SHARE
        cuts = (rng.random(n) < CUT_SHARE) & bool(b)
        marks = {
            f"r{i}": [
                *([Mark("wheelspin", 1.0, 2.0, "It spins.")] if spins[i] else []),
                *([Mark(CUT, 4.0, 5.0, "It bounces.", 4400.0)] if cuts[i] else []),
            ]
            for i in range(n)
        }
        own = belonging(marks, stated)
        times = rng.normal(3.5, math.hypot(SCATTER_S, SIGMA_S), n) + 0.3 * spins
        side = []
        for i, (name, found) in enumerate(marks.items()):
            split = Split(goal, float(times[i]), 6.0, None, SIGMA_S)
            rest = [mark for mark in found if mark not in own[name]]
            side.append(run_split(name, split, marks=rest, place=2 * i + b))
        sides.append(side)
        sound.append(int(np.sum(~spins)))
    return PairedRuns("20 to 60 m", *sides, MARGIN_S), (sound[0], sound[1])


def judged_fast(pairs: list[PairedRuns]) -> tuple[Comparison, ...]:
    """All verdicts without the number of further runs, which takes time and is not asked."""
    kept, verdict.further_runs = verdict.further_runs, lambda *_, **__: None
    try:
        return compare_all(pairs)
    finally:
        verdict.further_runs = kept


def seasons(days: int, rng: np.random.Generator) -> Iterator[Shares]:
    """Each day has a level of its own; C is another build, slower by half a second."""
    for where, orders in SEASONS.items():
        real = inside = 0
        for _ in range(days):
            runs = []
            for day, order in enumerate(orders):
                level = rng.normal(0, BETWEEN_S)
                for place, build in enumerate(order):
                    value = 5 + level + 0.5 * (build == "C")
                    value += rng.normal(0, math.hypot(SCATTER_S, SIGMA_S))
                    split = RunSplit(f"{day}-{place}", value, SIGMA_S, place=place)
                    runs.append(_Run(split, build, day, (day, 0)))
            found, _ = _judged(runs, ("A", "B"))
            low, high = (float(end[0]) for end in found.interval())
            real += float(found.p_differ()[0]) <= LEVEL
            inside += low <= 0 <= high
        yield Shares(f"season, {where}", real / days, inside / days)
