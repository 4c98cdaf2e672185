"""A whole day judged: every run's standing, every step between builds, what it bought.

The rule for spoiled runs is that of :mod:`overlay.compare.spoiled`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from overlay.compare.day_cautions import day_cautions
from overlay.compare.drift import Drift, drift_of
from overlay.compare.figures import Comparison, PairedRuns, RunSplit
from overlay.compare.spoiled import belonging
from overlay.compare.standing import LIFTED, TOP, DayRun, Standing, standing_of
from overlay.compare.value import Value, changes, steps, value_of
from overlay.compare.verdict import compare_all
from overlay.compare.where import Trace
from overlay.runs.model import Mark, SplitGoal
from overlay.runs.splits import parse_goal, rolling_goals, splits
from overlay.sheet import DaySheet, Run
from overlay.sync.pool import Pooled, pool

FIRST_MOVEMENT = "counts from the first movement"
OTHER_WAY_COS = -0.5  # of the angle between two headings; a straight leaves no doubt
ENOUGH = 2  # runs of each build that reach a goal, for the builds to be judged by it


@dataclass(frozen=True)
class Step:
    """From one build to another."""

    # Names of the builds; b is judged against a.
    a: str
    b: str
    comparisons: tuple[Comparison, ...]  # one a goal, then the top speed
    value: Value | None  # None where the builds' prices are in different currencies


@dataclass(frozen=True, eq=False)
class DayComparison:
    """Everything that the day says."""

    # Those on the screen, then those that only the builds are judged by.
    goals: tuple[SplitGoal, ...]
    standings: tuple[Standing, ...]  # in the sheet's order
    steps: tuple[Step, ...]  # each build against the one before it
    lag: Pooled | None  # the receiver's lag over the day, where it is known by itself
    cautions: tuple[str, ...]
    order_from: str  # where the order of the runs comes from, in words
    drift: Drift | None = None  # of the main figure over the day

    def standing(self, run: str) -> Standing:
        """The standing of the run of that name."""
        return next(one for one in self.standings if one.run == run)

    def of_build(self, build: str) -> tuple[Standing, ...]:
        """The runs of one build."""
        return tuple(one for one in self.standings if one.build == build)

    def best(self, build: str) -> str | None:
        """The build's run that is quickest over the last goal, whole ones first; None if none."""
        ranked = [
            (not one.is_whole, timed[-1].value or 0.0, one.run)
            for one in self.of_build(build)
            if (timed := self.timed(one)) and timed[-1].used
        ]
        return min(ranked)[2] if ranked else None

    @property
    def sentences(self) -> tuple[str, ...]:
        """What each step bought, a sentence each."""
        return tuple(f"{step.value.sentence}." for step in self.steps if step.value is not None)

    def timed(self, one: Standing) -> list[RunSplit]:
        """The run's times from launch or rollout, in order."""
        pairs = zip(self.goals, one.splits, strict=False)
        return [split for goal, split in pairs if goal.start == 0 and split.value is not None]


def compare_day(sheet: DaySheet, runs: Sequence[DayRun]) -> DayComparison:
    """Judge a day's runs build by build.

    Parameters
    ----------
    sheet : DaySheet
        Its builds' prices, its margins, and what it says of single runs.
    runs : sequence of DayRun
        All with the same goals; runs that the sheet does not name are left aside.
    """
    known = {run.name: run for run in runs}
    ordered = [(said, known[said.name]) for said in sheet.runs if said.name in known]
    goals = judged_goals(sheet, [run for _, run in ordered])
    places, order_from = _places(ordered)
    own_cuts = _own_cuts(sheet, [run for _, run in ordered])
    ways = ways_of([run for _, run in ordered])
    standings = tuple(
        standing_of(sheet, said, _with_goals(run, goals), own_cuts[run.name], place, ways[run.name])
        for (said, run), place in zip(ordered, places, strict=True)
    )
    seen = {one.build for one in standings}
    builds = [build.name for build in sheet.builds if build.name in seen]
    return DayComparison(
        goals=goals,
        standings=standings,
        steps=_steps(sheet, builds, standings, goals),
        lag=_pooled([run for _, run in ordered]),
        cautions=day_cautions(sheet, [run for _, run in ordered]),
        order_from=order_from,
        drift=_drift(sheet, standings, goals),
    )


