"""Runs of a day for workers that do not see its folder: their files are sent, and what they make.

A worker works on a run in a folder of its own, where clip and logs have the sizes and times of
change that they have here, so that results depend on the same and are kept under the same digests.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from overlay.errors import InputError
from overlay.files import written_whole
from overlay.jobs.day_one import RunOutcome, RunTask, do_run
from overlay.jobs.names import FOLDER, KEPT, SHEET_NAME

MOST_BYTES = 2 << 30  # of one run, which its worker and the scheduler hold in memory
CUT = "-part."  # a run cut out of a longer clip, which is quickly cut again


@dataclass(frozen=True)
class SentFile:
    """One file: its name relative to the folder, what is in it, and when it was changed, ns."""

    name: str
    data: bytes
    changed_ns: int


@dataclass(frozen=True)
class Parcel:
    """A run, and the files that it needs."""

    task: RunTask
    files: tuple[SentFile, ...]


@dataclass(frozen=True)
class Returned:
    """What became of a run, and the files that it made in the results' folder."""

    outcome: RunOutcome
    files: tuple[SentFile, ...]


def packed(task: RunTask) -> Parcel:
    """The run with its clip, its logs and what is kept of it.

    Raises
    ------
    InputError
        If a file lies outside the sheet's folder, or all are more than can be sent. One that is
        missing stays out; the worker says so, as this machine would.
    """
    folder = task.sheet.folder
    paths = [task.sheet.file(name) for name in (task.run.clip, *task.run.logs)]
    kept = (task.folder / KEPT).glob("*")
    paths += [path for path in kept if path.name.startswith(f"{task.name}.")]
    paths = [path for path in paths if path.is_file()]
    for path in paths:
        if ".." in path.parts or not path.is_relative_to(folder):
            raise InputError(
                f"{path}: lies outside the sheet's folder, so it is not sent to workers; copy it "
                "there"
            )
    if sum(path.stat().st_size for path in paths) > MOST_BYTES:
        raise InputError(
            f"{task.sheet.file(task.run.clip)}: is more than {MOST_BYTES >> 30} GiB with its logs, "
            "which is not sent to workers; cut the run out, or share the folder with them"
        )
    return Parcel(task, tuple(_read(dict.fromkeys(paths), folder)))


def do_parcel(parcel: Parcel, tell: Callable[[float], None]) -> Returned:
    """On a worker: do the run in a folder of its own, which is gone afterwards."""
    with tempfile.TemporaryDirectory(prefix="timetrue-", dir=_place()) as place:
        there = Path(place)
        for file in parcel.files:
            _write(file, there)
        sheet = parcel.task.sheet.model_copy()
        sheet._path = there / SHEET_NAME
        results = there / FOLDER
        (results / KEPT).mkdir(parents=True, exist_ok=True)
        outcome = do_run(replace(parcel.task, sheet=sheet, folder=results), tell)
        made = [path for path in sorted(results.rglob("*")) if path.is_file()]
        own, here = str(there), str(parcel.task.sheet.folder)
        files = [
            replace(file, data=file.data.replace(own.encode(), here.encode()))
            if file.name.endswith(".failed.json")
            else file
            for file in _read((path for path in made if CUT not in path.name), results)
        ]
        problem = None if outcome.problem is None else outcome.problem.replace(own, here)
        return Returned(replace(outcome, problem=problem), tuple(files))


def unpacked(task: RunTask, returned: Returned) -> RunOutcome:
    """The outcome, its files now in the results' folder.

    Raises
    ------
    OutputError
        If they cannot be written.
    """
    for file in returned.files:
        if ".." not in Path(file.name).parts:
            _write(file, task.folder)
    return returned.outcome


def _place() -> str | None:
    """Where the worker keeps its own files, which go when it goes."""
    from distributed import get_worker

    try:
        return str(get_worker().local_directory)
    except ValueError:  # no worker: the usual place
        return None


def _read(paths: Iterable[Path], folder: Path) -> Iterable[SentFile]:
    for path in paths:
        name = path.relative_to(folder).as_posix()
        yield SentFile(name, path.read_bytes(), path.stat().st_mtime_ns)


def _write(file: SentFile, folder: Path) -> None:
    target = folder / file.name
    target.parent.mkdir(parents=True, exist_ok=True)
    with written_whole(target) as part:
        part.write_bytes(file.data)
        os.utime(part, ns=(file.changed_ns, file.changed_ns))
