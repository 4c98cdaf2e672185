"""A whole day judged: every run's standing, every step between builds, what it bought.

The rule for spoiled runs is that of :mod:`overlay.compare.spoiled`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from overlay.compare.cautions import cautions
from overlay.compare.spoiled import OUT_OF_TOP, RULE, TOLD, spoiling
from overlay.compare.value import Value, steps, value_of
from overlay.compare.verdict import LEVEL, Comparison, Pairing, RunSplit, compare_all, run_split
from overlay.compare.where import Trace
from overlay.runs.model import Kinematics, Launch, Mark, Split, SplitGoal
from overlay.runs.splits import Braking, Peak, braking, top_speed
from overlay.series import Series
from overlay.sheet import Build, DaySheet, Run
from overlay.sync.model import Alignment
from overlay.sync.pool import Pooled, pool

TOP = "top speed"
WIND_MPS = 1.0  # about 0.1 s over 60 m in a light cart (our own figure, from the demo's model)
SLOPE_PERCENT = 0.3  # 0.03 m/s^2, a hundredth of a brisk launch


@dataclass(frozen=True, eq=False)
class DayRun:
    """One run worked out, on footage time.

    Attributes
    ----------
    name, build : str
        As in the sheet.
    kinematics, launch, splits, marks, rpm
        As the stages before gave them; splits in the order of the sheet's goals.
    alignment : Alignment or None
        How the speed log lies against the footage.
    """

    name: str
    build: str
    kinematics: Kinematics
    launch: Launch | None
    splits: tuple[Split, ...]
    marks: tuple[Mark, ...]
    rpm: Series | None = None
    alignment: Alignment | None = None

    @property
    def top(self) -> Peak | None:
        """The fastest instant."""
        return top_speed(self.kinematics)

    @property
    def braking(self) -> Braking | None:
        """The stop at the end, where there is one."""
        return braking(self.kinematics)

    @property
    def highest_rpm(self) -> float | None:
        """Highest revs between launch and the fastest instant; None without RPM."""
        peak = self.top
        if self.rpm is None or peak is None:
            return None
        begin_s = -np.inf if self.launch is None else self.launch.at_s
        part = self.rpm.between(begin_s, peak.at_s + 0.5)
        return float(np.max(part.values)) if len(part) else None


@dataclass(frozen=True)
class Standing:
    """One run in the statistics.

    Attributes
    ----------
    run, build : str
    splits : tuple of RunSplit
        One a goal, then the top speed in m/s.
    notes : tuple of str
        What was marked, and what follows from it, one phrase each.
    """

    run: str
    build: str
    splits: tuple[RunSplit, ...]
    notes: tuple[str, ...] = ()

    @property
    def is_left_out(self) -> bool:
        """Whether the run enters no figure at all though it has some."""
        return not any(split.used for split in self.splits)

    @property
    def is_whole(self) -> bool:
        """Whether it enters every figure that it has."""
        return all(split.counted for split in self.splits if split.value is not None)


@dataclass(frozen=True)
class Step:
    """From one build to another.

    Attributes
    ----------
    a, b : str
        Names of the builds; b is judged against a.
    comparisons : tuple of Comparison
        One a goal, then the top speed.
    value : Value or None
        None where the builds' prices are in different currencies.
    """

    a: str
    b: str
    comparisons: tuple[Comparison, ...]
    value: Value | None


@dataclass(frozen=True, eq=False)
class DayComparison:
    """Everything that the day says.

    Attributes
    ----------
    goals : tuple of SplitGoal
    standings : tuple of Standing
        In the sheet's order.
    steps : tuple of Step
        Each build against the first, and each against the one before it.
    lag : Pooled or None
        The receiver's lag over the day, where it is known by itself.
    cautions : tuple of str
    rule : str
        How spoiled runs are treated.
    level : float
    """

    goals: tuple[SplitGoal, ...]
    standings: tuple[Standing, ...]
    steps: tuple[Step, ...]
    lag: Pooled | None
    cautions: tuple[str, ...]
    rule: str = RULE
    level: float = LEVEL

    def standing(self, run: str) -> Standing:
        """The standing of the run of that name."""
        return next(one for one in self.standings if one.run == run)

    def of_build(self, build: str) -> tuple[Standing, ...]:
        """The runs of one build."""
        return tuple(one for one in self.standings if one.build == build)

    def best(self, build: str) -> str | None:
        """The build's run that is quickest over the last goal, whole ones first; None if none."""
        ranked = [
            (not one.is_whole, last.value, one.run)
            for one in self.of_build(build)
            if (last := _last_timed(one)) is not None and last.value is not None and last.used
        ]
        return min(ranked)[2] if ranked else None

    @property
    def sentences(self) -> tuple[str, ...]:
        """What each step bought, a sentence each."""
        return tuple(f"{step.value.sentence}." for step in self.steps if step.value is not None)


