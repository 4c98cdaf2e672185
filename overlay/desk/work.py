"""What the queue's processes do: the same jobs as the commands, one function each."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from overlay.desk.films import FilmOrder, film_path, scene_for
from overlay.errors import OutputError, TimetrueError, UsageError
from overlay.jobs.day_run import FOLDER
from overlay.progress import Progress, staged
from overlay.sheet import DaySheet

WATCHED = 0.9  # share of a run's time that is gone when its picture was watched


def work_out(sheet: DaySheet, name: str, *, progress: Progress) -> str:
    """Align, correct and time one run; its results are kept.

    Raises
    ------
    TimetrueError
        Why it cannot be worked out.
    """
    from overlay.jobs.day_one import KEPT, RunTask, do_run

    run = sheet.run(name)
    if run is None:
        raise UsageError(f"{sheet.path}: has no run {name!r}")
    folder = sheet.folder / FOLDER
    _make(folder / KEPT)
    tell = staged(progress, "watching the picture")
    task = RunTask(sheet, run, folder, clips=False)
    outcome = do_run(task, lambda share: tell(WATCHED * share))
    if outcome.problem:
        raise TimetrueError(outcome.problem)
    return name


def results(path: str, *, progress: Progress) -> dict[str, Any]:
    """Compare the builds and write tables, plots and page."""
    from overlay.jobs.day_run import run_day

    done = run_day(path, clips=False, progress=progress)
    return {
        "sentences": list(done.results.day.sentences),
        "problems": [f"{name}: {why}" for name, why in done.results.failed],
    }


def film(sheet: DaySheet, order: FilmOrder, *, progress: Progress) -> dict[str, Any]:
    """Draw a film."""
    from overlay.jobs.film import encoded

    target = film_path(sheet.folder, order)
    _make(target.parent)
    scene = scene_for(sheet, order)
    tell = staged(progress, f"drawing {target.name}")
    done = encoded(scene, target, order.encoder, tell=tell)
    return {
        "file": target.relative_to(sheet.folder).as_posix(),
        "notes": [*scene.notes, *done.notes],
    }


def verify(path: str, *, progress: Progress) -> dict[str, Any]:
    """Read a film back from its pixels and judge it."""
    from overlay.jobs.verify import verify_clip

    verdicts = verify_clip(path, progress=progress)
    lines = []
    for verdict in verdicts:
        lines.append(f"{verdict.name}: {verdict.reason}" if verdict.name else verdict.reason)
        lines += [f"{check.evidence}: {check.said}" for check in verdict.checks]
    return {"exit_code": max(verdict.exit_code for verdict in verdicts), "lines": lines}


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder}: cannot be made: {error.strerror or error}") from error