def _drift(
    sheet: DaySheet, standings: Sequence[Standing], goals: Sequence[SplitGoal]
) -> Drift | None:
    main = main_goal(sheet.report.main, goals)
    found = [(i, goal) for i, goal in enumerate(goals) if goal.label == main]
    if not found:
        return None
    column, goal = found[0]
    return drift_of(standings, column, goal.label, goal.unit)


def judged_goals(sheet: DaySheet, runs: Sequence[DayRun]) -> tuple[SplitGoal, ...]:
    """The goals on the screen, and after them those that the builds are judged by.

    The sheet names these, or the furthest distance and the highest speed are taken, each from
    the least of the sheet's, that at least two runs of each build reach.
    """
    screen = tuple(split.goal for split in runs[0].splits) if runs else ()
    if sheet.report.judged:
        return (*screen, *(parse_goal(text) for text in sheet.report.judged))
    found: dict[str, SplitGoal] = {}
    counts = {build: sum(run.build == build for run in runs) for build in {r.build for r in runs}}
    for goal in rolling_goals(screen):
        if goal.kind in found:
            continue
        each = [(run.build, splits(run.kinematics, run.launch, [goal])[0]) for run in runs]
        reached = [build for build, split in each if split.time_s is not None]
        if all(reached.count(build) >= min(ENOUGH, n) for build, n in counts.items()):
            found[goal.kind] = goal
    return (*screen, *found.values())


def _with_goals(run: DayRun, goals: Sequence[SplitGoal]) -> DayRun:
    """The run with the splits of all goals; those it has stay as they are."""
    more = splits(run.kinematics, run.launch, goals[len(run.splits) :])
    return replace(run, splits=(*run.splits, *more))


def _places(ordered: Sequence[tuple[Run, DayRun]]) -> tuple[list[int], str]:
    """Place of each run in the order driven, from 1, and where that comes from."""
    keys: list[float] = []
    told = "the sheet's list"
    runs = [run for _, run in ordered]
    by_one_clock = len({run.started_by for run in runs}) < 2
    if all(said.order is not None for said, _ in ordered):
        keys, told = [float(said.order or 0) for said, _ in ordered], "the sheet"
    elif by_one_clock and all(run.started_s is not None for run in runs):
        keys = [run.started_s or 0.0 for run in runs]
        told = f"the times of the {ordered[0][1].started_by}" if ordered else told
    else:
        keys = [float(i) for i in range(len(ordered))]
    rank = {i: place for place, i in enumerate(sorted(range(len(keys)), key=keys.__getitem__), 1)}
    return [rank[i] for i in range(len(keys))], told


def _own_cuts(sheet: DaySheet, runs: Sequence[DayRun]) -> dict[str, tuple[Mark, ...]]:
    """The limiter cuts that are the build's own, by run."""
    found: dict[str, tuple[Mark, ...]] = {}
    for name in {run.build for run in runs}:
        build = sheet.build(name)
        stated = None if build is None else sheet.vehicle_of(build).limiter_rpm
        found |= belonging({run.name: run.marks for run in runs if run.build == name}, stated)
    return found


def ways_of(runs: Sequence[DayRun]) -> dict[str, int]:
    """1 for every run that went the way of the first with a heading, -1 for the others.

    A run without a heading counts as one that went the first way.
    """
    known = [run.heading_deg for run in runs if run.heading_deg is not None]
    first = known[0] if known else 0.0
    return {
        run.name: -1
        if run.heading_deg is not None
        and math.cos(math.radians(run.heading_deg - first)) < OTHER_WAY_COS
        else 1
        for run in runs
    }


