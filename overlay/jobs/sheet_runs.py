"""Runs as the day sheet names them: their files, pairs of them, and whether the files will do."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from overlay.errors import TimetrueError, UsageError
from overlay.jobs.machine import machine_of
from overlay.jobs.progress import Progress, silent
from overlay.sheet import DaySheet, Problem, Run, load_sheet

if TYPE_CHECKING:
    from overlay.footage.model import ClipFacts
    from overlay.jobs.pair import PairRun
    from overlay.logs.model import Log

SHEET_NAME = "day.toml"
Read = TypeVar("Read")


@dataclass(frozen=True)
class RunFiles:
    """The files of one run, ready to open.

    Attributes
    ----------
    clip : Path
    logs : tuple of Path
    columns : mapping or None
        Column map for tables, see :func:`overlay.logs.read_log`.
    """

    clip: Path
    logs: tuple[Path, ...]
    columns: Mapping[str, str] | None


def sheet_path(path: str | Path) -> Path:
    """The sheet itself, or the one in a folder, where a folder is named."""
    return Path(path) / SHEET_NAME if Path(path).is_dir() else Path(path)


def run_files(sheet: DaySheet, name: str) -> RunFiles:
    """Files of the run of that name.

    Raises
    ------
    UsageError
        If the sheet has no such run.
    """
    run = _named(sheet, name)
    return RunFiles(sheet.file(run.clip), tuple(map(sheet.file, run.logs)), run.column_map)


def paired_from_sheet(path: str | Path, names: Sequence[str]) -> tuple[PairRun, PairRun]:
    """Two runs of a sheet to set side by side, each with its build's gearing and limits.

    Parameters
    ----------
    path : path
        The sheet, or its folder.
    names : sequence of str
        Names of two runs.

    Raises
    ------
    UsageError
        If there are not two different names of runs, or a run cannot be used whole.
    SheetError
        If the sheet has problems.
    """
    if len(names) != 2:
        raise UsageError(f"pair with --sheet takes two names of runs; {len(names)} were given")
    if names[0] == names[1]:
        raise UsageError(f"{names[0]}: cannot be set beside itself; name two different runs")
    sheet = load_sheet(sheet_path(path))
    first, second = (whole_run(sheet, name) for name in names)
    return first, second


def whole_run(sheet: DaySheet, name: str) -> PairRun:
    """A run of a sheet to set beside others, with its build's gearing and limits.

    Raises
    ------
    UsageError
        If the sheet has no such run, or its run is part of a longer clip.
    """
    from overlay.jobs.pair import PairRun

    run, files = _named(sheet, name), run_files(sheet, name)
    if run.window_s is not None:
        raise UsageError(
            f"{name}: is part of a longer clip; cut it out first, since whole clips are set "
            "side by side"
        )
    return PairRun(
        files.clip,
        files.logs,
        run.name,
        run.same_clock,
        run.offset_s,
        files.columns,
        machine_of(sheet, run.build),
    )


def file_problems(sheet: DaySheet, *, progress: Progress = silent) -> tuple[Problem, ...]:
    """Open every clip and log of a sheet and tell what will not do.

    Parameters
    ----------
    sheet : DaySheet
    progress : callable
        Told of the stage ``opening files``.

    Returns
    -------
    tuple of Problem
        Files that are not what they should be, runs without speed, windows past the clip's end,
        column maps that do not fit.
    """
    opened = _Opened()
    found: list[Problem] = []
    for index, run in enumerate(sheet.runs):
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
        from overlay.footage import probe

        if path not in self.clips:
            self.clips[path] = _tried(lambda: probe(path))
        return self.clips[path]

    def log(self, path: Path, columns: Mapping[str, str] | None) -> Log | TimetrueError:
        from overlay.logs import read_log

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
    if not found and not has_speed:
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
    mend = f"did you mean {close[0]}?" if close else f"its runs are {', '.join(names[:20])}"
    raise UsageError(f"{sheet.path}: has no run {name!r}; {mend}")


__all__ = [
    "RunFiles",
    "file_problems",
    "paired_from_sheet",
    "run_files",
    "sheet_path",
]
