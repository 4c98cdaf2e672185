"""Numbers as tables write them: which sign parts the decimals, and which the thousands.

``1.707`` is 1707 in one half of the world and 1.707 in the other. What the file itself shows
decides: any ``0.5`` or ``12.34`` (or ``0,5``) in it, or, failing that, which reading of a column
can be true. Where both can, the column is refused and never guessed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isnan

import numpy as np

from overlay.errors import InputError

LONGEST_CELL = 64  # no number or time that a logger writes is longer
DECIMAL = r"[+-]?(?:\d+(?:\{sign}\d*)?|\{sign}\d+)(?:[eE][+-]?\d+)?"
GROUPED = r"[+-]?\d{{1,3}}(?:\{other}\d{{3}})+(?:\{sign}\d*)?"
PATTERNS = {
    sign: re.compile(f"(?:{DECIMAL}|{GROUPED})".format(sign=sign, other=other))
    for sign, other in ((".", ","), (",", "."))
}
LEADING_ZERO = {".": re.compile(r"[+-]?0,"), ",": re.compile(r"[+-]?0\.")}  # no group starts so
# One sign and three digits after a first part that may be a group: 1.707, but not 0.707.
EITHER = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}")
SIGNED = re.compile(r"[+-]?[\d.,]*[.,][\d.,]*(?:[eE][+-]?\d+)?")
# Thousands parted by a (narrow) no-break space or an apostrophe, as ISO 80000-1 and some countries.
SPACED = re.compile(r"(?<=\d)['’\u00a0\u202f](?=\d{3}(?!\d))")
LOOKED_AT_CELLS = 3000  # of a column, for what they show
CLEAR_SHARE = 0.95  # fewer cells than one in twenty with the other sign are damage
# Ranges that the middle of a column lies in if it is read rightly, in the unit of the column.
# A running engine turns at 50 a minute at the very least; times: steps from 0.5 ms to 20 s.
LEAST_RPM = 50.0
STEP_S = (5e-4, 20.0)


@dataclass(frozen=True)
class WrittenNumber:
    """A column that is used, for the question of its signs."""

    name: str  # In the file, for messages
    cells: Sequence[str]
    role: str  # As in :class:`overlay.logs.headers.Column`
    si: float = 1.0  # SI units in one unit of the column; NaN where the unit of a time is not known


def is_number(cell: str) -> bool:
    """Whether a cell is a number in one of the two ways of writing.

    Examples
    --------
    >>> [is_number(cell) for cell in ("1.5", "1,5", "1.234,5", "-2e3", "1.2.3", "")]
    [True, True, True, True, False, False]
    """
    if len(cell) > LONGEST_CELL:
        return False
    return any(pattern.fullmatch(_closed_up(cell)) for pattern in PATTERNS.values())


def _closed_up(cell: str) -> str:
    return cell if cell.isascii() and "'" not in cell else SPACED.sub("", cell)


def number(cell: str, sign: str = ".") -> float:
    """A cell's value; NaN where it is no number with that decimal sign.

    Examples
    --------
    >>> number("1.707", ","), number("1.707"), number("1,707.5"), number("0,100", ",")
    (1707.0, 1.707, 1707.5, 0.1)
    """
    if len(cell) > LONGEST_CELL:
        return float("nan")
    plain = cell if sign == "." else cell.replace(",", ".", 1) if "." not in cell else ""
    if plain[-1:].isdigit() and "_" not in plain:
        try:
            return float(plain)  # most cells; the others are looked at closely
        except ValueError:
            pass
    cell = _closed_up(cell)
    if not PATTERNS[sign].fullmatch(cell) or LEADING_ZERO[sign].match(cell):
        return float("nan")
    return float(cell.replace(",", "") if sign == "." else cell.replace(".", "").replace(",", "."))


def decimal_signs(
    columns: Mapping[str, WrittenNumber],
    others: Sequence[Sequence[str]],
    *,
    parted_by_comma: bool,
    where: str,
) -> dict[str, str]:
    """The decimal sign of each used column, ``.`` or ``,``.

    Parameters
    ----------
    columns : mapping of str to WrittenNumber
        The used columns by any key.
    others : sequence of sequences of str
        Cells of further columns, which show what the file uses.
    parted_by_comma : bool
        Whether the table parts its cells by commas, which speaks for the point.
    where : str
        File and line, for messages.

    Raises
    ------
    InputError
        If a column can be read both ways, or is written both ways.
    """
    own = {key: _evidence(column.cells) for key, column in columns.items()}
    shown = [*own.values(), *(_evidence(cells) for cells in others)]
    points, commas = (sum(entry[i] for entry in shown) for i in (0, 1))
    table = _clear(points, commas)
    signs: dict[str, str] = {}
    open_ways: dict[str, list[str]] = {}
    for key, column in columns.items():
        sign = _clear(*own[key]) or table
        if any(own[key]) and _clear(*own[key]) is None:
            raise InputError(
                f"{where}: column {column.name!r} has decimals with a point and with a comma; "
                "export the table with points only"
            )
        if sign is None and any(EITHER.fullmatch(cell) for cell in column.cells):
            open_ways[key] = [way for way in PATTERNS if _can_be(column, way)]
        else:
            signs[key] = sign or "."
    only = {ways[0] for ways in open_ways.values() if len(ways) == 1}
    if not only and parted_by_comma and not commas and not _has_commas(columns):
        only = {"."}
    for key, ways in open_ways.items():
        if len(ways) != 1 and (len(only) != 1 or not only <= set(ways)):
            raise _ambiguous(columns[key], where)
        signs[key] = ways[0] if len(ways) == 1 else min(only)
    return signs


def _evidence(cells: Sequence[str]) -> tuple[int, int]:
    """How many cells can only be read with a decimal point, and how many only with a comma.

    Of a long column some thousand are looked at.
    """
    counts = [0, 0]
    for cell in cells[:: max(1, len(cells) // LOOKED_AT_CELLS)]:
        if not ("." in cell or "," in cell) or len(cell) > LONGEST_CELL:
            continue
        if EITHER.fullmatch(cell) or not SIGNED.fullmatch(cell):
            continue
        fits = [not isnan(number(cell, sign)) for sign in (".", ",")]
        if fits[0] != fits[1]:
            counts[int(fits[1])] += 1
    return counts[0], counts[1]


def _clear(points: int, commas: int) -> str | None:
    if max(points, commas) < CLEAR_SHARE * (points + commas) or not points + commas:
        return None
    return "." if points > commas else ","


def _has_commas(columns: Mapping[str, WrittenNumber]) -> bool:
    return any("," in cell for column in columns.values() for cell in column.cells)


def _ambiguous(column: WrittenNumber, where: str) -> InputError:
    example = next(cell for cell in column.cells if EITHER.fullmatch(cell))
    readings = sorted((number(example, "."), number(example, ",")))
    return InputError(
        f"{where}: {example!r} in column {column.name!r} may be {readings[0]:g} or "
        f"{readings[1]:g}, and nothing in the table shows which; export it with decimal points "
        "and without signs between thousands"
    )


def _can_be(column: WrittenNumber, sign: str) -> bool:
    """Whether that reading of a column can be true of a vehicle and its log."""
    numbers = np.array([number(cell, sign) for cell in column.cells])
    values = numbers[np.isfinite(numbers)]
    if column.role == "time":
        steps = np.diff(values)
        one_way = max(np.count_nonzero(steps > 0), np.count_nonzero(steps < 0))
        middle_s = float(np.median(np.abs(steps))) * column.si if len(steps) else 0.0
        in_range = np.isnan(middle_s) or STEP_S[0] <= middle_s <= STEP_S[1]
        return bool(in_range and one_way >= 0.9 * len(steps))
    if column.role == "rpm":
        return bool(np.all((values == 0) | ((values >= LEAST_RPM) & (values <= 30_000))))
    highest = {"lat": 90.0, "lon": 180.0, "alt": 10_000.0}.get(column.role, 200.0)
    return bool(np.all(np.abs(values * column.si) <= highest))