def whole_runs(day: DayComparison, runs: Sequence[DayRun], build: str) -> tuple[DayRun, ...]:
    """The runs of a build that count whole and have a launch, for curves along the run."""
    whole = {one.run for one in day.of_build(build) if one.is_whole and not one.is_left_out}
    return tuple(run for run in runs if run.name in whole and run.launch is not None)


def traces_of(day: DayComparison, runs: Sequence[DayRun], build: str) -> tuple[Trace, ...]:
    """The runs of a build that count whole, for curves along the run.

    Each carries the launch as picture and log together give it.
    """
    return tuple(_trace(run, day.standing(run.name)) for run in whole_runs(day, runs, build))


def _trace(run: DayRun, standing: Standing) -> Trace:
    launch = run.launch
    assert launch is not None
    own_s = float(np.sqrt(max(launch.sigma_s**2 - launch.soft_sigma_s**2, 0.0)))
    k = replace(run.kinematics, launch_sigma_s=own_s)
    common_s = k.timing_sigma_s * launch.picture_share
    return Trace(k, launch.at_s, standing.place, common_s, launch.soft_sigma_s, standing.way)


# -- builds --------------------------------------------------------------------------------------


def _steps(
    sheet: DaySheet,
    builds: Sequence[str],
    standings: Sequence[Standing],
    goals: Sequence[SplitGoal],
) -> tuple[Step, ...]:
    if len(builds) < 2:
        return ()
    pairs = steps(builds)
    pairings = [pairing for a, b in pairs for pairing in _pairings(sheet, (a, b), standings, goals)]
    judged = compare_all(pairings)
    each = len(goals) + 1
    found = []
    for place, (a, b) in enumerate(pairs):
        part = judged[place * each : (place + 1) * each]
        found.append(Step(a, b, part, _value(sheet, a, b, part)))
    return tuple(found)


def _pairings(
    sheet: DaySheet,
    pair: tuple[str, str],
    standings: Sequence[Standing],
    goals: Sequence[SplitGoal],
) -> list[PairedRuns]:
    sides = [[one for one in standings if one.build == build] for build in pair]
    report = sheet.report
    main = main_goal(report.main, goals)
    figures: list[tuple[str, bool, str]] = []
    for goal in goals:
        is_speed = goal.unit == "m/s"
        why = FIRST_MOVEMENT if goal.counts_from_launch and goal.label != main else ""
        figures.append((goal.label, is_speed, why))
    lifted = any(
        not any(one.splits[-1].used for one in side)
        and any(one.splits[-1].reason == LIFTED for one in side)
        for side in sides
    )
    figures.append((TOP, True, LIFTED if lifted else ""))
    return [
        PairedRuns(
            label,
            [one.splits[i] for one in sides[0]],
            [one.splits[i] for one in sides[1]],
            report.worth_noticing_mps if is_speed else report.worth_noticing_s,
            "m/s" if is_speed else "s",
            is_main=label == main,
            not_judged=why,
            builds=pair,
        )
        for i, (label, is_speed, why) in enumerate(figures)
    ]


def main_goal(named: str, goals: Sequence[SplitGoal]) -> str:
    """Label of the goal that is judged first: the sheet's, else the first that is judged."""
    if named:
        return parse_goal(named).label
    return next((goal.label for goal in goals if not goal.counts_from_launch), "")


def _value(sheet: DaySheet, a: str, b: str, part: Sequence[Comparison]) -> Value | None:
    first, second = sheet.build(a), sheet.build(b)
    if first is None or second is None:
        return None
    currencies = {build.currency for build in (first, second) if build.total_price > 0} - {None}
    if len(currencies) > 1:
        return None
    return value_of(
        part,
        a=a,
        b=b,
        cost=second.total_price - first.total_price,
        currency=next(iter(currencies), None),
        speed_unit=sheet.report.speed_unit,
        changes=changes(first, second),
    )


# -- the day -------------------------------------------------------------------------------------


def _pooled(runs: Sequence[DayRun]) -> Pooled | None:
    """The lag over the runs in which it is told from the clock offset."""
    found = [run.alignment for run in runs if run.alignment is not None]
    return pool([one for one in found if one.determined and one.readout_lag_s is not None])
