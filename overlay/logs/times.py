"""The time column of a table: elapsed seconds, times of day, dates with times, epochs."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone
from typing import Literal

import numpy as np

from overlay.errors import InputError
from overlay.logs.days import DAY_S, FIRST_YEAR, LAST_YEAR, days_unwrapped
from overlay.logs.headers import TIME_SECONDS, Column
from overlay.timebase import FloatArray

CLOCK_TIME = re.compile(
    r"(?:(\d{1,4}):)?(\d{1,2}):(\d{1,2}(?:[.,]\d*)?)\s*(?:Z|UTC)?", re.IGNORECASE
)
COMPACT_TIME = re.compile(r"([01]\d|2[0-3])([0-5]\d)([0-5]\d(?:\.\d*)?)")
DATE_FIRST = re.compile(r"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4}|\d{8}T\d{4}")
DATE_TIME = re.compile(
    r"(\S+?)(?:T|\s+)(\d{1,2}):?(\d{2}):?(\d{2})(?:[.,](\d+))?\s*([ap]m)?\s*(.*)", re.IGNORECASE
)
# Numbers in these ranges are seconds since 1970 (from 2001 to 2100): no logger runs for so long.
EPOCH_S = (1e9, 4.1e9)


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
        Midnights and GPS weeks passed.
    notes : tuple of str
    """

    clock: Literal["utc", "elapsed"]
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
        If the times cannot be read or their unit cannot be told.
    """
    filled = [cell.strip() for cell in cells if cell.strip()]
    if not filled:
        raise InputError(f"{where}: time column {column.name!r} is empty; name another")
    share = len(filled) / 2
    if sum(bool(DATE_FIRST.match(cell)) for cell in filled) > share:
        return _date_times(cells, column, utc_offset_h, where)
    compact = column.unit is None and re.search(r"utc|gmt|gps", column.name, re.IGNORECASE)
    if compact and sum(bool(COMPACT_TIME.fullmatch(cell)) for cell in filled) > share:
        seconds = [_compact_s(cell) for cell in cells]
        return _clock_times(seconds, column, dates, utc_offset_h)
    if sum(bool(CLOCK_TIME.fullmatch(cell)) for cell in filled) > share:
        return _clock_times([_clock_s(cell) for cell in cells], column, dates, utc_offset_h)
    return _plain_numbers(numbers, column, where)


def _plain_numbers(numbers: FloatArray, column: Column, where: str) -> TableTimes:
    finite = numbers[np.isfinite(numbers)]
    if len(finite) < 0.5 * len(numbers) or not len(finite):
        raise InputError(
            f"{where}: time column {column.name!r} holds neither numbers nor times; name another "
            "with a column map"
        )
    middle = float(np.median(finite))
    for unit, factor in (("s", 1.0), ("ms", 1e-3), ("us", 1e-6)):
        if EPOCH_S[0] < middle * factor < EPOCH_S[1] and column.unit in (None, unit):
            origin_s = np.floor(finite[0] * factor)
            t_s = np.asarray((numbers - origin_s / factor) * factor)
            wild = ~np.isfinite(t_s) | (np.abs(t_s) > 366 * DAY_S)
            start = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=float(origin_s))
            return TableTimes("utc", np.where(wild, np.nan, t_s), start)
    notes: tuple[str, ...] = ()
    if column.unit is None:
        step = float(np.median(np.abs(np.diff(finite)))) if len(finite) > 1 else 0.0
        if step > 5.0:
            raise InputError(
                f"{where}: time column {column.name!r} does not say its unit and steps by "
                f'{step:g}; write "{column.name} (ms)" in the header or map time="'
                f'{column.name}:ms" (s, ms, us, min or h)'
            )
        notes = (f"time column {column.name!r} does not say its unit; seconds are taken",)
    scale = TIME_SECONDS[column.unit or "s"]
    # Division keeps 0.1 s from 100 ms exact where a product with 0.001 would not.
    t_s = numbers / round(1 / scale) if scale < 1 else numbers * scale
    return TableTimes("elapsed", t_s, notes=notes)


def _clock_s(cell: str) -> float | None:
    match = CLOCK_TIME.fullmatch(cell.strip())
    if match is None:
        return None
    hours, minutes, seconds = match.groups()
    seconds_s = float(seconds.replace(",", "."))
    if (int(minutes) > 59 and hours is not None) or seconds_s >= 61:
        return None
    return int(hours or 0) * 3600 + int(minutes) * 60 + seconds_s


def _compact_s(cell: str) -> float | None:
    match = COMPACT_TIME.fullmatch(cell.strip())
    if match is None:
        return None
    hours, minutes, seconds = match.groups()
    return int(hours) * 3600 + int(minutes) * 60 + float(seconds)


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
        notes.append(f"the date jumps by 1024 weeks {weeks} time(s), a GPS week rollover; mended")
    origin = None
    if dated:
        first = date.fromordinal(days[0])
        origin = datetime(first.year, first.month, first.day, tzinfo=UTC)
        origin -= timedelta(hours=utc_offset_h)
    is_utc = dated or bool(re.search(r"utc|gmt|gps", column.name, re.IGNORECASE))
    return TableTimes("utc" if is_utc else "elapsed", t_s, origin, midnights + weeks, tuple(notes))


def _days(dates: Sequence[str] | None, rows: Sequence[int]) -> tuple[list[int | None], list[str]]:
    if dates is None:
        return [None] * len(rows), []
    order = _day_order([dates[row] for row in rows])
    if order is None:
        return [None] * len(rows), [
            "the date column may be day/month or month/day; it is left out (write year-month-day)"
        ]
    days: list[int | None] = []
    for row in rows:
        parsed = _date(dates[row], order)
        days.append(None if parsed is None else parsed.toordinal())
    return days, []


def _day_order(cells: Sequence[str]) -> str | None:
    """``ymd``, ``dmy`` or ``mdy``; None where the last two cannot be told apart."""
    if all(re.fullmatch(r"\d{8}", cell) for cell in cells if cell.strip()):
        return "ymd"
    parts = [re.findall(r"\d+", cell)[:3] for cell in cells]
    whole = [[int(number) for number in part] for part in parts if len(part) == 3]
    if not whole or sum(part[0] > 1000 for part in whole) > len(whole) / 2:
        return "ymd"
    if all("." in cell for cell in cells if cell.strip()):
        return "dmy"  # points between the numbers go with day first
    if any(part[0] > 12 for part in whole):
        return "dmy"
    if any(part[1] > 12 for part in whole) and all(part[0] <= 12 for part in whole):
        return "mdy"
    return None


def _date(text: str, order: str) -> date | None:
    numbers = re.findall(r"\d+", text)[:3]
    if len(numbers) == 1 and len(numbers[0]) == 8 and order == "ymd":
        numbers = [numbers[0][:4], numbers[0][4:6], numbers[0][6:]]
    if len(numbers) != 3:
        return None
    part = dict(zip(order, (int(number) for number in numbers), strict=True))
    if not FIRST_YEAR <= part["y"] <= LAST_YEAR:
        return None
    try:
        return date(part["y"], part["m"], part["d"])
    except ValueError:
        return None


def _date_times(
    cells: Sequence[str], column: Column, utc_offset_h: float, where: str
) -> TableTimes:
    order = _day_order([re.split(r"[T\s]", cell.strip())[0] for cell in cells])
    if order is None:
        raise InputError(
            f"{where}: dates in {column.name!r} may be day/month or month/day; write year-month-day"
        )
    local = timezone(timedelta(hours=utc_offset_h))
    times = [_date_time(cell.strip(), order, local) for cell in cells]
    origin = next((time for time in times if time is not None), None)
    if origin is None:
        raise InputError(
            f"{where}: no date-time in column {column.name!r} can be read; write them as "
            "2026-05-01T10:00:00.1Z"
        )
    second = timedelta(seconds=1)
    t_s = np.array([np.nan if time is None else (time - origin) / second for time in times])
    return TableTimes("utc", t_s, origin)


def _date_time(text: str, order: str, local: timezone) -> datetime | None:
    match = DATE_TIME.fullmatch(text)
    if match is None:
        return None
    day = _date(match.group(1), order)
    half_day, zone_text = match.group(6) or "", match.group(7)
    zone = _zone(zone_text, local)
    hours, minutes, seconds = (int(part) for part in match.group(2, 3, 4))
    if half_day and 1 <= hours <= 12:
        hours = hours % 12 + (12 if half_day.lower() == "pm" else 0)
    if day is None or zone is None or hours > 23 or minutes > 59 or seconds > 60:
        return None
    fraction = match.group(5) or "0"
    since = timedelta(
        hours=hours, minutes=minutes, seconds=seconds, microseconds=int(f"{fraction:0<6}"[:6])
    )
    return datetime(day.year, day.month, day.day, tzinfo=zone) + since


def _zone(text: str, local: timezone) -> timezone | None:
    if not text:
        return local
    if text.upper() in ("Z", "UTC", "GMT"):
        return UTC
    match = re.fullmatch(r"([+-])(\d{2}):?(\d{2})?", text)
    if match is None:
        return None
    minutes = int(match.group(2)) * 60 + int(match.group(3) or 0)
    if minutes >= 24 * 60:
        return None
    return timezone(timedelta(minutes=minutes if match.group(1) == "+" else -minutes))
