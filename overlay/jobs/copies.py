"""Runs whose pictures are another run's: a copy of a clip, or a link to it, counts once."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

from overlay.sheet import DaySheet, Run


def copied_runs(sheet: DaySheet) -> dict[str, str]:
    """For each run that shows pictures of an earlier run of the sheet, that one's name.

    Clips are the same where they are one file, by links or not, or where every byte is the same;
    only files of equal size are read. Parts of one recording are different runs as far as their
    windows do not overlap. Missing files count as different.

    Parameters
    ----------
    sheet : DaySheet
    """
    found: dict[str, str] = {}
    for runs in _same_clips(sheet):
        for index, run in enumerate(runs):
            of = next((other for other in runs[:index] if _overlap(run, other)), None)
            if of is not None:
                found[run.name] = of.name
    return found


def copy_text(of: str) -> str:
    """What is wrong with a run that is a copy."""
    return f"shows the pictures of {of} again, which count once; name the run's own clip"


def _overlap(one: Run, other: Run) -> bool:
    if one.window_s is None or other.window_s is None:
        return True
    return one.window_s[0] < other.window_s[1] and other.window_s[0] < one.window_s[1]


def _same_clips(sheet: DaySheet) -> Iterator[list[Run]]:
    """Runs of the sheet by clip, the sheet's order kept."""
    by_file: dict[tuple[int, int], list[Run]] = {}
    by_size: dict[int, dict[tuple[int, int], Path]] = {}
    for run in sheet.runs:
        path = sheet.file(run.clip)
        try:
            seen = path.stat()
        except OSError:
            continue
        file = seen.st_dev, seen.st_ino
        by_file.setdefault(file, []).append(run)
        by_size.setdefault(seen.st_size, {})[file] = path
    order = {run.name: index for index, run in enumerate(sheet.runs)}
    for files in by_size.values():
        by_content: dict[object, list[Run]] = {}
        for file, path in files.items():
            content = file if len(files) == 1 else _digest(path)
            by_content.setdefault(content, []).extend(by_file[file])
        for runs in by_content.values():
            yield sorted(runs, key=lambda run: order[run.name])


def _digest(path: Path) -> object:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "blake2b").digest()
    except OSError:
        return path
