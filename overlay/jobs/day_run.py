"""Do everything of a day sheet: every run, the comparison of builds, the reports and clips."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

from overlay.compare.standing import DayRun
from overlay.errors import EncoderError, InputError, OutputError, UndeterminedError
from overlay.jobs.day_one import (
    KEPT,
    RunOutcome,
    RunTask,
    analysis_of,
    clip_key,
    do_run,
    hue_of,
    is_clip_done,
    kept_failure,
    kept_run,
    style_of,
)
from overlay.jobs.day_store import digest, is_drawn, note_drawn
from overlay.jobs.film import compose
from overlay.jobs.parallel import cores, in_parallel
from overlay.jobs.sheet_runs import sheet_path
from overlay.progress import Progress, silent
from overlay.report.results import DayResults, judged_day
from overlay.scene import Cell, scene_of
from overlay.sheet import DaySheet, load_sheet

FOLDER = "day-results"


@dataclass(frozen=True, eq=False)
class DayReport:
    """What a day's work came to.

    Attributes
    ----------
    results : DayResults
    folder : Path
        Where everything was written.
    written : tuple of Path
        Reports and clips that are there now.
    worked_out, drawn : tuple of str
        Runs that were worked out, and runs and pairs that were drawn, just now.
    problems : tuple of str
        Clips that could not be drawn, and why.
    not_tried : tuple of str
        Runs that failed before and were not tried again, since nothing has changed.
    exit_code : int
        0, or that of the first run that failed.
    """

    results: DayResults
    folder: Path
    written: tuple[Path, ...]
    worked_out: tuple[str, ...]
    drawn: tuple[str, ...]
    problems: tuple[str, ...] = field(default=())
    not_tried: tuple[str, ...] = field(default=())
    exit_code: int = 0


def run_day(
    path: str | Path,
    *,
    clips: bool = True,
    retry: bool = False,
    workers: int | None = None,
    progress: Progress = silent,
) -> DayReport:
    """Work through a day sheet; what was done before and is unchanged is not done again.

    Parameters
    ----------
    path : path
        The sheet, or its folder. Results go to ``day-results`` beside it.
    clips : bool
        Whether to draw each run's clip, and the best runs of the builds side by side.
    retry : bool
        Whether to try runs again that failed, though nothing has changed since.
    workers : int, optional
        Processes; the cores by default.
    progress : callable

    Raises
    ------
    SheetError
        If the sheet has problems.
    UndeterminedError
        If not one run could be worked out.
    OutputError
        If the results cannot be written.
    """
    sheet = load_sheet(sheet_path(path))
    folder = _folder(sheet)
    outcomes = _all_runs(sheet, folder, clips, retry, workers, progress)
    results = results_of(sheet, outcomes)
    problems = [f"{o.name}: {o.problem}" for o in outcomes if o.run is not None and o.problem]
    drawn = [o.name for o in outcomes if o.is_drawn]
    written = _reports(results, folder, progress)
    if clips:
        for a, b in ((step.a, step.b) for step in results.day.steps):
            try:
                target, is_new = _pair(results, folder, (a, b), progress)
            except (EncoderError, InputError, UndeterminedError) as error:
                problems.append(f"{a} beside {b}: {error}")
                continue
            if target is not None:
                written.append(target)
                drawn += [target.stem] if is_new else []
    return DayReport(
        results,
        folder,
        tuple(written),
        tuple(o.name for o in outcomes if o.is_worked_out),
        tuple(drawn),
        tuple(problems),
        tuple(o.name for o in outcomes if o.is_old_failure),
        next((o.exit_code for o in outcomes if o.exit_code), 0),
    )


def _folder(sheet: DaySheet) -> Path:
    folder = sheet.folder / FOLDER
    try:
        (folder / KEPT).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder}: cannot be made: {error.strerror or error}") from error
    return folder


def _all_runs(
    sheet: DaySheet,
    folder: Path,
    clips: bool,
    retry: bool,
    workers: int | None,
    progress: Progress,
) -> list[RunOutcome]:
    """Outcomes in the sheet's order; workers start only for runs with something left to do."""
    done: dict[str, RunOutcome] = {}
    tasks = []
    for said in sheet.runs:
        kept = kept_run(sheet, said.name, folder)
        if kept is not None and (not clips or is_clip_done(sheet, said.name, folder)):
            done[said.name] = RunOutcome(said.name, kept)
            continue
        failed = None if retry or kept is not None else kept_failure(sheet, said.name, folder)
        if failed is not None:
            done[said.name] = failed
        else:
            tasks.append(RunTask(sheet, said.name, str(folder), clips))
    stage = f"{len(tasks)} of {len(sheet.runs)} runs"
    tasks = shared_out(tasks, cores() if workers is None else workers)
    for outcome in in_parallel(do_run, tasks, workers=workers, stage=stage, progress=progress):
        done[outcome.name] = outcome
    return [done[said.name] for said in sheet.runs]