def compare_day(sheet: DaySheet, runs: Sequence[DayRun], *, level: float = LEVEL) -> DayComparison:
    """Judge a day's runs build by build.

    Parameters
    ----------
    sheet : DaySheet
        Its builds' prices, its margins, and what it says of single runs.
    runs : sequence of DayRun
        All with the same goals; runs that the sheet does not name are left aside.
    level : float
        Chance of a wrong verdict, over all splits and steps together.
    """
    known = {run.name: run for run in runs}
    ordered = [(said, known[said.name]) for said in sheet.runs if said.name in known]
    standings = tuple(_standing(sheet, said, run) for said, run in ordered)
    goals = tuple(split.goal for split in ordered[0][1].splits) if ordered else ()
    seen = {one.build for one in standings}
    builds = [build.name for build in sheet.builds if build.name in seen]
    return DayComparison(
        goals=goals,
        standings=standings,
        steps=_steps(sheet, builds, standings, goals, level),
        lag=_pooled([run for _, run in ordered]),
        cautions=_cautions(sheet, [run for _, run in ordered]),
        level=level,
    )


def traces_of(day: DayComparison, runs: Sequence[DayRun], build: str) -> tuple[Trace, ...]:
    """The runs of a build that count whole, for curves along the run.

    Each carries the launch as picture and log together give it.
    """
    whole = {one.run for one in day.of_build(build) if one.is_whole and not one.is_left_out}
    return tuple(
        Trace(replace(run.kinematics, launch_sigma_s=run.launch.sigma_s), run.launch.at_s)
        for run in runs
        if run.name in whole and run.launch is not None
    )


# -- one run -------------------------------------------------------------------------------------


def _standing(sheet: DaySheet, said: Run, run: DayRun) -> Standing:
    splits = [
        run_split(run.name, split, marks=run.marks, counted=said.counted) for split in run.splits
    ]
    splits.append(_top_split(run, said.counted))
    if said.counted is not None and said.because:
        splits = [
            replace(split, reason=said.because) if split.reason else split for split in splits
        ]
    labels = [*(split.goal.label for split in run.splits), TOP]
    return Standing(run.name, run.build, tuple(splits), _notes(sheet, said, run, splits, labels))


def _top_split(run: DayRun, counted: bool | None) -> RunSplit:
    peak = run.top
    if peak is None:
        return RunSplit(run.name, None, counted=False, reason="no speed is known")
    reason = spoiling(run.marks, OUT_OF_TOP, peak.at_s)
    take = not reason if counted is None else counted
    if counted is not None:
        reason = "as the sheet says" + (f" ({reason})" if reason else "")
    return RunSplit(run.name, peak.speed_mps, peak.sigma_mps, 0.0, take, reason)


