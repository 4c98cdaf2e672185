"""The page of a day's results, with the evidence of each run, and small clips where asked for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from urllib.parse import quote

from overlay.errors import TimetrueError, UndeterminedError, UsageError
from overlay.jobs.day_motion import load_logged, load_motion
from overlay.jobs.day_one import RunTask, cell_of, style_of
from overlay.jobs.day_store import digest
from overlay.jobs.names import CLIPS, KEPT
from overlay.page.evidence import RunEvidence
from overlay.page.play import Shown, lock_tables, write_play
from overlay.page.proxy import SMALL_PX
from overlay.page.sent import Films, Plans, write_page
from overlay.plan.whole import plan_next
from overlay.progress import Progress, silent
from overlay.report.results import DayResults
from overlay.session import RunAnalysis
from overlay.sheet import DaySheet, Run, SheetError

LOOKED = 0.4  # share of a page's time in which what is kept of the runs is read


def evidence_of(sheet: DaySheet, run: Run, folder: Path) -> RunEvidence | None:
    """What the picture of a run showed and what its log said, as kept; else None."""
    seen, speed = load_motion(sheet, run, folder), load_logged(sheet, run, folder)
    return None if seen is None or speed is None else RunEvidence(seen[0], speed, seen[1])


def write_day_page(
    page: Path,
    results: DayResults,
    files: Sequence[Path],
    *,
    with_clips: bool = False,
    progress: Progress = silent,
    tell: Callable[[float], None] = lambda share: None,
) -> tuple[str, ...]:
    """Write the page into the folder of the results, and a folder of small clips beside it.

    Parameters
    ----------
    page : Path
    results : DayResults
    files : sequence of Path
        Tables that are carried along in the page.
    with_clips : bool
        Whether small clips are made that play in the page.
    progress : callable
        Of the small clips.
    tell : callable
        Told the share of the rest.

    Returns
    -------
    tuple of str
        Which clips are missing, and why.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    sheet, folder = results.sheet, page.parent
    evidence = {}
    for number, said in enumerate(sheet.runs):
        tell(LOOKED * number / len(sheet.runs))
        if (seen := evidence_of(sheet, said, folder / KEPT)) is not None:
            evidence[said.name] = seen
    tell(LOOKED)
    # The alignment that counts is the run's own, which an offset given by hand may differ from.
    known = {run.name: run.alignment for run in results.runs if run.alignment is not None}
    evidence = {
        name: RunEvidence(seen.motion, seen.speed, known.get(name, seen.alignment))
        for name, seen in evidence.items()
    }
    films, missing = _films(results, folder, progress) if with_clips else (Films(), ())
    write_page(page, results, evidence, films, files, plans_of(results))
    return missing


def plans_of(results: DayResults) -> Plans:
    """What to try next on each build for which the sheet has candidates; nothing without any."""
    wanted = dict.fromkeys(one.build or None for one in results.sheet.candidates)
    found, problems = {}, []
    for build in wanted:
        try:
            one = plan_next(results.sheet, results.day, results.runs, results.powers, build=build)
        except (SheetError, UndeterminedError, UsageError) as error:
            problems.append(" ".join(str(error).split()))
        else:
            found[one.build] = one
    return Plans(tuple(found.values()), tuple(dict.fromkeys(problems)))


def _films(results: DayResults, folder: Path, progress: Progress) -> tuple[Films, tuple[str, ...]]:
    """Each run's small clip with its gauges, and the best runs of the builds in pairs."""
    sheet, style = results.sheet, style_of(results.sheet)
    shown: dict[str, RunAnalysis] = {}
    runs, missing = {}, []
    for place, run in enumerate(results.runs):
        progress("small clips", place / len(results.runs))
        said = sheet.run(run.name)
        assert said is not None
        task = RunTask(sheet, said, folder)
        try:
            found = cell_of(task, run).run
            one = Shown(found, run.name, run.build, task.hue)
            key = digest("play", task.clip_key, SMALL_PX)
            data = write_play(one, folder / CLIPS / run.name, style, key=key, longest_px=SMALL_PX)
        except TimetrueError as error:
            missing.append(f"{run.name}: no small clip: {error}")
            continue
        runs[run.name] = (data, f"{CLIPS}/{quote(run.name)}/")
        shown[run.name] = found
    pairs = []
    for step in results.day.steps:
        a, b = (results.day.best(build) for build in (step.a, step.b))
        if a in shown and b in shown and (locks := lock_tables(shown[a], shown[b])):
            pairs.append((a, b, locks))
    progress("small clips", 1.0)
    return Films(runs, pairs), tuple(missing)
