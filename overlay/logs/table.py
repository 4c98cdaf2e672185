"""CSV logs of any common shape: delimiters, preambles, units rows, decimal commas, column maps."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from overlay.errors import InputError, UsageError
from overlay.logs.clean import SPEED_SIGMA, Raw
from overlay.logs.formats import LogFormat, Reading, decoded
from overlay.logs.headers import (
    TIME_SECONDS,
    Column,
    columns_by_header,
    columns_by_map,
    one_of_each,
    recognised,
    unit_of,
)
from overlay.logs.long import widened
from overlay.logs.model import ALTITUDE, LATITUDE, LONGITUDE, RPM, SPEED, WHEEL_SPEED, Cleaning
from overlay.logs.numbers import (
    LEAST_RPM,
    LONGEST_CELL,
    WrittenNumber,
    decimal_signs,
    is_number,
    number,
)
from overlay.logs.order import mostly_descending
from overlay.logs.times import CLOCK_TIME, DATE_FIRST, TableTimes, table_times
from overlay.timebase import FloatArray
from overlay.units import FOOT_M, mps_per

CHANNELS = {
    "speed": SPEED,
    "wheel_speed": WHEEL_SPEED,
    "speed_sigma": SPEED_SIGMA,
    "rpm": RPM,
    "lat": LATITUDE,
    "lon": LONGITUDE,
    "alt": ALTITUDE,
}
LOOKED_AT_ROWS = 1000  # of a long table, for its width and for signs of decimals
MISSING = frozenset({"nan", "null", "none", "n/a", "na", "-", "--"})
DELIMITERS = ",;\t|"
# Ten times free fall, kept up over a whole record of so many values: common practice, no source.
MOST_GAIN_MPS2, LEAST_RECORDS = 100.0, 10
SPACES = " "  # any run of spaces, taken only where no other delimiter makes a table


@dataclass(frozen=True)
class _Grid:
    """A table taken apart."""

    header: list[str]
    header_line: int
    units: list[str] | None
    rows: list[list[str]]
    delimiter: str


def read_table(data: bytes, path: str, given: Reading) -> Raw:
    """Read a table with a time column and at least one of speed, RPM, wheel speed or position.

    Raises
    ------
    InputError
        If it is no table, or lacks a time, a value or the unit of a speed.
    UsageError
        If `columns` does not fit the table.
    """
    utc_offset_h = given.utc_offset_h
    if not -24 < utc_offset_h < 24:
        raise UsageError(f"UTC offset {utc_offset_h:g} h: must lie between -24 and 24 hours")
    grid = _grid(decoded(data), path)
    found = columns_by_header(grid.header, grid.units)
    if given.columns is not None:
        clocks = [column for column in found if column.role in ("time", "date")]
        found = columns_by_map(grid.header, grid.units, given.columns, path)
        found += [] if any(column.role == "time" for column in found) else clocks
    chosen, notes = one_of_each(found, path, grid.header_line)
    where = f"{path}, line {grid.header_line}"
    _demand(chosen, grid, where)
    candidates = [column for column in found if column.role == "time"]
    times, used = _times(candidates, chosen, grid, utc_offset_h, where)
    if mostly_descending(times.t_s):
        grid = replace(grid, rows=grid.rows[::-1])
        times, used = _times([used.column["time"]], chosen, grid, utc_offset_h, where)
        notes.append("the newest record comes first; the records are put in order of time")
    values = {CHANNELS[role]: used.si(grid, role) for role in used.column if role in CHANNELS}
    _demand_values(values, times.t_s, where)
    _demand_revs(values.get(RPM), used.column.get("rpm"), where)
    _demand_gain(values.get(SPEED), times.t_s, where)
    lost = _unparsable(grid, times.t_s, values, used.column)
    said = (*notes, *times.notes)
    counts = Cleaning(len(grid.rows), unparsable=lost, rollovers=times.rollovers, notes=said)
    is_footage = times.clock == "elapsed" and "footage" in used.column["time"].name.lower()
    clock = "footage" if is_footage else times.clock
    speed = used.column.get("speed")
    source = f"column {speed.name!r}" if speed else None
    # Speeds that a readout passed at these times are exact, whatever their last digit.
    step = 0.0 if speed and is_footage and "passed" in speed.name.lower() else None
    as_read = (times.origin, None, source, counts, used.said(), step)
    return Raw(path, "table", clock, times.t_s, values, *as_read)


@dataclass(frozen=True)
class _Used:
    """The column of each role, and the decimal sign that it is written with."""

    column: dict[str, Column]
    sign: dict[str, str]

    def si(self, grid: _Grid, role: str) -> FloatArray:
        return self.numbers(grid, role) * _si(self.column[role])

    def numbers(self, grid: _Grid, role: str) -> FloatArray:
        cells = _column(grid, self.column[role])
        return np.array([number(cell, self.sign[role]) for cell in cells])

    def said(self) -> str:
        return ", ".join(
            f"{role} {column.name!r}" + (f" ({column.unit})" if column.unit else "")
            for role, column in sorted(self.column.items(), key=lambda item: item[1].index)
        )


def _grid(text: str, path: str) -> _Grid:
    lines = [
        (number, line)
        for number, line in enumerate(re.split(r"\r\n|\n|\r", text.replace("\0", "")), 1)
        if line.strip()
    ]
    if not lines:
        raise InputError(f"{path}: holds no text; copy it again from the logger")
    plain = [(n, line) for n, line in lines if not _is_comment(line)]
    delimiter = _delimiter([line for _, line in plain], path)
    rows = [(n, _cells(line, delimiter)) for n, line in plain]
    looked_at = rows[:: max(1, len(rows) // LOOKED_AT_ROWS)]
    widths = Counter(len(cells) for _, cells in looked_at if _is_data(cells))
    # Facts before the table, such as "Laps,3", look like data but not as wide as most rows.
    width = widths.most_common(1)[0][0] if widths else 0
    start = next(
        (index for index, (_, cells) in enumerate(rows) if len(cells) == width and _is_data(cells)),
        None,
    )
    if start is None:
        raise InputError(
            f"{path}: no row of numbers found in {len(lines)} lines; give a table with a header "
            "and one record a line"
        )
    header, header_line, units = _header(rows[:start], lines, rows[start][0], width, delimiter)
    body = rows[start:]
    _demand_names(header, body, f"{path}, line {header_line}")
    cells = [row for _, row in body]
    wide = None if units else widened(header, cells)
    header, cells = wide or (header, cells)
    return _Grid(header, header_line, units, cells, delimiter)


def _demand_names(
    header: Sequence[str], body: Sequence[tuple[int, Sequence[str]]], where: str
) -> None:
    """Refuse rows that hold more values than the header has names: decimal commas do that."""
    wider = sum(any(cells[len(header) :]) for _, cells in body)
    if wider > 0.5 * len(body):
        raise InputError(
            f"{where}: the header names {len(header)} columns but rows hold more values; where "
            "decimals are written with commas, part the columns by semicolons or tabs"
        )


def _is_comment(line: str) -> bool:
    return line.lstrip().startswith(("#", "//", "%"))


def _cells(line: str, delimiter: str) -> list[str]:
    if delimiter == SPACES:
        return line.split()
    try:
        cells = next(csv.reader([line], delimiter=delimiter))
    except (csv.Error, StopIteration):
        return [line]
    return ["" if cell.strip().lower() in MISSING else cell.strip() for cell in cells]


def _is_value(cell: str) -> bool:
    return len(cell) <= LONGEST_CELL and bool(
        is_number(cell) or CLOCK_TIME.fullmatch(cell) or DATE_FIRST.match(cell)
    )


def _is_data(cells: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell]
    values = sum(_is_value(cell) for cell in filled)
    return (
        len(cells) >= 2
        and values >= 1
        and values >= 0.5 * len(filled)
        and bool(_is_value(cells[0]) or values >= 2)
    )


def _delimiter(lines: list[str], path: str) -> str:
    """The character that cuts most lines into the most cells that are values."""
    sample = lines[:20] + lines[len(lines) // 2 : len(lines) // 2 + 100]
    scores = {delimiter: _fit(sample, delimiter) for delimiter in DELIMITERS}
    best = max(scores, key=lambda delimiter: scores[delimiter])
    if scores[best] > 0.0:
        return best
    if _fit(sample, SPACES) > 0.0:
        return SPACES
    raise InputError(
        f"{path}: no table found: no line holds two values parted by a comma, semicolon or "
        "tab; give a GPX, NMEA or CSV log"
    )


def _fit(sample: list[str], delimiter: str) -> float:
    score = 0.0
    for line in sample:
        cells = _cells(line, delimiter)
        filled = [cell for cell in cells if cell]
        good = sum(_is_value(cell) for cell in filled)
        if len(cells) >= 2 and good:
            # A wrong delimiter makes cells that are no values, so the share counts squared.
            score += good * (good / len(filled)) ** 2
    return score


def _header(
    before: list[tuple[int, list[str]]],
    lines: list[tuple[int, str]],
    data_line: int,
    width: int,
    delimiter: str,
) -> tuple[list[str], int, list[str] | None]:
    """Names, line number and units row; names are ``1``, ``2``, ... where there is no header."""
    units: list[str] | None = None
    candidates = list(before)
    if candidates and _is_units_row(candidates[-1][1]):
        units = candidates.pop()[1]
    for line_number, cells in reversed(candidates):
        if sum(bool(cell) for cell in cells) >= 2:
            return cells, line_number, units
    for line_number, line in reversed([entry for entry in lines if entry[0] < data_line]):
        cells = _cells(line.strip().lstrip("#/% "), delimiter)
        if _is_comment(line) and len(cells) == width and any(recognised(c) for c in cells):
            return cells, line_number, units
    return [str(index + 1) for index in range(width)], data_line, units


def _is_units_row(cells: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell.strip("-[]() ")]
    known = sum(unit_of(cell) is not None for cell in filled)
    named = sum(recognised(cell) is not None for cell in filled if cell.lower() != "rpm")
    return bool(filled) and known >= 0.5 * len(filled) and named == 0


def _demand(chosen: Mapping[str, Column], grid: _Grid, where: str) -> None:
    names = ", ".join(name[:40] or "(no name)" for name in grid.header[:12])
    if all(name.isdigit() for name in grid.header):
        names += " (the table has no header, so its columns are called by their numbers)"
    if "time" not in chosen:
        raise InputError(
            f"{where}: no time column among {names}; name one in the header, such as "
            '"time (s)", or map it, such as time="T:s"'
        )
    if not set(chosen) & {"speed", "rpm", "wheel_speed"} and not {"lat", "lon"} <= set(chosen):
        raise InputError(
            f"{where}: no column of speed, RPM or position among {names}; name it in the header, "
            'such as "speed (km/h)" or "rpm", or map it, such as speed="V:mph"'
        )


def _times(
    candidates: Sequence[Column],
    chosen: Mapping[str, Column],
    grid: _Grid,
    utc_offset_h: float,
    where: str,
) -> tuple[TableTimes, _Used]:
    """The table's own elapsed column where it has one, else the first time column that reads."""
    dates = _column(grid, chosen["date"]) if "date" in chosen else None
    failure: InputError | None = None
    for column in sorted(candidates, key=lambda c: (c.unit is None, c.index)):
        roles = {**chosen, "time": column}
        try:
            used = _Used(roles, _signs(grid, roles, where))
            times = table_times(
                _column(grid, column),
                column,
                dates,
                numbers=used.numbers(grid, "time"),
                utc_offset_h=utc_offset_h,
                where=where,
            )
            return times, used
        except InputError as error:
            failure = failure or error
    raise failure or InputError(f"{where}: no time column")


