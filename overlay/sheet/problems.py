"""Problems of a day sheet: each with its line, its place and what to do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from overlay.errors import InputError
from overlay.sheet.places import Path, line_of


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong."""

    file: str  # the sheet as named by the user
    line: int  # from 1
    place: str  # such as ``runs[2].build``, counted from 1; empty where the line says it all
    text: str  # what is wrong and what to do

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}: "
        return f"{where}{self.place}: {self.text}" if self.place else where + self.text


class SheetError(InputError):
    """A day sheet with problems; `problems` holds them all in the order of their lines.

    The message is one line: the only problem, or the first one and how many there are.
    """

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(sorted(problems, key=lambda problem: problem.line))
        first = self.problems[0]
        if len(self.problems) == 1:
            super().__init__(str(first))
        else:
            super().__init__(
                f"{first} (the first of {len(self.problems)} problems; "
                f"'timetrue day check {first.file}' lists them all)"
            )


@dataclass(frozen=True)
class Places:
    """Where things stand in one sheet."""

    file: str
    lines: Mapping[Path, int]  # from :func:`overlay.sheet.places.find_lines`

    def problem(self, path: Sequence[str | int], text: str) -> Problem:
        """A problem at a place (positions from 0)."""
        return Problem(self.file, line_of(self.lines, path), place_text(path), text)


def place_text(path: Sequence[str | int]) -> str:
    """A place as a person reads it, counted from 1.

    Examples
    --------
    >>> place_text(("runs", 1, "logs", 0))
    'runs[2].logs[1]'
    """
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            word = part if part.isprintable() and len(part) <= 60 else shown(part)
            text += f".{word}" if text else word
    return text


def shown(value: object) -> str:
    """A value as the sheet writes it, shortened.

    Examples
    --------
    >>> shown("C"), shown(True), shown(-3.0)
    ('"C"', 'true', '-3')
    """
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, str):
        plain = "".join(c if c.isprintable() else "�" for c in value)
        return f'"{plain}"' if len(plain) <= 60 else f'"{plain[:57]}..."'
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list | tuple):
        return "a list"
    return str(value)
