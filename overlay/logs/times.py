"""The time column of a table: elapsed seconds, times of day, dates with times, epochs."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from functools import lru_cache
from typing import Literal

import numpy as np

from overlay.errors import InputError
from overlay.logs.days import DAY_S, FIRST_YEAR, LAST_YEAR, days_unwrapped
from overlay.logs.headers import TIME_SECONDS, Column
from overlay.logs.numbers import LONGEST_CELL, STEP_S
from overlay.timebase import FloatArray

CLOCK_TIME = re.compile(
    r"(?:(\d{1,4}):)?(\d{1,2}):(\d{1,2}(?:[.,]\d*)?)\s*(?:Z|UTC)?", re.IGNORECASE
)
COMPACT_TIME = re.compile(r"([01]\d|2[0-3])([0-5]\d)([0-5]\d(?:\.\d*)?)")
DATE_FIRST = re.compile(
    r"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4}|\d{8}T\d{4}"
    r"|\d{1,2}[- ][A-Za-z]{3,9}[- ]\d{4}"
)
SECONDS = re.compile(r"(?<=:\d\d):([0-5]\d|60)(?:[.,](\d+))?(?!\d)")
TO_THE_SECOND = re.compile(r":\d\d:\d\d(?!\d)|[T ]\d{6}(?!\d)")
EXPONENT = re.compile(r"\d[eE][+]?\d")
NAMED_CLOCK = re.compile(r"utc|gmt|gps", re.IGNORECASE)
# Numbers in this range are seconds since 1970 (from 2001 to 2100): no logger runs for so long.
EPOCH_S = (1e9, 4.1e9)
EPOCH_UNITS = (("s", 1), ("ms", 10**3), ("us", 10**6), ("ns", 10**9))
# Days since 30 December 1899 from 1982 to 2064: how spreadsheets keep dates (ECMA-376 part 1,
# 18.17.4.1). As seconds such numbers would step faster than any logger writes.
SERIAL_DAYS = (30_000.0, 60_000.0)
SERIAL_STEP = 10.0 / DAY_S
SERIAL_ORIGIN = datetime(1899, 12, 30)
# Counters that start again at zero: 16 and 32 bits of any unit; seconds of a day and of a week.
COUNTER_ENDS = (2.0**16, 2.0**32)
CLOCK_ENDS_S = (DAY_S, 7 * DAY_S)
WRAP_STEPS = 50.0  # a wrap that misses more steps than this looks like another record


@dataclass(frozen=True, eq=False)
class TableTimes:
    """Times of a table's records.

    Attributes
    ----------
    clock, origin
        As in :class:`overlay.logs.clean.Raw`.
    t_s : ndarray of float, shape (n,)
        NaN where a record has no readable time.
    rollovers : int
        Midnights, GPS weeks and ends of counters passed.
    notes : tuple of str
    """

    clock: Literal["utc", "elapsed", "footage"]
    t_s: FloatArray
    origin: datetime | None = None
    rollovers: int = 0
    notes: tuple[str, ...] = ()


def table_times(
    cells: Sequence[str],
    column: Column,
    dates: Sequence[str] | None,
    *,
    numbers: FloatArray,
    utc_offset_h: float,
    where: str,
) -> TableTimes:
    """Read a time column.

    Parameters
    ----------
    cells : sequence of str, length n
        The column as written.
    column : Column
        Its name and unit.
    dates : sequence of str or None
        A date column beside it.
    numbers : ndarray of float, shape (n,)
        The cells as plain numbers, NaN where they are none.
    utc_offset_h : float
        Hours that date-times without a zone run ahead of UTC.
    where : str
        File and line, for messages.

    Raises
    ------
    InputError
        If the times cannot be read, stand still, or their unit is not known.
    """
    filled = [cell.strip() for cell in cells if cell.strip()]
    if not filled:
        raise InputError(f"{where}: time column {column.name!r} is empty; name another")
    if len(filled) > 2 and len(set(filled)) == 1:
        raise InputError(
            f"{where}: time column {column.name!r} holds {filled[0][:LONGEST_CELL]!r} in every "
            "row; name another with a column map"
        )
    if len(set(filled)) < 0.5 * len(filled) and any(EXPONENT.search(cell) for cell in filled):
        raise InputError(
            f"{where}: times in {column.name!r} such as {filled[0][:LONGEST_CELL]!r} have lost "
            "their last digits; give the column a number format with all digits and export again"
        )
    share = len(filled) / 2
    if sum(bool(DATE_FIRST.match(cell)) for cell in filled) > share:
        return _date_times(cells, column, utc_offset_h, where)
    compact = column.unit is None and NAMED_CLOCK.search(column.name)
    if compact and sum(bool(COMPACT_TIME.fullmatch(cell)) for cell in filled) > share:
        seconds = [_clock_s(cell, COMPACT_TIME) for cell in cells]
        return _clock_times(seconds, column, dates, utc_offset_h)
    if sum(bool(CLOCK_TIME.fullmatch(cell)) for cell in filled) > share:
        return _clock_times([_clock_s(cell) for cell in cells], column, dates, utc_offset_h)
    return _plain_numbers(numbers, column, utc_offset_h, where)


def instant(text: str, *, order: str = "ymd", local: timezone = UTC) -> datetime | None:
    """A date with a time of day, to the second at least; None where it is none.

    Parameters
    ----------
    text : str
        As written in a file: ISO 8601 or any usual order and wording.
    order : str
        ``ymd``, ``dmy`` or ``mdy``, for dates in figures.
    local : timezone
        For a time without a zone.

    Examples
    --------
    >>> instant("2026-05-02T10:00:00.25Z").isoformat()
    '2026-05-02T10:00:00.250000+00:00'
    >>> instant("2.5.2026 10:00:60 pm +0200", order="dmy").isoformat()
    '2026-05-02T22:01:00+02:00'
    >>> instant("2026-05-02"), instant("2026-05-02 10:00:1")
    (None, None)
    """
    text = text.strip()
    if len(text) > LONGEST_CELL:
        return None
    try:
        iso = order == "ymd" and TO_THE_SECOND.search(text)
        found = datetime.fromisoformat(text) if iso else None
    except ValueError:
        found = None
    if found is None:
        # Parsed to the minute, which many records share, since parsing is slow; then the seconds.
        seconds = SECONDS.search(text)
        if seconds is None:
            return None
        minute = _minute(text[: seconds.start()] + text[seconds.end() :], order)
        if minute is None:
            return None
        fraction = f"{seconds.group(2) or '0':0<6}"[:6]
        found = minute + timedelta(seconds=int(seconds.group(1)), microseconds=int(fraction))
    if not FIRST_YEAR <= found.year <= LAST_YEAR:
        return None
    return found if found.tzinfo else found.replace(tzinfo=local)


@lru_cache(maxsize=4096)
def _minute(text: str, order: str) -> datetime | None:
    from dateutil import parser

    try:
        found = parser.parse(text, dayfirst=order == "dmy", yearfirst=order == "ymd", tzinfos=_zone)
        found.utcoffset()
    except (ValueError, OverflowError, TypeError):
        return None
    return found if FIRST_YEAR <= found.year <= LAST_YEAR else None


def since_first(times: Sequence[datetime | None]) -> tuple[FloatArray, datetime | None]:
    """Seconds after the first time there is, NaN where there is none, and that time."""
    origin = next((time for time in times if time is not None), None)
    second = timedelta(seconds=1)
    since = [
        np.nan if time is None or origin is None else (time - origin) / second for time in times
    ]
    return np.array(since), origin


def _zone(name: str | None, offset_s: int | None) -> timezone | None:
    if name not in (None, "Z", "UTC", "GMT"):
        raise ValueError(name)  # names of zones mean different things in different places
    return None if offset_s is None else timezone(timedelta(seconds=offset_s))


def _plain_numbers(
    numbers: FloatArray, column: Column, utc_offset_h: float, where: str
) -> TableTimes:
    finite = numbers[np.isfinite(numbers)]
    if len(finite) < 0.5 * len(numbers) or not len(finite):
        raise InputError(
            f"{where}: time column {column.name!r} holds neither numbers nor times; name another "
            "with a column map"
        )
    middle = float(np.median(finite))
    for unit, per_second in EPOCH_UNITS:
        if EPOCH_S[0] < middle / per_second < EPOCH_S[1]:
            if column.unit not in (None, unit):
                raise InputError(
                    f"{where}: time column {column.name!r} is called {column.unit}, but its "
                    f'numbers are {unit} since 1970; map time="{column.name}:{unit}"'
                )
            return _epochs(numbers, middle, per_second)
    step = float(np.median(np.abs(np.diff(finite)))) if len(finite) > 1 else 0.0
    in_days = column.unit in (None, "d") and SERIAL_DAYS[0] < middle < SERIAL_DAYS[1]
    if in_days and step < SERIAL_STEP:
        return _serial_days(numbers, finite, utc_offset_h)
    notes: list[str] = []
    if column.unit is None:
        if step > 5.0 or 0 < step < 5e-5:
            raise InputError(
                f"{where}: time column {column.name!r} does not say its unit and steps by "
                f'{step:.3g}; write "{column.name} (ms)" in the header or map time="'
                f'{column.name}:ms" (s, ms, us, min, h or d)'
            )
        notes.append(f"time column {column.name!r} does not say its unit; seconds are taken")
    scale = TIME_SECONDS[column.unit or "s"]
    if middle * scale > EPOCH_S[0]:
        raise InputError(
            f"{where}: time column {column.name!r} holds about {middle:.4g}, which is no time "
            "since a start and no time since 1970; check its unit or map another column"
        )
    if column.unit is not None and 0 < step * scale < STEP_S[0]:
        raise InputError(
            f"{where}: time column {column.name!r} is called {column.unit} but steps by "
            f"{step:.3g}, faster than any logger writes; check its unit and map it, such as "
            f'time="{column.name}:s"'
        )
    unwrapped, wraps = _unwrapped(numbers, scale)
    if wraps:
        notes.append(
            f"the counter of time column {column.name!r} passes its end {wraps} time(s) and starts "
            "again; its times are joined"
        )
    # Division keeps 0.1 s from 100 ms exact where a product with 0.001 would not.
    t_s = unwrapped / round(1 / scale) if scale < 1 else unwrapped * scale
    return TableTimes("elapsed", t_s, None, wraps, tuple(notes))


def _epochs(numbers: FloatArray, middle: float, per_second: int) -> TableTimes:
    origin_s = float(np.floor(middle / per_second))
    t_s = np.asarray((numbers - origin_s * per_second) / per_second)
    wild = ~np.isfinite(t_s) | (np.abs(t_s) > 366 * DAY_S)
    start = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=origin_s)
    return TableTimes("utc", np.where(wild, np.nan, t_s), start)


def _serial_days(numbers: FloatArray, finite: FloatArray, utc_offset_h: float) -> TableTimes:
    first_day = float(np.floor(np.median(finite)))
    # A cell keeps 15 digits, which is a microsecond of such a day.
    t_s = np.round((numbers - first_day) * DAY_S, 5)
    origin = (SERIAL_ORIGIN + timedelta(days=first_day)).replace(tzinfo=UTC)
    note = (
        f"times are a spreadsheet's days since 1900; the first is read as "
        f"{origin + timedelta(seconds=float(t_s[np.isfinite(t_s)][0])):%Y-%m-%d %H:%M:%S}"
    )
    return TableTimes("utc", t_s, origin - timedelta(hours=utc_offset_h), 0, (note,))


def _unwrapped(numbers: FloatArray, scale: float) -> tuple[FloatArray, int]:
    """Times of a counter that started again, joined, and how often it did."""
    rows = np.flatnonzero(np.isfinite(numbers))
    steps = np.diff(numbers[rows])
    forward = steps[steps > 0]
    if not len(forward) or not bool(np.any(steps < 0)):
        return numbers, 0
    usual = float(np.median(forward))
    joined = np.zeros(len(rows))
    wraps = 0
    for end in (*COUNTER_ENDS, *(end_s / scale for end_s in CLOCK_ENDS_S)):
        wrapped = (steps < 0) & (steps + end > 0) & (steps + end <= WRAP_STEPS * usual)
        if end <= 2 * WRAP_STEPS * usual or not bool(np.any(wrapped)):
            continue
        joined[1:] += end * np.cumsum(wrapped)
        wraps += int(np.count_nonzero(wrapped))
        break
    whole = numbers.copy()
    whole[rows] += joined
    return whole, wraps


def _clock_s(cell: str, pattern: re.Pattern[str] = CLOCK_TIME) -> float | None:
    match = pattern.fullmatch(cell.strip()) if len(cell) <= LONGEST_CELL else None
    if match is None:
        return None
    hours, minutes, seconds = match.groups()
    seconds_s = float(seconds.replace(",", "."))
    if (int(minutes) > 59 and hours is not None) or seconds_s >= 61:
        return None
    return int(hours or 0) * 3600 + int(minutes) * 60 + seconds_s


def _clock_times(
    seconds: Sequence[float | None],
    column: Column,
    dates: Sequence[str] | None,
    utc_offset_h: float,
) -> TableTimes:
    rows = [row for row, value in enumerate(seconds) if value is not None]
    of_day = [value for value in seconds if value is not None]
    days_read, notes = _days(dates, rows)
    days, midnights, weeks, dated = days_unwrapped(of_day, days_read)
    t_s = np.full(len(seconds), np.nan)
    if not rows:
        return TableTimes("elapsed", t_s)
    t_s[rows] = np.array([(day - days[0]) * DAY_S for day in days]) + np.array(of_day)
    if midnights:
        notes.append(f"the record passes midnight {midnights} time(s)")
    if weeks:
        notes.append(
            f"the date jumps by 1024 weeks {weeks} time(s), a GPS week rollover; all records are "
            "put on the later calendar"
        )
    origin = None
    if dated:
        origin = datetime.fromordinal(days[0]).replace(tzinfo=UTC) - timedelta(hours=utc_offset_h)
    is_utc = dated or bool(NAMED_CLOCK.search(column.name))
    return TableTimes("utc" if is_utc else "elapsed", t_s, origin, midnights + weeks, tuple(notes))


def _days(dates: Sequence[str] | None, rows: Sequence[int]) -> tuple[list[int | None], list[str]]:
    if dates is None:
        return [None] * len(rows), []
    order = _day_order([dates[row] for row in rows])
    if order is None:
        return [None] * len(rows), [
            "the date column may be day/month or month/day; it is left out (write year-month-day)"
        ]
    found = [instant(f"{dates[row]} 00:00:00", order=order) if dates[row] else None for row in rows]
    return [None if day is None else day.toordinal() for day in found], []


def _day_order(cells: Sequence[str]) -> str | None:
    """``ymd``, ``dmy`` or ``mdy``; None where the last two may both be meant."""
    distinct = {cell.strip()[:LONGEST_CELL] for cell in cells} - {""}
    if all(re.fullmatch(r"\d{8}", cell) for cell in distinct):
        return "ymd"
    parts = [re.findall(r"\d+", cell)[:3] for cell in distinct if not re.search("[A-Za-z]", cell)]
    whole = [[int(number) for number in part] for part in parts if len(part) == 3]
    if not whole or sum(part[0] > 1000 for part in whole) > len(whole) / 2:
        return "ymd"
    if all("." in cell for cell in distinct):
        return "dmy"  # points between the numbers go with day first
    if any(part[0] > 12 for part in whole):
        return "dmy"
    if any(part[1] > 12 for part in whole) and all(part[0] <= 12 for part in whole):
        return "mdy"
    return None


def _date_times(
    cells: Sequence[str], column: Column, utc_offset_h: float, where: str
) -> TableTimes:
    order = _day_order([re.split(r"[T\s](?=\d{1,2}:|\d{4})", cell.strip())[0] for cell in cells])
    if order is None:
        raise InputError(
            f"{where}: dates in {column.name!r} may be day/month or month/day; write year-month-day"
        )
    local = timezone(timedelta(hours=utc_offset_h))
    times = [instant(cell, order=order, local=local) for cell in cells]
    t_s, origin = since_first(times)
    if origin is None:
        raise InputError(
            f"{where}: no date-time in column {column.name!r} can be read; write them with "
            "seconds, as 2026-05-01T10:00:00.1Z"
        )
    return TableTimes("utc", t_s, origin)