def _signs(grid: _Grid, columns: Mapping[str, Column], where: str) -> dict[str, str]:
    indices = {column.index for column in columns.values()}
    others = [
        [row[index] for row in grid.rows[:LOOKED_AT_ROWS] if index < len(row)]
        for index in range(len(grid.header))
        if index not in indices
    ]
    written = {
        role: WrittenNumber(column.name, _column(grid, column), role, _si(column))
        for role, column in columns.items()
    }
    return decimal_signs(written, others, parted_by_comma=grid.delimiter == ",", where=where)


def _column(grid: _Grid, column: Column) -> list[str]:
    return [row[column.index] if column.index < len(row) else "" for row in grid.rows]


def _si(column: Column) -> float:
    """SI units in one unit of a column; NaN for a time without a unit."""
    if column.role == "time":
        return TIME_SECONDS[column.unit] if column.unit else float("nan")
    if column.role in ("speed", "wheel_speed", "speed_sigma") and column.unit is not None:
        return mps_per(column.unit)
    return FOOT_M if column.role == "alt" and column.unit == "ft" else 1.0


def _unparsable(
    grid: _Grid, t_s: FloatArray, values: Mapping[str, FloatArray], chosen: Mapping[str, Column]
) -> int:
    """Rows whose time cannot be read, or with a used cell that is filled but no number."""
    bad = np.array([bool(cell) for cell in _column(grid, chosen["time"])]) & ~np.isfinite(t_s)
    for role, column in chosen.items():
        if role in CHANNELS:
            filled = np.array([bool(cell) for cell in _column(grid, column)])
            bad |= filled & ~np.isfinite(values[CHANNELS[role]])
    short = np.array([len(row) < 2 for row in grid.rows])
    return int(np.count_nonzero(bad | short))


