"""Builds compared across days: upgrades happen weeks apart, and so does the weather.

A day, or a part of a day in which one build was driven before another and not in turns with it, is
a block with a level of its own. Where builds are linked by blocks, straight or through a baseline
that was run again, the levels are allowed for in full (a column each, in the model of
:mod:`overlay.compare.mixed`) and the comparison is one within days. Where they are not, the mean
of each block is one reading, and its scatter from block to block is the uncertainty: Student's t
on block means, equal scatter taken, which needs a build run in two blocks or more. Where there is
not even that, days and builds cannot be separated.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from overlay.compare.day import DayComparison
from overlay.compare.equations import laid_out
from overlay.compare.figures import (
    CANNOT_TELL,
    FEW_RUNS,
    LEVEL,
    ORDER,
    WIDE,
    Comparison,
    RunSplit,
    summarise,
)
from overlay.compare.mixed import Difference, difference_of, floored
from overlay.compare.standing import TOP, Standing
from overlay.compare.verdict import decided, measured
from overlay.errors import MismatchError, UndeterminedError
from overlay.sheet import Build, DaySheet

Block = tuple[int, int]  # day, and part of it
DAYS = "days and builds cannot be separated"
WITHIN, LINKED, BETWEEN = "on the same days", "through {links}, run again", "from day to day"


@dataclass(frozen=True, eq=False)
class SeasonDay:
    """One day of a season, judged by itself."""

    name: str
    sheet: DaySheet
    day: DayComparison


@dataclass(frozen=True)
class SeasonStep:
    """One build against the one before it, over all days."""

    a: str
    b: str
    comparisons: tuple[Comparison, ...]  # one a figure that every day has
    how: str  # how the two meet: on the same days, through builds that were run again, or not


@dataclass(frozen=True, eq=False)
class Season:
    """What several days say together; `steps` are judged as one family."""

    days: tuple[SeasonDay, ...]
    steps: tuple[SeasonStep, ...]


@dataclass(frozen=True)
class _Run:
    """One counted run in one figure."""

    split: RunSplit
    build: str
    day: int
    block: Block


def season_of(days: Sequence[SeasonDay]) -> Season:
    """Compare the builds of several days.

    Parameters
    ----------
    days : sequence of SeasonDay
        In order of time.

    Raises
    ------
    MismatchError
        If one name stands for unlike builds, or the days have no judged figure in common.
    """
    _same_builds(days)
    figures = _figures(days)
    builds = list(dict.fromkeys(one.build for day in days for one in day.day.standings))
    pairs = list(pairwise(builds))
    raw, hows = [], []
    for pair in pairs:
        each = [_across(days, pair, figure) for figure in figures]
        raw += [comparison for comparison, _ in each]
        hows.append(next((how for _, how in each if how), DAYS))
    judged, _ = decided(raw, LEVEL)
    judged = [_with_reason(c) for c in judged]
    n = len(figures)
    steps = tuple(
        SeasonStep(*pair, tuple(judged[i * n : (i + 1) * n]), how)
        for i, (pair, how) in enumerate(zip(pairs, hows, strict=True))
    )
    return Season(tuple(days), steps)


def _same_builds(days: Sequence[SeasonDay]) -> None:
    first: dict[str, tuple[SeasonDay, Build]] = {}
    for day in days:
        for build in day.sheet.builds:
            known, before = first.setdefault(build.name, (day, build))
            said = [
                (one.about.casefold(), frozenset(part.name.casefold() for part in one.parts))
                for one in (before, build)
            ]
            if any(a and b and a != b for a, b in zip(*said, strict=True)):
                raise MismatchError(
                    f"{day.sheet.path}: build {build.name} is not that of {known.sheet.path}: "
                    "about or parts differ; give each build one name in all sheets"
                )


def _figures(days: Sequence[SeasonDay]) -> list[tuple[str, bool]]:
    """Labels of the figures that every day judges, and whether it is the main one."""
    each: list[list[str]] = []
    all_mains: list[str] = []
    for day in days:
        labels = [goal.label for goal in day.day.goals if not goal.counts_from_launch]
        mains = [c.label for step in day.day.steps for c in step.comparisons if c.is_main]
        each.append(list(dict.fromkeys([*labels, *mains])))
        all_mains += mains
    common = [label for label in each[0] if all(label in labels for labels in each)]
    if not common:
        raise MismatchError(
            f"{days[0].sheet.path} and the other sheets judge no figure in common; give all of "
            f'them the same judged, such as judged = ["{(each[0] or ["20 to 60 m"])[0]}"]'
        )
    main = next((label for label in all_mains if label in common), common[0])
    return [(label, label == main) for label in [*common, TOP]]


def _across(
    days: Sequence[SeasonDay], pair: tuple[str, str], figure: tuple[str, bool]
) -> tuple[Comparison, str]:
    """One figure of one step, before any verdict, and how the builds meet."""
    label, is_main = figure
    runs = [run for i, day in enumerate(days) for run in _runs_of(i, day.day, label)]
    sides = [[run for run in runs if run.build == build] for build in pair]
    unit = "m/s" if label == TOP or label.startswith("trap ") else "s"
    margins = [
        r.worth_noticing_mps if unit == "m/s" else r.worth_noticing_s
        for r in (day.sheet.report for day in days)
    ]
    c = Comparison(
        label=label,
        unit=unit,
        a=summarise([run.split for run in sides[0]]),
        b=summarise([run.split for run in sides[1]]),
        margin=max(margins),
        level=LEVEL,
        verdict=CANNOT_TELL,
        is_main=is_main,
    )
    try:
        if min(map(len, sides)) < FEW_RUNS:
            raise UndeterminedError("one run shows no spread")
        found, how = _judged(runs, pair)
    except UndeterminedError as error:
        remedy = f"run {pair[0]} and {pair[1]} in turns on one day, or a third build on both"
        return replace(c, reason=str(error), remedy=remedy), ""
    return measured(c, found), how


def _with_reason(c: Comparison) -> Comparison:
    if c.verdict != CANNOT_TELL or c.reason:
        return c
    return replace(c, reason=WIDE, remedy="more runs of both in turns on one day would help most")


def _runs_of(index: int, day: DayComparison, label: str) -> list[_Run]:
    """The day's counted runs in a figure, each with its block."""
    column = [*(goal.label for goal in day.goals), TOP].index(label)
    used = [one for one in day.standings if one.splits[column].used]
    blocks = _blocks(used)
    return [_Run(one.splits[column], one.build, index, (index, blocks[one.build])) for one in used]


