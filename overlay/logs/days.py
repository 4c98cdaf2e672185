"""Days of records: midnights passed, GPS weeks that roll over."""

from __future__ import annotations

from collections.abc import Sequence

DAY_S = 86400.0
# A GPS receiver counts weeks modulo 1024 (IS-GPS-200, week number of ten bits).
WEEK_ROLLOVER_DAYS = 1024 * 7
FIRST_YEAR, LAST_YEAR = 1980, 2100  # GPS time starts on 6 January 1980


def days_unwrapped(
    time_of_day_s: Sequence[float], day: Sequence[int | None]
) -> tuple[list[int], int, int, bool]:
    """Give each record its day, passing midnights and GPS week rollovers.

    Parameters
    ----------
    time_of_day_s : sequence of float, length n
        Seconds since midnight of each record, in file order.
    day : sequence of int or None, length n
        Ordinal day where the record carries a date.

    Returns
    -------
    day : list of int, length n
        Ordinal days; counted from 0 where no record carries a date.
    midnights, week_rollovers : int
        Passed and accounted for. Dates that jump by a multiple of 1024 weeks (give or take a
        day) are put on the later calendar, since a receiver that has lost count is behind.
    dated : bool
        Whether any record carries a date.

    Examples
    --------
    >>> days_unwrapped([86399.0, 0.0], [None, None])
    ([0, 1], 1, 0, False)
    >>> days_unwrapped([10.0, 11.0], [737521, 737521 - 7168])
    ([737521, 737521], 0, 1, True)
    """
    calendar, weeks = _on_one_calendar(day)
    found = [index for index, value in enumerate(calendar) if value is not None]
    if not len(time_of_day_s):
        return [], 0, weeks, False
    first = found[0] if found else 0
    current = calendar[first] or 0
    days = [0] * len(calendar)
    for index in range(first, -1, -1):
        if index < first and time_of_day_s[index] > time_of_day_s[index + 1] + DAY_S / 2:
            current -= 1
        days[index] = current
    for index in range(first + 1, len(calendar)):
        known = calendar[index]
        if known is not None:
            days[index] = known
        else:
            wrapped = time_of_day_s[index] < time_of_day_s[index - 1] - DAY_S / 2
            days[index] = days[index - 1] + int(wrapped)
    midnights = sum(
        days[i] == days[i - 1] + 1 and time_of_day_s[i] < time_of_day_s[i - 1]
        for i in range(1, len(days))
    )
    return days, midnights, weeks, bool(found)


def _on_one_calendar(day: Sequence[int | None]) -> tuple[list[int | None], int]:
    shift = highest = rollovers = 0
    last: int | None = None
    calendar: list[int | None] = []
    for value in day:
        if value is not None:
            moved = value + shift
            if last is not None:
                laps = round((moved - last) / WEEK_ROLLOVER_DAYS)
                if laps and abs(moved - last - laps * WEEK_ROLLOVER_DAYS) <= 1:
                    rollovers += 1
                    shift -= laps * WEEK_ROLLOVER_DAYS
                    moved = value + shift
            highest = min(highest, shift)
            last = moved
        calendar.append(None if value is None else value + shift)
    # The smallest shift belongs to the latest calendar, on which all dates are then put.
    return [None if value is None else value - highest for value in calendar], rollovers
