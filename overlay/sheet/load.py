"""Read a day sheet; say every problem in it with its line."""

from __future__ import annotations

import json
import os
import re
import tomllib
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from overlay.errors import InputError
from overlay.files import require_file
from overlay.sheet.model import DaySheet
from overlay.sheet.places import find_lines
from overlay.sheet.problems import Places, Problem, SheetError
from overlay.sheet.rules import rule_problems
from overlay.sheet.wording import shape_problems

LARGEST_BYTES = 1 << 20  # a day of hundreds of runs takes a tenth of it
_PLACE = re.compile(r"\s*\(at (?:line (\d+), column \d+|end of document)\)$")
_TOML = "write key = value, text in straight double quotes, numbers with a decimal point"


def load_sheet(path: str | os.PathLike[str], *, files: bool = True) -> DaySheet:
    """Read and check a day sheet.

    Parameters
    ----------
    path : path
        The TOML file. It is only read.
    files : bool
        Whether the clips and logs it names must exist.

    Raises
    ------
    SheetError
        With every problem and its line.
    InputError
        If the file is missing, empty or unreadable.
    """
    return read_sheet(_text(require_file(path), str(path)), path, files=files)


def read_sheet(text: str, path: str | os.PathLike[str], *, files: bool = True) -> DaySheet:
    """Check the text of a day sheet that lies, or is to lie, at `path`.

    Raises
    ------
    SheetError
        With every problem and its line.
    """
    found = Path(path)
    raw, places = _parsed(text, str(path))
    problems: list[Problem] = []
    sheet: DaySheet | None = None
    try:
        sheet = DaySheet.model_validate_json(json.dumps(raw, default=str))
    except ValidationError as error:
        problems += shape_problems(error.errors(include_url=False), places)
    problems += rule_problems(raw, places, found.parent, files=files)
    if problems or sheet is None:
        raise SheetError(problems) from None
    sheet._path = found
    sheet._places = places
    return sheet


def _text(found: Path, name: str) -> str:
    """The text, without the byte order mark that some editors put first."""
    try:
        size = found.stat().st_size
        if size > LARGEST_BYTES:
            raise InputError(f"{name}: is {size / 1e6:.0f} MB, so no day sheet; name the TOML file")
        data = found.read_bytes()
    except OSError as error:
        raise InputError(f"{name}: cannot be read: {error.strerror or error}") from error
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise SheetError([Problem(name, 1, "", "is UTF-16; save it as UTF-8")])
    data = data.removeprefix(b"\xef\xbb\xbf")
    if b"\0" in data:
        raise InputError(f"{name}: is no text, so no day sheet; name the TOML file")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        wrong = f"holds a byte (0x{data[error.start]:02x}) that is no UTF-8; save it as UTF-8"
        raise SheetError([Problem(name, line, "", wrong)]) from None
    if not re.sub(r"#[^\n]*|\s", "", text):
        wrong = "is empty but for comments; 'timetrue day new' writes one to start from"
        raise SheetError([Problem(name, 1, "", wrong)])
    return text.replace("\r\n", "\n")


def _parsed(text: str, name: str) -> tuple[dict[str, Any], Places]:
    try:
        raw = tomllib.loads(text)
        return raw, Places(name, find_lines(text))
    except RecursionError:
        wrong = "lists or tables are nested too deeply; write them flat"
        raise SheetError([Problem(name, 1, "", wrong)]) from None
    except ValueError as error:
        raise SheetError([_syntax_problem(str(error), text, name)]) from None


def _syntax_problem(message: str, text: str, name: str) -> Problem:
    """The parser stops at its first error, so there is one problem only."""
    place = _PLACE.search(message)
    lines = text.rstrip("\n").count("\n") + 1
    line = min(int(place[1]), lines) if place and place[1] else lines
    plain = _PLACE.sub("", message)
    wrong = f"is not TOML: {plain[:1].lower()}{plain[1:]}; {_TOML} (the rest is checked after that)"
    return Problem(name, line, "", wrong)
