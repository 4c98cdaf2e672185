"""Tables of one value a row, as vehicle diagnostics write them: time, name, value, unit."""

from __future__ import annotations

import re
from collections.abc import Sequence

NAME_WORDS = {"pid", "signal", "name", "parameter", "sensor", "channel"}
VALUE_WORDS = {"value", "reading"}
UNIT_WORDS = {"unit", "units"}
MOST_NAMES = 500


def widened(
    header: Sequence[str], rows: Sequence[Sequence[str]]
) -> tuple[list[str], list[list[str]]] | None:
    """The same table with a column for each name; None where it is no such table.

    Parameters
    ----------
    header, rows
        As in the file.

    Examples
    --------
    >>> rows = [["0", "RPM", "900", "rpm"], ["1", "V", "5", "km/h"]]
    >>> widened(["s", "pid", "value", "unit"], rows)
    (['s', 'RPM (rpm)', 'V (km/h)'], [['0', '900', ''], ['1', '', '5']])
    """
    name, value = _only(header, NAME_WORDS), _only(header, VALUE_WORDS)
    unit = _only(header, UNIT_WORDS)
    if name is None or value is None:
        return None
    others = [index for index in range(len(header)) if index not in (name, value, unit)]
    columns: dict[str, int] = {}
    wide: list[list[str]] = []
    for row in rows:
        cells = [row[index] if index < len(row) else "" for index in range(len(header))]
        unit_text = f" ({cells[unit]})" if unit is not None and cells[unit] else ""
        place = columns.setdefault(cells[name] + unit_text, len(columns))
        if len(columns) > MOST_NAMES:
            return None
        wide.append([*(cells[index] for index in others), *[""] * place, cells[value]])
    width = len(others) + len(columns)
    names = [header[index] for index in others] + list(columns)
    return names, [row + [""] * (width - len(row)) for row in wide]


def _only(header: Sequence[str], words: set[str]) -> int | None:
    found = [i for i, name in enumerate(header) if set(re.findall("[a-z]+", name.lower())) & words]
    return found[0] if len(found) == 1 else None
