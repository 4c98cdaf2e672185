"""Do everything of a day sheet: every run, the comparison of builds, the reports and clips."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from overlay.errors import EncoderError, InputError, MismatchError, UndeterminedError
from overlay.files import held, made_folder
from overlay.jobs.cluster import Scheduler, Sending, on_cluster
from overlay.jobs.copies import copied_runs, copy_text
from overlay.jobs.day_one import RunOutcome, RunTask, cell_of, do_run, lost_run, style_of
from overlay.jobs.day_store import digest, is_drawn, note_drawn
from overlay.jobs.film import encoded
from overlay.jobs.names import FOLDER, KEPT
from overlay.jobs.parallel import in_parallel
from overlay.jobs.parcels import do_parcel, packed, unpacked
from overlay.jobs.sheet_runs import sheet_path
from overlay.progress import Progress, silent, staged
from overlay.report.results import DayResults, judged_day, write_markdown
from overlay.report.results_data import results_json, write_csv, write_json
from overlay.scene import scene_of
from overlay.sheet import DaySheet, load_sheet
from overlay.system import cores

WRITING = "comparing, writing results"
# Shares of that stage that are gone when the builds are compared, and when the plots are drawn.
COMPARED, PLOTTED = 0.15, 0.65


@dataclass(frozen=True)
class Hands:
    """Who does the runs: so many processes of this machine, or the workers of a scheduler."""

    workers: int
    scheduler: Scheduler | None = None


@dataclass(frozen=True, eq=False)
class DayReport:
    """What a day's work came to."""

    results: DayResults
    folder: Path  # where everything was written
    written: tuple[Path, ...]  # reports and clips that are there now
    # Runs that were worked out, and runs and pairs that were drawn, just now.
    worked_out: tuple[str, ...]
    drawn: tuple[str, ...]
    problems: tuple[str, ...]  # clips that could not be drawn, and why
    # Runs that failed before and were not tried again, since nothing has changed.
    not_tried: tuple[str, ...]
    exit_code: int  # 0, or that of the first run that failed


def run_day(
    path: str | Path,
    *,
    clips: bool = True,
    with_clips: bool = False,
    retry: bool = False,
    workers: int | None = None,
    scheduler: Scheduler | None = None,
    progress: Progress = silent,
) -> DayReport:
    """Work through a day sheet; what was done before and is unchanged is not done again.

    Parameters
    ----------
    path : path
        The sheet, or its folder. Results go to ``day-results`` beside it.
    clips : bool
        Whether to draw each run's clip, and the best runs of the builds side by side.
    with_clips : bool
        Whether small clips are put beside the page, which then play in it.
    retry : bool
        Whether to try runs again that failed, though nothing has changed since.
    workers : int, optional
        Processes; the cores by default. A run whose process is killed fails alone.
    scheduler : Scheduler, optional
        Whose workers then do the runs; they must see the sheet's folder under the same path, or
        have each run's files sent.

    Raises
    ------
    SheetError
        If the sheet has problems.
    UsageError, MismatchError, InputError
        If the scheduler's workers cannot do the runs.
    UndeterminedError
        If not one run could be worked out.
    OutputError
        If the results cannot be written, or another process writes there.
    """
    # Workers elsewhere have another working folder.
    sheet = load_sheet(sheet_path(path) if scheduler is None else sheet_path(path).absolute())
    folder = sheet.folder / FOLDER
    is_new = not folder.exists()
    try:
        with held(made_folder(folder / KEPT)):
            hands = Hands(workers or cores(), scheduler)
            return _run_day(sheet, folder, clips, with_clips, retry, hands, progress)
    finally:
        if is_new:  # nothing came of it: no empty folder is left
            with suppress(OSError):
                folder.rmdir()


def _run_day(
    sheet: DaySheet,
    folder: Path,
    clips: bool,
    with_clips: bool,
    retry: bool,
    hands: Hands,
    progress: Progress,
) -> DayReport:
    tasks = [RunTask(sheet, run, folder, clips) for run in sheet.runs]
    outcomes = _all_runs(tasks, retry, hands, progress)
    progress(WRITING, 0.0)
    outcomes = without_copies(sheet, outcomes)
    progress(WRITING, COMPARED / 2)
    results = results_of(sheet, outcomes)
    problems = [f"{o.name}: {o.problem}" for o in outcomes if o.run is not None and o.problem]
    drawn = [o.name for o in outcomes if o.is_drawn]
    written, missing = _reports(results, folder, with_clips, progress)
    problems += missing
    for step in results.day.steps if clips else ():
        try:
            target, is_new = _pair(results, folder, (step.a, step.b), progress)
        except (EncoderError, InputError, UndeterminedError) as error:
            problems.append(f"{step.a} beside {step.b}: {error}")
        else:
            written += [target] if target is not None else []
            drawn += [target.stem] if target is not None and is_new else []
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


def known(task: RunTask, *, retry: bool = False) -> RunOutcome | None:
    """What became of a run before, where there is nothing left to do of it now."""
    kept = task.kept_run()
    if kept is None:
        return None if retry else task.kept_failure()
    return RunOutcome(task.name, kept) if not task.clips or task.is_clip_done() else None


