"""One run in the day's statistics: its figures, which of them count, and what is noted of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from overlay.compare.figures import RunSplit, run_split
from overlay.compare.spoiled import OUT_OF_TOP, TOLD, spoiling
from overlay.runs.model import Kinematics, Launch, Mark, Split
from overlay.runs.splits import Braking, Peak, braking, top_speed
from overlay.series import Series
from overlay.sheet import DaySheet, Run
from overlay.sync.model import Alignment
from overlay.units import in_unit, mps_to_speed

TOP = "top speed"
LIFTED = "still accelerating when the driver lifted"
WIND_MPS = 1.0  # about 0.1 s over 60 m in a light cart (our own figure, from the demo's model)
SLOPE_PERCENT = 0.3  # 0.03 m/s^2, a hundredth of a brisk launch


@dataclass(frozen=True, eq=False)
class DayRun:
    """One run worked out, on footage time."""

    # As in the sheet.
    name: str
    build: str
    # As the stages before gave them; splits in the order of the sheet's goals.
    kinematics: Kinematics
    launch: Launch | None
    splits: tuple[Split, ...]
    marks: tuple[Mark, ...]
    rpm: Series | None = None
    alignment: Alignment | None = None  # how the speed log lies against the footage
    started_s: float | None = None  # UTC of the launch, seconds since 1970
    started_by: str = "logs"  # ``logs`` or ``clips``: which clock says so
    # Which way it went, clockwise from north, by the positions in its log.
    heading_deg: float | None = None

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
    """One run in the statistics."""

    run: str
    build: str
    splits: tuple[RunSplit, ...]  # one a goal, then the top speed in m/s
    place: int  # in the order driven, from 1
    notes: tuple[str, ...] = ()  # what was marked, and what follows from it, one phrase each
    way: int = 1  # 1, or -1 for a run the other way

    @property
    def is_left_out(self) -> bool:
        """Whether the run enters no figure at all though it has some."""
        return not any(split.used for split in self.splits)

    @property
    def is_whole(self) -> bool:
        """Whether it enters every figure that it has; a lift at the end does not take that."""
        return all(
            split.counted or split.reason == LIFTED
            for split in self.splits
            if split.value is not None
        )


def standing_of(
    sheet: DaySheet,
    said: Run,
    run: DayRun,
    own_cuts: Sequence[Mark],
    place: int,
    way: int = 1,
) -> Standing:
    """The run's figures, marks of its build's own doing left aside.

    Parameters
    ----------
    said : Run
        What the sheet says of it.
    run : DayRun
        With the splits of all goals.
    own_cuts : sequence of Mark
        Limiter cuts that belong to the build.
    place : int
        In the order driven, from 1.
    way : int
        1, or -1 for a run the other way.
    """
    marks = [mark for mark in run.marks if mark not in own_cuts]
    found = [
        run_split(run.name, split, marks=marks, counted=said.counted, place=place, way=way)
        for split in run.splits
    ]
    found.append(replace(_top_split(run, marks, own_cuts, said.counted, place), way=way))
    if said.counted is not None and said.because:
        found = [replace(split, reason=said.because) if split.reason else split for split in found]
    labels = [*(split.goal.label for split in run.splits), TOP]
    notes = _notes(sheet, said, run, dict(zip(labels, found, strict=True)), own_cuts)
    notes += ("went the other way",) if way < 0 else ()
    return Standing(run.name, run.build, tuple(found), place, notes, way)


def _top_split(
    run: DayRun, marks: Sequence[Mark], own_cuts: Sequence[Mark], counted: bool | None, place: int
) -> RunSplit:
    """The top speed; a run that bounces on its build's limiter has reached it."""
    peak = run.top
    if peak is None:
        return RunSplit(run.name, None, counted=False, reason="no speed is known", place=place)
    is_held = any(cut.start_s <= peak.at_s for cut in own_cuts)
    is_rising = peak.is_accelerating and not is_held
    reason = spoiling(marks, OUT_OF_TOP, peak.at_s) or (LIFTED if is_rising else "")
    take = not reason if counted is None else counted
    if counted is not None:
        reason = "as the sheet says" + (f" ({reason})" if reason else "")
    return RunSplit(
        run.name, peak.speed_mps, peak.sigma_mps, counted=take, reason=reason, place=place
    )


def _notes(
    sheet: DaySheet,
    said: Run,
    run: DayRun,
    found: Mapping[str, RunSplit],
    own_cuts: Sequence[Mark],
) -> tuple[str, ...]:
    notes = []
    for mark in run.marks:
        if mark.kind in TOLD:
            begin_s = None if run.launch is None else mark.start_s - run.launch.at_s
            since = "" if begin_s is None else f" {begin_s:.1f} s after launch"
            whose = ", the build's own limiter, counted" if mark in own_cuts else ""
            detail = in_unit(mark.detail.rstrip("."), sheet.report.speed_unit)
            notes.append(f"{mark.kind}{since}: {detail}{whose}")
    known = {label: split for label, split in found.items() if split.value is not None}
    out = [label for label, s in known.items() if not s.counted and s.reason != LIFTED]
    why = f" ({said.because})" if said.because else ""
    if said.counted is not None:
        notes.append(("counted" if said.counted else "left out") + f" as the sheet says{why}")
    elif out and len(out) == len(known):
        notes.append("left out of the statistics")
    elif out:
        notes.append(f"left out of {', '.join(out)}")
    elif any(mark not in own_cuts for mark in run.marks if mark.kind in TOLD):
        notes.append("kept")
    if known.get(TOP) is not None and known[TOP].reason == LIFTED:
        notes.append(f"{LIFTED}, so its highest speed is no top speed")
    return (*notes, *_conditions(sheet, said))


def _conditions(sheet: DaySheet, said: Run) -> list[str]:
    """Wind, slope or weight that the sheet notes different from the day's."""
    here, day, unit = sheet.conditions_of(said), sheet.conditions, sheet.report.speed_unit
    told = []
    for name, shown, factor, own, usual, least in (
        ("headwind", unit, mps_to_speed(1.0, unit), here.headwind_mps, day.headwind_mps, WIND_MPS),
        ("slope", "%", 1.0, here.slope_percent, day.slope_percent, SLOPE_PERCENT),
    ):
        if own is not None and abs(own - (usual or 0.0)) >= least:
            against = f"{factor * (usual or 0.0):.3g} {shown}"
            told.append(f"{name} {factor * own:.3g} {shown} against {against}: kept")
    if said.mass_kg is not None:
        told.append(f"{said.mass_kg:g} kg with driver and fuel: kept")
    return told
