"""The day sheet between disk and page: read, changed as a draft, written only when asked to.

A draft lives in the page. The sheet on disk is replaced only if it still is what the draft
started from; else both are shown, and the person decides.
"""

from __future__ import annotations

import hashlib
import threading
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from overlay.errors import InputError, OutputError
from overlay.files import written_whole
from overlay.gauges.palette import hex_of, hue_among
from overlay.sheet import DaySheet, Run, SheetError, read_sheet
from overlay.sheet.edit import MARK
from overlay.sheet.load import LARGEST_BYTES

_saving = threading.Lock()


@dataclass(frozen=True)
class Checked:
    """A draft as the page shows it."""

    sheet: DaySheet | None  # None where there are problems
    raw: dict[str, Any]  # What the text says, problems or not; empty where it is no TOML
    problems: tuple[dict[str, Any], ...] = ()  # Line, place and text of each


def digest_of(text: str | None) -> str:
    """What tells one text from another; empty for no text."""
    return "" if text is None else hashlib.sha256(text.encode()).hexdigest()


def on_disk(path: Path) -> str | None:
    """The sheet's text with its own line ends, None where there is no sheet.

    Raises
    ------
    InputError
        If it cannot be read as text.
    """
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise InputError(f"{path}: is too large for a day sheet; name another folder")
        return path.read_bytes().decode("utf-8")
    except FileNotFoundError:
        return None
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror or error}") from error
    except UnicodeDecodeError:
        raise InputError(f"{path}: is not UTF-8 text; save it as UTF-8") from None


def checked(text: str, path: Path) -> Checked:
    """A draft judged as the sheet that would lie at `path`."""
    plain = text.removeprefix(MARK).replace("\r\n", "\n")
    try:
        raw = tomllib.loads(plain)
    except (ValueError, RecursionError):
        raw = {}
    try:
        return Checked(read_sheet(plain, path), raw)
    except SheetError as error:
        problems = [{"line": p.line, "place": p.place, "text": p.text} for p in error.problems]
        return Checked(None, raw, tuple(problems))


def sheet_of(text: str, path: Path) -> DaySheet:
    """The sheet of a draft.

    Raises
    ------
    InputError
        If it has problems.
    """
    found = checked(text, path)
    if found.sheet is None:
        first = found.problems[0]
        said = f"line {first['line']}: {first['place']}: {first['text']}"
        raise InputError(f"the sheet has problems; the first: {said}")
    return found.sheet


def unknown_run(sheet: DaySheet, run: Run) -> dict[str, Any]:
    """Name, colour and state of a run that is not worked out."""
    hue = hex_of(hue_among(sheet.builds, run.build))
    return {"name": run.name, "hue": hue, "state": "new", "problem": ""}


def save(path: Path, text: str, base: str) -> str | None:
    """Write the draft if the sheet on disk has the digest `base`.

    Returns
    -------
    str or None
        None when it is written; else the text that is on disk, which stays.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    with _saving:
        there = on_disk(path)
        if digest_of(there) != base:
            return there or ""
        if path.is_symlink():
            raise OutputError(f"{path}: is a link to another file; edit that one")
        with written_whole(path) as part:
            part.write_bytes(text.encode())
    return None


def set_aside(path: Path, text: str) -> str:
    """Write a text beside the sheet under a name that is free; the name."""
    for number in range(1, 1000):
        other = path.with_name(f"{path.stem}.other-{number}{path.suffix}")
        if not other.exists():
            with written_whole(other) as part:
                part.write_bytes(text.encode())
            return other.name
    raise OutputError(f"{path.parent}: holds a thousand sheets set aside; remove some")
