"""From raw records to a log: what is wrong is taken out and counted, nothing is invented."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Literal

import numpy as np
import numpy.typing as npt

from overlay.errors import InputError
from overlay.logs.model import ALTITUDE, LATITUDE, LONGITUDE, RPM, SPEED, WHEEL_SPEED, Cleaning, Log
from overlay.logs.order import in_order, mostly_descending
from overlay.logs.positions import distinct_rows, speed_from_positions
from overlay.series import Series
from overlay.timebase import FloatArray
from overlay.units import MPS_PER

SPEED_SIGMA = "speed_sigma_mps"
GAP_STEPS = 2.5  # a stretch longer than this many median steps is a gap: one record may be late
MOST_LOST = 0.5  # losing more than this share is no damage but a misunderstanding
# Beyond these a value cannot be true of a vehicle on the ground: the fastest dragster of the
# textbooks reaches 145 m/s, and no piston engine turns at 30 000 a minute on a small vehicle.
LIMITS: dict[str, tuple[float, float]] = {
    SPEED: (0.0, 200.0),
    WHEEL_SPEED: (0.0, 200.0),
    RPM: (0.0, 30_000.0),
    LATITUDE: (-90.0, 90.0),
    LONGITUDE: (-180.0, 180.0),
    ALTITUDE: (-500.0, 10_000.0),
    SPEED_SIGMA: (0.0, 200.0),
}
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Raw:
    """Records of one file in file order, in SI units, not yet cleaned."""

    # As in :class:`overlay.logs.model.Log`
    path: str
    format: str
    clock: Literal["utc", "elapsed", "footage"]
    # shape (n,): seconds after `origin`, or the file's own time column; NaN where a record has no
    # time
    t_s: FloatArray
    # shape (n,): channels by name; NaN where a record has no
    # value
    values: Mapping[str, FloatArray]
    origin: datetime | None = None  # What `t_s` counts from on a UTC clock with dates
    # shape (n,), or None: numbers of pieces that nothing may be computed across
    segment: IntArray | None = None
    speed_source: str | None = None  # Where the speed came from
    counts: Cleaning = field(default_factory=Cleaning)  # What the reader itself dropped and noted
    columns: str | None = None  # Of a table: which column is taken for what
    # What speeds are rounded to, m/s, as of :class:`overlay.series.Series`
    speed_step: float | None = None


def cleaned(raw: Raw) -> Log:
    """Turn raw records into a log.

    Values out of range become missing; of records with one time the first is kept (missing values
    are filled from the others); records that are out of order are sorted where that is what they
    are; of records whose times step back the longest run of increasing times in file order is
    kept, so that neither a short step back nor one wild time costs more than itself. Gaps are
    listed and never filled.

    Raises
    ------
    InputError
        If most records would be lost: then it is not damage but another kind of file than it is
        taken for.
    """
    _refuse_mass_loss(raw)
    values, out_of_range = _within_limits(raw.values)
    present = np.zeros(len(raw.t_s), dtype=bool)
    for array in values.values():
        present |= np.isfinite(array)
    rows = np.flatnonzero(present & np.isfinite(raw.t_s))
    kept, lost, notes = _in_time(raw, values, rows)
    notes = [*raw.counts.notes, *notes]
    t_s, start_utc = _rebased(raw, raw.t_s[kept])
    channels = _channels(t_s, {name: array[kept] for name, array in values.items()})
    if SPEED in channels:
        channels[SPEED] = replace(channels[SPEED], step=raw.speed_step)
    source = raw.speed_source if SPEED in channels else None
    if SPEED not in channels:
        segment = None if raw.segment is None else raw.segment[kept]
        source = _add_position_speed(channels, t_s, segment, notes)
    notes += _repeat_notes(channels) + (_unit_notes(channels) if source != "positions" else [])
    counts = replace(
        raw.counts,
        records_kept=len(kept),
        duplicates=raw.counts.duplicates + lost["duplicates"],
        backward_steps=raw.counts.backward_steps + lost["backward"],
        out_of_range=raw.counts.out_of_range + out_of_range,
        without_time=raw.counts.without_time + int(np.count_nonzero(present)) - len(rows),
        gaps_s=_gaps(channels),
        notes=tuple(notes),
    )
    return Log(
        raw.path, raw.format, raw.clock, start_utc, channels, source, 0.0, counts, raw.columns
    )


def _in_time(
    raw: Raw, values: dict[str, FloatArray], rows: IntArray
) -> tuple[IntArray, dict[str, int], list[str]]:
    """Rows in order of time, how many were lost to repeats and steps back, and notes."""
    notes = []
    if mostly_descending(raw.t_s[rows]):
        rows = rows[::-1]
        notes.append("the newest record comes first; the records are put in order of time")
    rows, duplicates, conflicting = _first_of_each_time(raw.t_s, values, rows)
    if conflicting:
        notes.append(
            f"{conflicting} records repeat a time with other values; the first of each is kept"
        )
    kept, moved = in_order(raw.t_s[rows])
    kept = rows[kept]
    if moved:
        notes.append(f"{moved} records are out of order; they are put in order of time")
    backward = len(rows) - len(kept)
    _refuse_disorder(raw.path, len(kept), backward, conflicting)
    if backward:
        notes.append(
            f"times step back: {backward} of {len(rows)} records that do not follow in order "
            "are left out"
        )
    return kept, {"duplicates": duplicates, "backward": backward}, notes


def _refuse_mass_loss(raw: Raw) -> None:
    for name, array in raw.values.items():
        high, given = LIMITS[name][1], int(np.count_nonzero(np.isfinite(array)))
        if name != ALTITUDE and _is_mass(count := int(np.count_nonzero(array > high)), given):
            raise InputError(
                f"{raw.path}: {count} of {given} values of {name} are above {high:g}, which no "
                "vehicle reaches: check its unit and its decimal sign"
            )
    unreadable = raw.counts.unparsable
    if raw.format == "table" and _is_mass(unreadable, len(raw.t_s)):
        raise InputError(
            f"{raw.path}: {unreadable} of {len(raw.t_s)} rows cannot be read as times and numbers: "
            "check the export, or map other columns"
        )


def _is_mass(lost: int, of: int) -> bool:
    return lost > max(MOST_LOST * of, 3)


def _refuse_disorder(path: str, kept: int, backward: int, conflicting: int) -> None:
    if _is_mass(conflicting, kept + conflicting):
        raise InputError(
            f"{path}: {conflicting} of {kept + conflicting} records repeat a time with other "
            "values, so the times are too coarse: log or export fractions of a second"
        )
    if _is_mass(backward, kept + backward):
        raise InputError(
            f"{path}: the times of {backward} of {kept + backward} records step back; cut the file "
            "into its recordings, sort it by time, or map another time column"
        )


def _within_limits(values: Mapping[str, FloatArray]) -> tuple[dict[str, FloatArray], int]:
    kept: dict[str, FloatArray] = {}
    bad_rows: npt.NDArray[np.bool_] | None = None
    for name, array in values.items():
        low, high = LIMITS[name]
        bad = np.isinf(array) | (array < low) | (array > high)
        kept[name] = np.where(bad, np.nan, array)
        bad_rows = bad if bad_rows is None else bad_rows | bad
    if LATITUDE in kept and LONGITUDE in kept:
        half = np.isnan(kept[LATITUDE]) | np.isnan(kept[LONGITUDE])
        kept[LATITUDE] = np.where(half, np.nan, kept[LATITUDE])
        kept[LONGITUDE] = np.where(half, np.nan, kept[LONGITUDE])
    else:
        kept.pop(LATITUDE, None)  # half a position is none
        kept.pop(LONGITUDE, None)
    return kept, 0 if bad_rows is None else int(np.count_nonzero(bad_rows))


def _first_of_each_time(
    t_s: FloatArray, values: dict[str, FloatArray], rows: IntArray
) -> tuple[IntArray, int, int]:
    """Rows less repeats, how many were dropped, and how many of those differed.

    A repeat has the time of the record just before it, or equals an earlier record in full. What
    has an earlier record's time but other values and comes later belongs to a step back.
    """
    if len(np.unique(t_s[rows])) == len(rows):
        return rows, 0, 0
    first: dict[float, int] = {}
    kept: list[int] = []
    duplicates = conflicting = 0
    for row in rows.tolist():
        time_s = float(t_s[row])
        original = first.setdefault(time_s, row)
        differs = any(
            not np.isnan(array[row]) and array[row] != array[original] for array in values.values()
        )
        if original == row or (differs and t_s[kept[-1]] != time_s):
            kept.append(row)
        elif not differs:
            duplicates += 1
        else:
            clash = _filled_up(values, kept[-1], row)
            duplicates += clash
            conflicting += clash
    return np.array(kept, dtype=np.int64), duplicates, conflicting


def _filled_up(values: dict[str, FloatArray], original: int, row: int) -> bool:
    """Copy what `original` lacks from `row`; whether a value of both differs."""
    clash = False
    for array in values.values():
        if np.isnan(array[original]):
            array[original] = array[row]
        elif not np.isnan(array[row]) and array[row] != array[original]:
            clash = True
    return clash


def _rebased(raw: Raw, t_s: FloatArray) -> tuple[FloatArray, datetime | None]:
    if raw.clock != "utc" or not len(t_s):
        return t_s, raw.origin
    start = None if raw.origin is None else raw.origin + timedelta(seconds=float(t_s[0]))
    # Records carry microseconds at the finest; rounding takes out the float noise below that.
    return np.round(t_s - t_s[0], 6), None if start is None else start.astimezone(UTC)


def _channels(t_s: FloatArray, values: dict[str, FloatArray]) -> dict[str, Series]:
    channels: dict[str, Series] = {}
    sigma = values.pop(SPEED_SIGMA, None)
    for name, array in values.items():
        have = np.isfinite(array)
        if not bool(np.any(have)):
            continue
        own_sigma = sigma[have] if name == SPEED and sigma is not None else None
        if own_sigma is not None and not bool(np.all(np.isfinite(own_sigma))):
            own_sigma = None
        channels[name] = Series(name, t_s[have], array[have], own_sigma)
    return channels


def _add_position_speed(
    channels: dict[str, Series],
    t_s: FloatArray,
    segment: IntArray | None,
    notes: list[str],
) -> str | None:
    if LATITUDE not in channels or len(channels[LATITUDE]) < 2:
        return None
    latitude, longitude = channels[LATITUDE], channels[LONGITUDE]
    rows = distinct_rows(latitude.values, longitude.values)
    if len(rows) < len(latitude):
        notes.append(
            f"positions repeat: only {len(rows)} of {len(latitude)} rows are taken for their "
            "speed, as the receiver measures more slowly than the file is written"
        )
    if segment is not None:
        segment = segment[np.isin(t_s, latitude.t_s)][rows]
    at_s = latitude.t_s[rows]
    mid_t_s, speed_mps = speed_from_positions(
        at_s,
        latitude.values[rows],
        longitude.values[rows],
        segment=segment,
        longest_step_s=GAP_STEPS * float(np.median(np.diff(at_s))),
    )
    possible = speed_mps <= LIMITS[SPEED][1]
    if not bool(np.any(possible)):
        return None
    channels[SPEED] = Series(SPEED, mid_t_s[possible], speed_mps[possible])
    notes.append(
        "the log has no speed of its own: speed is the difference of positions, stamped with the "
        "middle of each interval so that this adds no lag; it is noisier than a receiver's speed"
    )
    return "positions"


def _repeat_notes(channels: Mapping[str, Series]) -> list[str]:
    """Say so when a file is written faster than the receiver measures."""
    speed = channels.get(SPEED)
    if speed is None or len(speed) < 20:
        return []
    moving = speed.values[1:] > 1.0
    same = moving & (np.diff(speed.values) == 0)
    moving_count = int(np.count_nonzero(moving))
    share = int(np.count_nonzero(same)) / max(1.0, float(moving_count))
    if moving_count < 20 or share < 0.4:
        return []
    if share > 0.99:
        return ["the speed is the same in all records under way, so no time can be found by it"]
    interval_s = speed.median_step_s / (1 - share)
    return [
        f"{share:.0%} of the speeds repeat the one before: the receiver seems to measure only "
        f"about every {interval_s:.2g} s; repeated values are kept"
    ]


def _unit_notes(channels: Mapping[str, Series]) -> list[str]:
    """Warn where the log's own positions show that its speed is in another unit than stated."""
    speed, latitude = channels.get(SPEED), channels.get(LATITUDE)
    if speed is None or latitude is None or len(latitude) < 10:
        return []
    mid_t_s, moved_mps = speed_from_positions(
        latitude.t_s,
        latitude.values,
        channels[LONGITUDE].values,
        longest_step_s=GAP_STEPS * latitude.median_step_s,
    )
    stated = speed.at(mid_t_s)
    # Slow parts tell nothing: noise of positions always adds up to some speed.
    fast = np.isfinite(stated) & (moved_mps > 2.0)
    step_s = np.diff(latitude.t_s)
    if np.count_nonzero(fast) < 10 or float(np.sum(moved_mps[fast])) * np.median(step_s) < 50.0:
        return []
    ratio = float(np.sum(stated[fast]) / np.sum(moved_mps[fast]))
    if 0.8 < ratio < 1.25:
        return []
    factors = {name: 1 / MPS_PER[name] for name in ("km/h", "mph", "kn", "ft/s")}
    likely = [name for name, factor in factors.items() if abs(ratio / factor - 1) < 0.06]
    guess = f", as if it were in {likely[0]} but called m/s" if likely else ""
    return [
        f"the speed is {ratio:.2f} times what the log's own positions show{guess}: check its unit"
    ]


def _gaps(channels: Mapping[str, Series]) -> tuple[tuple[float, float], ...]:
    main = channels.get(SPEED) or channels.get(RPM) or next(iter(channels.values()), None)
    if main is None or len(main) < 3:
        return ()
    return tuple(main.gaps(GAP_STEPS * main.median_step_s))
