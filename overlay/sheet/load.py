"""Read a day sheet and tell every problem in it with its line."""

from __future__ import annotations

import os
import re
import tomllib
from pathlib import Path
from typing import Any

from overlay.errors import InputError
from overlay.files import require_file
from overlay.sheet.model import DaySheet
from overlay.sheet.places import find_lines
from overlay.sheet.problems import Places, Problem, SheetError
from overlay.sheet.rules import rule_problems
from overlay.sheet.wording import shape_problems

LARGEST_BYTES = 1 << 20  # a day of hundreds of runs takes a tenth of it
_PLACE = re.compile(r"\s*\(at (?:line (\d+), column \d+|end of document)\)$")
_BACKSLASH = r"a \ stands in double quotes; write / in file names, or use single quotes"
_SYNTAX = (  # how the parser's message starts, and what to do about it
    ("Cannot overwrite a value", "this key is given twice; take one of the two out"),
    ("Cannot declare", "this table stands above already; put its lines together under one"),
    ("Cannot mutate immutable", "this adds to a table closed above; write it in one place"),
    ("Duplicate inline table key", "a key is given twice in { }; take one of the two out"),
    ("Expected '='", "this key has no '='; write key = value"),
    ("Invalid value", 'this value is none that TOML knows; put text in double quotes, "..."'),
    ("Unclosed array", "a list opened with [ is closed by no ]; add it at its end"),
    ("Unclosed inline table", "a table opened with { is closed by no }; add it at its end"),
    ("Expected \"'''\"", "a text is closed by no quotes; add them at its end"),
    ("Unterminated string", "a text is closed by no quote; add it at its end"),
    ("Illegal character", "a text is closed by no quote, or there is a stray character"),
    ("Unescaped", _BACKSLASH),
    ("Invalid hex", _BACKSLASH),
    ("Expected ']", "no bracket closes this header; write [vehicle] or [[runs]]"),
    ("Expected newline or end", "something follows the value; write one key = value a line"),
    ("Invalid initial character", "this starts with what is no key; write key = value"),
    ("Invalid statement", "this is neither a table's header nor key = value"),
)

_SIGNS = (  # what the line itself shows, where the parser only says that it stumbled
    (
        re.compile(r"^[^#\"']*=\s*\[?\s*[“”„«‘’]"),
        'quotes are curly here; write straight ones, "..."',
    ),
    (re.compile(r"^[^#\"'\[]*=\s*[+-]?\d+,\d"), "a number has a decimal comma; write a point"),
)


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
    from pydantic import ValidationError

    found = require_file(path)
    name = str(path)
    raw, places = _parsed(_text(found, name), name)
    problems: list[Problem] = []
    sheet: DaySheet | None = None
    try:
        sheet = DaySheet.model_validate(raw)
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
        return _with_tuples(raw), Places(name, find_lines(text))
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
    told = next((mend for sign, mend in _SIGNS if sign.search(text.split("\n")[line - 1])), None)
    told = told or next((mend for start, mend in _SYNTAX if plain.startswith(start)), None)
    told = told or f"this is no TOML: {plain[:1].lower()}{plain[1:]}"
    return Problem(name, line, "", f"{told} (the rest is checked once this is mended)")


def _with_tuples(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _with_tuples(item) for key, item in value.items()}
    if isinstance(value, list):
        return tuple(_with_tuples(item) for item in value)
    return value
