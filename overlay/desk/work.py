"""What the queue's processes do: the same jobs as the commands, one function each."""

from __future__ import annotations

import json
from typing import Any

from overlay.desk.films import FilmOrder, film_path, scene_for
from overlay.desk.views import play_folder, play_key, recording_view
from overlay.errors import TimetrueError, UndeterminedError, UsageError
from overlay.files import made_folder, written_whole
from overlay.jobs.day_one import RunTask
from overlay.jobs.names import FOLDER
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
    from overlay.jobs.day_one import do_run
    from overlay.jobs.names import KEPT

    task = _task(sheet, name)
    made_folder(task.folder / KEPT)
    tell = staged(progress, "watching the picture")
    outcome = do_run(task, lambda share: tell(WATCHED * share))
    if outcome.problem:
        raise TimetrueError(outcome.problem)
    return name


def play(sheet: DaySheet, name: str, *, progress: Progress) -> None:
    """Make what the player needs of a run that is worked out.

    Raises
    ------
    TimetrueError
        As the message says.
    """
    from overlay.jobs.day_one import cell_of, style_of
    from overlay.page.play import Shown, write_play

    task = _task(sheet, name)
    kept = task.kept_run()
    if kept is None:
        raise UndeterminedError(f"{name}: is not worked out yet; work it out first")
    tell = staged(progress, "drawing gauges")
    shown = Shown(cell_of(task, kept).run, name, task.run.build, task.hue)
    write_play(
        shown,
        play_folder(task),
        style_of(sheet),
        key=play_key(task),
        progress=tell,
    )


def results(path: str, with_clips: bool, *, progress: Progress) -> dict[str, Any]:
    """Compare the builds and write tables, plots and page, with small clips where asked for."""
    from overlay.jobs.day_run import run_day

    done = run_day(path, clips=False, with_clips=with_clips, progress=progress)
    return {
        "sentences": list(done.results.day.sentences),
        "problems": [*(f"{name}: {why}" for name, why in done.results.failed), *done.problems],
    }


def find(sheet: DaySheet, name: str, *, progress: Progress) -> str:
    """Find the runs in the recording of a run of the sheet; the file with them, in the folder.

    Raises
    ------
    TimetrueError
        Why none is found.
    """
    from overlay.jobs.day_find import find_in
    from overlay.jobs.names import KEPT

    said = _task(sheet, name).run
    found = find_in(
        str(sheet.file(said.clip)),
        [str(sheet.file(log)) for log in said.logs],
        same_clock=said.same_clock,
        columns=said.column_map,
        progress=progress,
    )
    folder = sheet.folder / FOLDER / KEPT
    made_folder(folder)
    target = folder / f"{name}.found.json"
    with written_whole(target) as part:
        part.write_text(json.dumps(recording_view(found, sheet.report.speed_unit)))
    return target.relative_to(sheet.folder).as_posix()


def demo(folder: str, *, progress: Progress) -> None:
    """Film the simulated day."""
    from overlay.jobs.demo import film_demo

    film_demo(folder, progress=progress)


def film(sheet: DaySheet, order: FilmOrder, *, progress: Progress) -> dict[str, Any]:
    """Draw a film."""
    from overlay.jobs.film import encoded

    target = film_path(sheet.folder, order)
    made_folder(target.parent)
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


def _task(sheet: DaySheet, name: str) -> RunTask:
    run = sheet.run(name)
    if run is None:
        raise UsageError(f"{sheet.path}: has no run {name!r}")
    return RunTask(sheet, run, sheet.folder / FOLDER, clips=False)