def _all_runs(
    tasks: list[RunTask], retry: bool, hands: Hands, progress: Progress
) -> list[RunOutcome]:
    """Outcomes in the tasks' order; workers start only for runs with something left to do."""
    done = {}
    for number, task in enumerate(tasks):
        progress("looking at what is done", number / len(tasks))
        done[task.name] = known(task, retry=retry)
    progress("looking at what is done", 1.0)
    left = [task for task in tasks if done[task.name] is None]
    more = "" if len(left) == len(tasks) else f" of {len(tasks)}"
    stage = f"working out {len(left)}{more} runs"
    if hands.scheduler is None:
        found = in_parallel(
            do_run,
            left,
            workers=hands.workers,
            apart=True,
            stage=stage,
            progress=progress,
            lost=lost_run,
        )
    else:
        sends, seen = hands.scheduler.sends, left[0].sheet.path if left else Path()
        found = on_cluster(
            hands.scheduler.address,
            do_parcel if sends else do_run,
            left,
            reach=Sending(packed, unpacked) if sends else seen,
            stage=stage,
            progress=progress,
            lost=lost_run,
        )
    done |= {outcome.name: outcome for outcome in found}
    return [outcome for outcome in done.values() if outcome is not None]


def without_copies(sheet: DaySheet, outcomes: list[RunOutcome]) -> list[RunOutcome]:
    """The outcomes, those of runs that show another run's pictures again being failures."""
    copies = copied_runs(sheet)
    return [
        replace(o, run=None, problem=copy_text(copies[o.name]), exit_code=MismatchError.exit_code)
        if o.run is not None and o.name in copies
        else o
        for o in outcomes
    ]


def results_of(sheet: DaySheet, outcomes: list[RunOutcome]) -> DayResults:
    """The day judged from its runs' outcomes.

    Raises
    ------
    UndeterminedError
        If not one run could be worked out.
    """
    runs = tuple(o.run for o in outcomes if o.run is not None)
    failed = tuple((o.name, o.problem or "") for o in outcomes if o.run is None)
    if not runs:
        raise UndeterminedError(
            f"{sheet.path}: not one run could be worked out; the first: {failed[0][1]}"
        )
    return judged_day(sheet, runs, failed)


def _reports(
    results: DayResults, folder: Path, with_clips: bool, progress: Progress
) -> tuple[list[Path], list[str]]:
    """Write tables, plots and page; those are kept where nothing that they show has changed."""
    progress(WRITING, COMPARED)
    written = [folder / f"results.{kind}" for kind in ("md", "csv", "json")]
    write_markdown(written[0], results)
    write_csv(written[1], results)
    write_json(written[2], results)
    pictures, missing = _pictures(results, folder, with_clips, progress)
    progress(WRITING, 1.0)
    return [*written, *pictures], missing


def _pictures(
    results: DayResults, folder: Path, with_clips: bool, progress: Progress
) -> tuple[list[Path], list[str]]:
    """Plots and page, and what is missing in it."""
    shown = [results_json(results), results.unit, [b.about for b in results.sheet.builds]]
    planned = results.sheet.model_dump(include={"candidates", "engine", "vehicle"})
    key = digest(shown, planned, with_clips)
    page, note = folder / "results.html", folder / KEPT / "page.json"
    there = sorted(folder.glob("*-by-*.png"))
    if there and is_drawn(page, note, key):
        return [*there, page], []
    from overlay.jobs.day_page import write_day_page  # slow to import, and seldom needed
    from overlay.report.results_plots import write_plots

    tell = staged(progress, WRITING)
    plots = write_plots(
        folder, results, lambda share: tell(COMPARED + (PLOTTED - COMPARED) * share)
    )
    for old in set(there) - set(plots):
        old.unlink(missing_ok=True)
    files = [folder / "results.csv", folder / "results.json"]
    missing = write_day_page(
        page,
        results,
        files,
        with_clips=with_clips,
        progress=progress,
        tell=lambda share: tell(PLOTTED + (1 - PLOTTED) * share),
    )
    if not missing:
        note_drawn(page, note, key)
    return [*plots, page], list(missing)


def pair_path(sheet: DaySheet, folder: Path, builds: tuple[str, str]) -> Path:
    """Where the best runs of two builds side by side go: a name no run or other pair has."""
    names = [build.name for build in sheet.builds]
    runs = {run.name.casefold() for run in sheet.runs}
    pairs = {f"{a} beside {b}".casefold() for a in names for b in names if (a, b) != builds}
    name = f"{builds[0]} beside {builds[1]}"
    if name.casefold() in runs | pairs:
        name += f" ({names.index(builds[0]) + 1} and {names.index(builds[1]) + 1})"
    while name.casefold() in runs:
        name += "'"
    return folder / f"{name}.mp4"


def _pair(
    results: DayResults, folder: Path, builds: tuple[str, str], progress: Progress
) -> tuple[Path | None, bool]:
    """The best counted run of each of two builds side by side; whether it was drawn now."""
    sheet = results.sheet
    runs = [run for run in results.runs if run.name in map(results.day.best, builds)]
    if len(runs) < 2:
        return None, False
    runs.sort(key=lambda run: builds.index(run.build))
    tasks = [RunTask(sheet, one, folder) for run in runs if (one := sheet.run(run.name))]
    target = pair_path(sheet, folder, builds)
    note = folder / KEPT / f"{target.stem}.clip.json"
    key = digest("pair", [task.clip_key for task in tasks])
    if is_drawn(target, note, key):
        return target, False
    cells = [cell_of(task, run) for task, run in zip(tasks, runs, strict=True)]
    scene = scene_of(cells, style_of(sheet), "side by side")
    encoded(scene, target, tell=staged(progress, f"pairing {target.name}"))
    note_drawn(target, note, key)
    return target, True