def _notes(
    sheet: DaySheet, said: Run, run: DayRun, splits: Sequence[RunSplit], labels: Sequence[str]
) -> tuple[str, ...]:
    notes = []
    for mark in run.marks:
        if mark.kind in TOLD:
            since = (
                ""
                if run.launch is None
                else f" {mark.start_s - run.launch.at_s:.1f} s after launch"
            )
            notes.append(f"{mark.kind}{since}: {mark.detail.rstrip('.')}")
    with_value = [
        (s, label) for s, label in zip(splits, labels, strict=True) if s.value is not None
    ]
    out = [label for s, label in with_value if not s.counted]
    why = f" ({said.because})" if said.because else ""
    if said.counted is not None:
        notes.append(("counted" if said.counted else "left out") + f" as the sheet says{why}")
    elif out and len(out) == len(with_value):
        notes.append("left out of the statistics")
    elif out:
        notes.append(f"left out of {', '.join(out)}")
    elif notes:
        notes.append("kept")
    return (*notes, *_conditions(sheet, said))


def _conditions(sheet: DaySheet, said: Run) -> list[str]:
    """Wind or slope that the sheet notes different from the day's."""
    here, day = sheet.conditions_of(said), sheet.conditions
    told = []
    for name, unit, own, usual, least in (
        ("headwind", "m/s", here.headwind_mps, day.headwind_mps, WIND_MPS),
        ("slope", "%", here.slope_percent, day.slope_percent, SLOPE_PERCENT),
    ):
        if own is not None and abs(own - (usual or 0.0)) >= least:
            told.append(f"{name} {own:g} {unit} against {usual or 0.0:g} {unit}: kept")
    return told


# -- builds --------------------------------------------------------------------------------------


def _steps(
    sheet: DaySheet,
    builds: Sequence[str],
    standings: Sequence[Standing],
    goals: Sequence[SplitGoal],
    level: float,
) -> tuple[Step, ...]:
    if len(builds) < 2:
        return ()
    pairs = steps(builds)
    pairings = [pairing for a, b in pairs for pairing in _pairings(sheet, (a, b), standings, goals)]
    judged = compare_all(pairings, level=level)
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
) -> list[Pairing]:
    sides = [[one for one in standings if one.build == build] for build in pair]
    margins = [*([sheet.report.worth_noticing_s] * len(goals)), sheet.report.worth_noticing_mps]
    labels = [*(goal.label for goal in goals), TOP]
    return [
        Pairing(
            label,
            [one.splits[i] for one in sides[0]],
            [one.splits[i] for one in sides[1]],
            margin,
            "m/s" if label == TOP else "s",
        )
        for i, (label, margin) in enumerate(zip(labels, margins, strict=True))
    ]


def _value(sheet: DaySheet, a: str, b: str, part: Sequence[Comparison]) -> Value | None:
    first, second = sheet.build(a), sheet.build(b)
    if first is None or second is None:
        return None
    currencies = {_currency(build) for build in (first, second)} - {None}
    if len(currencies) > 1:
        return None
    return value_of(
        part,
        a=a,
        b=b,
        cost=second.total_price - first.total_price,
        currency=next(iter(currencies), None),
        speed_unit=sheet.report.speed_unit,
    )


def _currency(build: Build) -> str | None:
    return build.currency if build.total_price > 0 else None


# -- the day -------------------------------------------------------------------------------------


def _pooled(runs: Sequence[DayRun]) -> Pooled | None:
    """The lag over the runs in which it is told from the clock offset."""
    found = [run.alignment for run in runs if run.alignment is not None]
    return pool([one for one in found if one.determined and one.readout_lag_s is not None])


def _cautions(sheet: DaySheet, runs: Sequence[DayRun]) -> tuple[str, ...]:
    """The cautions, with revs for each build that passes its stock parts' limit."""
    told: list[str] = []
    for build in sheet.builds:
        highest = [run.highest_rpm for run in runs if run.build == build.name]
        revs = max((rpm for rpm in highest if rpm is not None), default=None)
        limit = sheet.vehicle_of(build).stock_limit_rpm
        lines = cautions(engine_rpm=revs, stock_limit_rpm=limit)
        told += [f"{build.name}: {line}" for line in lines[:-2]]
    return (*told, *cautions())


def _last_timed(one: Standing) -> RunSplit | None:
    timed = [split for split in one.splits[:-1] if split.value is not None]
    return timed[-1] if timed else None