def shared_out(tasks: list[RunTask], workers: int) -> list[RunTask]:
    """The tasks, each with its share of the cores while every worker has one.

    The last few, fewer than the workers, may use all.
    """
    each = max(1, cores() // max(workers, 1))
    full = len(tasks) - len(tasks) % max(workers, 1)
    if each >= cores():
        return tasks
    return [replace(task, threads=each) for task in tasks[:full]] + tasks[full:]


def results_of(sheet: DaySheet, outcomes: list[RunOutcome]) -> DayResults:
    """The day judged from its runs' outcomes.

    Raises
    ------
    UndeterminedError
        If not one run could be worked out.
    """
    runs: tuple[DayRun, ...] = tuple(o.run for o in outcomes if o.run is not None)
    failed = tuple((o.name, o.problem or "") for o in outcomes if o.run is None)
    if not runs:
        raise UndeterminedError(
            f"{sheet.path}: not one run could be worked out; the first: {failed[0][1]}"
        )
    return judged_day(sheet, runs, failed)


def _reports(results: DayResults, folder: Path, progress: Progress) -> list[Path]:
    """Write tables, plots and page; plots are kept where nothing that they show has changed."""
    from overlay.report.results import write_markdown
    from overlay.report.results_data import write_csv, write_json

    progress("writing results", 0.0)
    written = [folder / f"results.{kind}" for kind in ("md", "csv", "json")]
    write_markdown(written[0], results)
    write_csv(written[1], results)
    write_json(written[2], results)
    written += _plots(results, folder)
    progress("writing results", 1.0)
    return written


def _plots(results: DayResults, folder: Path) -> list[Path]:
    key = digest(_everything(results))
    page, note = folder / "results.html", folder / KEPT / "page.json"
    known = sorted(folder.glob("*-by-*.png"))
    if known and is_drawn(page, note, key):
        return [*known, page]
    from overlay.report.results_page import write_page
    from overlay.report.results_plots import write_plots

    plots = write_plots(folder, results)
    for old in set(known) - set(plots):
        old.unlink(missing_ok=True)
    write_page(page, results, plots)
    note_drawn(page, note, key)
    return [*plots, page]


def _everything(results: DayResults) -> object:
    """All that the page shows, as plain values."""
    from overlay.report.results_data import results_json

    return [results_json(results), results.unit, [b.about for b in results.sheet.builds]]


def pair_path(sheet: DaySheet, folder: Path, builds: tuple[str, str]) -> Path:
    """Where the best runs of two builds side by side go: a name no run or other pair has."""
    names = [build.name for build in sheet.builds]
    taken = [run.name for run in sheet.runs]
    taken += [_beside(a, b) for a in names for b in names if (a, b) != builds]
    name = _beside(*builds)
    if name.casefold() in {other.casefold() for other in taken}:
        name += f" ({names.index(builds[0]) + 1} and {names.index(builds[1]) + 1})"
    while name.casefold() in {run.name.casefold() for run in sheet.runs}:
        name += "'"
    return folder / f"{name}.mp4"


def _beside(a: str, b: str) -> str:
    return f"{a} beside {b}"


def _pair(
    results: DayResults, folder: Path, builds: tuple[str, str], progress: Progress
) -> tuple[Path | None, bool]:
    """The best counted run of each of two builds side by side; whether it was drawn now."""
    sheet = results.sheet
    best = [results.day.best(build) for build in builds]
    names = [name for name in best if name is not None]
    if len(names) < 2:
        return None, False
    target = pair_path(sheet, folder, builds)
    note = folder / KEPT / f"{target.stem}.clip.json"
    key = digest("pair", [clip_key(sheet, name) for name in names])
    if is_drawn(target, note, key):
        return target, False
    runs = {run.name: run for run in results.runs}
    cells = [
        Cell(analysis_of(sheet, runs[name], folder), name, hue_of(sheet, build))
        for name, build in zip(names, builds, strict=True)
    ]
    compose(
        scene_of(cells, style_of(sheet), "side by side"),
        target,
        progress=lambda told: progress(f"pairing {target.name}", told.share),
    )
    note_drawn(target, note, key)
    return target, True


__all__ = ["FOLDER", "DayReport", "pair_path", "results_of", "run_day"]
