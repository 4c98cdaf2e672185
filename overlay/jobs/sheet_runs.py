"""Runs as the day sheet names them: their files, pairs of them, and whether the files will do."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from overlay.errors import InputError, TimetrueError, UsageError
from overlay.footage import probe
from overlay.footage.model import ClipFacts
from overlay.jobs.copies import copied_runs, copy_text
from overlay.jobs.film import FilmRun
from overlay.jobs.names import SHEET_NAME
from overlay.logs import read_log
from overlay.logs.model import Log
from overlay.progress import Progress, silent
from overlay.session import RunOptions, options_of
from overlay.sheet import DaySheet, Problem, Run, load_sheet

Read = TypeVar("Read")


def sheet_path(path: str | Path) -> Path:
    """The sheet itself, or the one in a folder, where a folder is named.

    Raises
    ------
    InputError
        If a folder without a sheet is named.
    """
    folder = Path(path)
    if not folder.is_dir():
        return folder
    found = folder / SHEET_NAME
    if not found.exists():
        raise InputError(f"{found}: no such file; 'timetrue day new {folder}' writes one")
    return found


def runs_from_sheet(
    path: str | Path, names: Sequence[str], more: RunOptions | None = None
) -> tuple[FilmRun, ...]:
    """Runs of a sheet to show together, each with its build's gearing and limits.

    Parameters
    ----------
    path : path
        The sheet, or its folder.
    names : sequence of str
        Names of runs, all different.
    more : RunOptions, optional
        Whose `ignore` and angle of view go for every run, and its `columns` for those without in
        the sheet.

    Raises
    ------
    UsageError
        If a name is no run's, is named twice, or its run is part of a longer clip.
    SheetError
        If the sheet has problems.
    """
    sheet = load_sheet(sheet_path(path))
    for index, name in enumerate(names):
        if name in names[:index]:
            raise UsageError(f"{name}: is named twice; name different runs")
    return tuple(_whole_run(sheet, name, more or RunOptions()) for name in names)


def _whole_run(sheet: DaySheet, name: str, more: RunOptions) -> FilmRun:
    run = _named(sheet, name)
    if run.window_s is not None:
        raise UsageError(
            f"{name}: is part of a longer clip; cut it out first, since whole clips are set "
            "side by side"
        )
    logs = tuple(map(sheet.file, run.logs))
    said = options_of(sheet, run)
    options = replace(
        said,
        ignore=more.ignore,
        angle_of_view_deg=more.angle_of_view_deg,
        columns=said.columns or more.columns,
    )
    return FilmRun(sheet.file(run.clip), logs, run.name, options)


def file_problems(sheet: DaySheet, *, progress: Progress = silent) -> tuple[Problem, ...]:
    """Open every clip and log of a sheet and tell what will not do.

    That is files that are not what they should be, runs without speed, windows past the clip's
    end, column maps that do not fit, copies of another run's clip.
    """
    opened = _Opened()
    found: list[Problem] = []
    copies = copied_runs(sheet)
    for index, run in enumerate(sheet.runs):
        if run.name in copies:
            text = f'"{run.clip}": {copy_text(copies[run.name])}'
            found.append(sheet.problem(("runs", index, "clip"), text))
        progress("opening files", index / len(sheet.runs))
        found += _clip_problems(sheet, run, index, opened)
        found += _log_problems(sheet, run, index, opened)
    progress("opening files", 1.0)
    return tuple(found)


class _Opened:
    """Files that several runs share are opened once."""

    def __init__(self) -> None:
        self.clips: dict[Path, ClipFacts | TimetrueError] = {}
        self.logs: dict[tuple[Path, str], Log | TimetrueError] = {}

    def clip(self, path: Path) -> ClipFacts | TimetrueError:
        if path not in self.clips:
            self.clips[path] = _tried(lambda: probe(path))
        return self.clips[path]

    def log(self, path: Path, columns: Mapping[str, str] | None) -> Log | TimetrueError:
        key = (path, repr(columns))
        if key not in self.logs:
            self.logs[key] = _tried(lambda: read_log(path, columns=columns))
        return self.logs[key]


def _tried(read: Callable[[], Read]) -> Read | TimetrueError:
    try:
        return read()
    except TimetrueError as error:
        return error


def _clip_problems(sheet: DaySheet, run: Run, index: int, opened: _Opened) -> list[Problem]:
    path = sheet.file(run.clip)
    facts = opened.clip(path)
    if isinstance(facts, TimetrueError):
        return [sheet.problem(("runs", index, "clip"), _told(facts, path, run.clip))]
    if run.window_s is not None and run.window_s[0] >= facts.duration_s:
        past = f"starts at {run.window_s[0]:g} s"
    elif run.window_s is not None and run.window_s[1] > facts.duration_s + 0.5:
        past = f"ends at {run.window_s[1]:g} s"
    else:
        return []
    text = f"{past}, but {run.clip} is {facts.duration_s:.1f} s long; check both numbers"
    return [sheet.problem(("runs", index, "window_s"), text)]


def _log_problems(sheet: DaySheet, run: Run, index: int, opened: _Opened) -> list[Problem]:
    found = []
    has_speed = False
    for number, name in enumerate(run.logs):
        path = sheet.file(name)
        log = opened.log(path, run.column_map)
        if isinstance(log, UsageError):
            found.append(sheet.problem(("runs", index, "columns"), _told(log, path, name)))
        elif isinstance(log, TimetrueError):
            found.append(sheet.problem(("runs", index, "logs", number), _told(log, path, name)))
        else:
            has_speed = has_speed or log.speed is not None
    clip = sheet.file(run.clip)
    if found or has_speed or not clip.is_file():
        return found  # of a missing clip its own problem tells
    track = opened.log(clip, None)
    if isinstance(track, TimetrueError) and not run.logs:
        found.append(sheet.problem(("runs", index, "clip"), _told(track, clip, run.clip)))
    elif isinstance(track, TimetrueError) or track.speed is None:
        text = "have no speed in them; name a log with GPS speed or positions"
        found.append(sheet.problem(("runs", index, "logs"), text))
    return found


def _told(error: TimetrueError, path: Path, name: str) -> str:
    """The message with the file as the sheet names it, and no path in front."""
    return f'"{name}": {" ".join(str(error).removeprefix(f"{path}:").split())}'


def _named(sheet: DaySheet, name: str) -> Run:
    run = sheet.run(name)
    if run is not None:
        return run
    names = [known.name for known in sheet.runs]
    close = difflib.get_close_matches(name, names, n=1, cutoff=0.5)
    remedy = f"did you mean {close[0]}?" if close else f"its runs are {', '.join(names[:20])}"
    raise UsageError(f"{sheet.path}: has no run {name!r}; {remedy}")
