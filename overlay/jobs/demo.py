"""The whole job on the simulated day: film, align, draw and verify each run, then pair two."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from overlay.demo.day import film, write_day
from overlay.demo.scenario import BUILDS, SPEED_UNIT, SPLITS, STOCK_LIMIT_RPM, RunPlan, plan_day
from overlay.demo.truth import RunTruth
from overlay.engine.driveline import Driveline
from overlay.errors import UndeterminedError
from overlay.files import made_folder
from overlay.gauges.palette import Color, build_hue
from overlay.jobs.day_one import as_day_run
from overlay.jobs.film import encoded
from overlay.jobs.parallel import in_parallel
from overlay.jobs.verify import verify_clip
from overlay.progress import Progress, silent, staged
from overlay.report.results import DayResults, judged_day
from overlay.scene import Cell, Style, scene_of
from overlay.session import Machine, RunAnalysis, RunOptions, align, analyse, correct, load
from overlay.sheet import load_sheet
from overlay.verify import Verdict

SIZE = (960, 540)  # of the clips, pixels
STYLE = Style(units=SPEED_UNIT, splits=SPLITS)
FILMED, ALIGNED, DRAWN = 0.5, 0.65, 0.88  # share of a run's time that is gone after each stage


@dataclass(frozen=True, eq=False)
class DemoRun:
    """One run of the demo, from truth to proof."""

    truth: RunTruth
    run: RunAnalysis
    verdict: Verdict  # on the finished clip


@dataclass(frozen=True, eq=False)
class DemoResult:
    """What the demo made."""

    folder: Path
    runs: tuple[DemoRun, ...]  # in the order driven
    pair_clip: Path  # the split-screen of the best run of each build
    paired: tuple[str, str]  # names of its runs
    pair_verdicts: tuple[Verdict, ...]
    results: DayResults  # the builds compared


def run_demo(
    folder: str | Path,
    *,
    size: tuple[int, int] = SIZE,
    runs_per_build: int = 3,
    progress: Progress = silent,
) -> DemoResult:
    """Make the day and do the whole job on it.

    Parameters
    ----------
    folder : path
        Made if it does not exist; files of the same names are replaced.
    size : (int, int)
        Pixels of the clips.

    Raises
    ------
    OutputError
        If the folder cannot be made.
    """
    place = made_folder(Path(folder))
    tasks = _tasks(place, size, runs_per_build)
    runs = in_parallel(_whole_run, tasks, stage="filming, aligning, drawing", progress=progress)
    results = compared(write_day(place, tuple(run.truth for run in runs)), runs)
    best = [_best(runs, results, build.key) for build in BUILDS[:2]]
    pair_clip = place / "side-by-side.mp4"
    names = (best[0].truth.name, best[1].truth.name)
    cells = [Cell(one.run, one.truth.name, _hue(one.truth)) for one in best]
    tell = staged(progress, "setting side by side")
    encoded(scene_of(cells, STYLE, "side by side"), pair_clip, tell=tell)
    verdicts = verify_clip(pair_clip, progress=progress)
    return DemoResult(place, tuple(runs), pair_clip, names, verdicts, results)


def film_demo(folder: str | Path, *, progress: Progress = silent) -> Path:
    """Make the day's clips, logs and sheet only, as :func:`run_demo` has them; the sheet.

    Raises
    ------
    OutputError
        If the folder cannot be made.
    """
    place = made_folder(Path(folder))
    truths = in_parallel(_filmed, _tasks(place), stage="filming", progress=progress)
    return write_day(place, tuple(truths))


def _tasks(
    folder: Path, size: tuple[int, int] = SIZE, runs_per_build: int = 3
) -> list[tuple[RunPlan, str]]:
    """The day's runs, each with the folder that it is filmed into."""
    plans = plan_day(runs_per_build=runs_per_build, size=size, camera_gps=True)
    return [(plan, str(folder)) for plan in plans]


def _filmed(task: tuple[RunPlan, str], tell: Callable[[float], None]) -> RunTruth:
    return film(task[0], Path(task[1]), tell=tell)


def compared(sheet_path: Path, runs: Sequence[DemoRun]) -> DayResults:
    """The day judged by its own sheet, as ``timetrue day run`` does it."""
    sheet = load_sheet(sheet_path)
    day_runs = tuple(as_day_run(run.truth.name, run.truth.build, run.run) for run in runs)
    return judged_day(sheet, day_runs)


def _whole_run(task: tuple[RunPlan, str], tell: Callable[[float], None]) -> DemoRun:
    plan, folder = task
    place = Path(folder)
    truth = film(plan, place, tell=lambda share: tell(FILMED * share))
    logs = (place / truth.speed_log, place / truth.revs_log)
    inputs = load(place / truth.clip, logs, RunOptions(same_clock=True, machine=_machine(truth)))
    aligned = align(inputs)
    tell(ALIGNED)
    finished = place / f"{truth.name}-gauges.mp4"
    run = analyse(correct(aligned), STYLE.goals)
    encoded(scene_of([Cell(run, truth.name, _hue(truth))], STYLE), finished)
    tell(DRAWN)
    (verdict,) = verify_clip(finished)
    return DemoRun(truth, run, replace(verdict, name=truth.name))


def _hue(truth: RunTruth) -> Color:
    return build_hue([build.key for build in BUILDS].index(truth.build))


def _machine(truth: RunTruth) -> Machine:
    vehicle = next(build for build in BUILDS if build.key == truth.build).vehicle
    line = Driveline((vehicle.ratio,), 2 * math.pi * vehicle.tyre_radius_m, vehicle.held_rpm)
    return Machine(line, vehicle.held_rpm, STOCK_LIMIT_RPM)


def _best(runs: Sequence[DemoRun], results: DayResults, build: str) -> DemoRun:
    """The run of a build that is quickest over the last split, spoiled ones aside."""
    name = results.day.best(build)
    found = next((run for run in runs if run.truth.name == name), None)
    if found is None:
        raise UndeterminedError(f"build {build}: no run of it counts, so none can be shown")
    return found