def _demand_revs(rpm: FloatArray | None, column: Column | None, where: str) -> None:
    highest = 0.0 if rpm is None else float(np.max(rpm, initial=0.0, where=np.isfinite(rpm)))
    if column is not None and 0 < highest < LEAST_RPM:
        raise InputError(
            f"{where}: column {column.name!r} never passes {highest:g}, which is no engine speed; "
            "export it in revolutions a minute, not in thousands"
        )


def _demand_gain(speed_mps: FloatArray | None, t_s: FloatArray, where: str) -> None:
    """Refuse a record over which the speed changes faster than a vehicle's can."""
    if speed_mps is None:
        return
    good = np.isfinite(speed_mps) & np.isfinite(t_s)
    if np.count_nonzero(good) < LEAST_RECORDS:
        return
    lasts_s = float(np.ptp(t_s[good]))
    gained_mps = float(np.ptp(np.quantile(speed_mps[good], (0.05, 0.95))))  # wild ones aside
    if gained_mps > MOST_GAIN_MPS2 * lasts_s:
        raise InputError(
            f"{where}: the speed changes by {gained_mps:.3g} m/s though the whole record lasts "
            f"{lasts_s:.3g} s; check the units of time and speed"
        )


def _demand_values(values: Mapping[str, FloatArray], t_s: FloatArray, where: str) -> None:
    usable = np.isfinite(t_s)
    if not any(bool(np.any(np.isfinite(array) & usable)) for array in values.values()):
        raise InputError(
            f"{where}: the columns {', '.join(values)} hold no number beside a time; check the "
            "table or map other columns"
        )


FORMAT = LogFormat(lambda head: not head.is_binary, read_table, takes_columns=True)