def _blocks(runs: Sequence[Standing]) -> dict[str, int]:
    """Part of the day of each build: builds driven in turns share one.

    Two builds are in turns where neither came wholly before the other.
    """
    spans = {
        build: (min(places), max(places))
        for build in dict.fromkeys(one.build for one in runs)
        if (places := [one.place for one in runs if one.build == build])
    }
    part = {build: i for i, build in enumerate(spans)}
    for first in spans:
        for second in spans:
            overlap = spans[first][0] < spans[second][1] and spans[second][0] < spans[first][1]
            if overlap and part[first] != part[second]:
                old, new = part[second], part[first]
                part = {build: new if at == old else at for build, at in part.items()}
    return part


def _judged(runs: Sequence[_Run], pair: tuple[str, str]) -> tuple[Difference, str]:
    """The difference by the surest way that the blocks allow, and what that is."""
    links = _links(runs, pair)
    if links is None:
        return _between(runs, pair), BETWEEN
    how = WITHIN if not links else LINKED.format(links=" and ".join(links))
    return _within(runs, pair), how


def _links(runs: Sequence[_Run], pair: tuple[str, str]) -> list[str] | None:
    """Builds that link the pair through blocks in common, shortest way; None where none do."""
    ways: dict[str, list[str]] = {pair[0]: []}
    queue = [pair[0]]
    while queue:
        build = queue.pop(0)
        if build == pair[1]:
            return ways[build][:-1]
        blocks = {run.block for run in runs if run.build == build}
        for run in runs:
            if run.block in blocks and run.build not in ways:
                ways[run.build] = [*ways[build], run.build]
                queue.append(run.build)
    return None


