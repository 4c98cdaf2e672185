"""Which line of a TOML text each key and each item of an array stands on.

The standard library's parser gives values without places, and no kept-up library gives both, so
this walks a text that the parser has already accepted. It therefore only follows the grammar of
TOML 1.0 (https://toml.io/en/v1.0.0) and never judges it.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Mapping, Sequence

Path = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]+|#[^\n]*)*")
_SPACES = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_STRING = re.compile(
    r'"""(?:[^"\\]|\\.|"{1,2}(?!"))*"{3,5}'
    r"|'''(?:[^']|'{1,2}(?!'))*'{3,5}"
    r'|"(?:[^"\\]|\\.)*"'
    r"|'[^']*'",
    re.DOTALL,
)
_SCALAR = re.compile(r"[^,\]}#\n]+")


def find_lines(text: str) -> dict[Path, int]:
    """Line numbers, from 1, of every key, table and array item.

    Parameters
    ----------
    text : str
        TOML that `tomllib.loads` accepts.

    Returns
    -------
    dict of tuple to int
        Keyed by the way from the root, names and positions from 0, such as
        ``("runs", 1, "logs", 0)``. A table stands on the line of its header, an item on the line
        on which it starts.

    Examples
    --------
    >>> lines = find_lines('[[runs]]\\nname = "a1"\\nlogs = [\\n  "a1.gpx",\\n]\\n')
    >>> lines["runs", 0, "name"], lines["runs", 0, "logs", 0]
    (2, 4)
    """
    return _Walk(text).document()


def line_of(lines: Mapping[Path, int], path: Sequence[str | int]) -> int:
    """Line of a place, or of the nearest thing around it that is in the text; 1 for the root.

    Examples
    --------
    >>> line_of({("vehicle",): 3}, ("vehicle", "mass_kg"))
    3
    """
    for end in range(len(path), 0, -1):
        if tuple(path[:end]) in lines:
            return lines[tuple(path[:end])]
    return 1


class _Walk:
    """One pass over a valid text."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.starts = [0, *(found.end() for found in re.finditer("\n", text))]
        self.lines: dict[Path, int] = {}
        self.table_counts: dict[Path, int] = {}

    def document(self) -> dict[Path, int]:
        table: Path = ()
        self.skip(_BLANK)
        while self.at < len(self.text):
            table = self.header() if self.text[self.at] == "[" else self.pair(table)
            self.skip(_BLANK)
        return self.lines

    def header(self) -> Path:
        line = self.line()
        is_array = self.text.startswith("[[", self.at)
        self.at += 2 if is_array else 1
        parts = self.key()
        self.at += 2 if is_array else 1
        table: Path = ()
        for part in parts[:-1]:
            table = self.latest((*table, part), line)
        table = (*table, parts[-1])
        self.lines.setdefault(table, line)
        if is_array:
            count = self.table_counts.get(table, 0)
            self.table_counts[table] = count + 1
            table = (*table, count)
            self.lines[table] = line
        return table

    def latest(self, table: Path, line: int) -> Path:
        """The table itself, or the last one so far where it is an array of tables."""
        self.lines.setdefault(table, line)
        count = self.table_counts.get(table, 0)
        return (*table, count - 1) if count else table

    def pair(self, table: Path) -> Path:
        line = self.line()
        place = table
        for part in self.key():
            place = (*place, part)
            self.lines.setdefault(place, line)
        self.at += 1  # the equals sign
        self.skip(_SPACES)
        self.value(place)
        return table

    def key(self) -> list[str]:
        parts = []
        while True:
            self.skip(_SPACES)
            if self.text[self.at] in "\"'":
                parts.append(str(tomllib.loads(f"k={self.take(_STRING)}")["k"]))
            else:
                parts.append(self.take(_BARE_KEY))
            self.skip(_SPACES)
            if self.text[self.at] != ".":
                return parts
            self.at += 1

    def value(self, place: Path) -> None:
        first = self.text[self.at]
        if first == "[":
            self.array(place)
        elif first == "{":
            self.inline_table(place)
        else:
            self.take(_STRING if first in "\"'" else _SCALAR)

    def array(self, place: Path) -> None:
        self.at += 1
        self.skip(_BLANK)
        count = 0
        while self.text[self.at] != "]":
            item = (*place, count)
            self.lines[item] = self.line()
            self.value(item)
            count += 1
            self.separator(_BLANK)
        self.at += 1

    def inline_table(self, place: Path) -> None:
        self.at += 1
        self.skip(_BLANK)
        while self.text[self.at] != "}":
            self.pair(place)
            self.separator(_BLANK)
        self.at += 1

    def separator(self, between: re.Pattern[str]) -> None:
        self.skip(between)
        if self.text[self.at] == ",":
            self.at += 1
            self.skip(between)

    def line(self) -> int:
        return bisect_right(self.starts, self.at)

    def skip(self, pattern: re.Pattern[str]) -> None:
        found = pattern.match(self.text, self.at)
        self.at = found.end() if found else self.at

    def take(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self.text, self.at)
        assert found is not None, f"the parser accepted what this cannot follow at {self.at}"
        self.at = found.end()
        return found.group()