def _within(runs: Sequence[_Run], pair: tuple[str, str]) -> Difference:
    """With a level of its own for each block, each other build and each day's way back."""
    linked = [run for run in runs if _links(runs, (pair[0], run.build)) is not None]
    blocks = list(dict.fromkeys(run.block for run in linked))
    others = [b for b in dict.fromkeys(run.build for run in linked) if b not in pair]
    days = sorted({run.day for run in linked})
    columns = [[float(run.block == block) for run in linked] for block in blocks[1:]]
    columns += [[float(run.build == other) for run in linked] for other in others]
    columns += [[float(run.split.way) * (run.day == day) for run in linked] for day in days]
    of_pair = [run for run in linked if run.build in pair]
    return difference_of(
        np.array([[run.split.value for run in linked]], dtype=np.float64),
        laid_out(
            [run.build == pair[1] for run in linked],
            [run.split.place for run in linked],
            columns=columns,
            days=[run.day for run in linked],
        ),
        floor=math.sqrt(math.fsum(run.split.sigma**2 for run in linked) / len(linked)),
        shared=_soft(of_pair, pair),
    )


def _between(runs: Sequence[_Run], pair: tuple[str, str]) -> Difference:
    """Student's t on block means with equal scatter, the ordinary two-sample test."""
    means: list[list[float]] = []
    variances: list[float] = []
    places: list[dict[int, float]] = []
    for build in pair:
        own = [run for run in runs if run.build == build]
        groups = [[r for r in own if r.block == block] for block in {r.block for r in own}]
        told = [summarise([run.split for run in group]) for group in groups]
        means.append([one.mean for one in told if one.mean is not None])
        variances += [(one.spread or one.floor) ** 2 / one.n for one in told]
        places.append({group[0].day: group[0].split.place for group in groups})
    common = set(places[0]) & set(places[1])
    if common and len({places[0][day] < places[1][day] for day in common}) == 1:
        first, second = pair if places[0][min(common)] < places[1][min(common)] else pair[::-1]
        raise UndeterminedError(ORDER.format(first=first, second=second))
    a, b = (np.array(side) for side in means)
    free = len(a) + len(b) - 2
    if free < 1:
        raise UndeterminedError(DAYS)
    squares = float(np.sum((a - a.mean()) ** 2) + np.sum((b - b.mean()) ** 2))
    floor = math.sqrt(math.fsum(variances) / len(variances))
    variance, dof, _ = floored(np.array([squares]), free, np.array([floor]))
    of_pair = [run for run in runs if run.build in pair]
    lag = [
        max((r.split.common_sigma for r in of_pair if r.build == one), default=0) for one in pair
    ]
    shared = math.hypot(_soft(of_pair, pair), *lag)
    own_error = math.sqrt(float(variance[0]) * (1 / len(a) + 1 / len(b)))
    error = math.hypot(own_error, shared)
    freedom = float(dof[0]) * (error / max(own_error, 1e-12)) ** 4
    row = [np.array([[x]]) for x in (float(b.mean() - a.mean()), error, freedom, 1.0)]
    return Difference(*((one,) for one in row))


def _soft(runs: Sequence[_Run], pair: tuple[str, str]) -> float:
    """What the builds' starts share, of the difference."""
    each = [[run.split.soft_sigma for run in runs if run.build == build] for build in pair]
    return math.hypot(*(math.fsum(side) / max(len(side), 1) for side in each))
