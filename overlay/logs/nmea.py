"""NMEA 0183 logs: checksums verified, sentences of one instant put together.

Speed stands in RMC (knots) and VTG (knots and km/h); VTG has no time of its own and belongs to
the instant of the sentences around it. Position stands in GGA, GNS, RMC and GLL, the date in RMC
and ZDA. Any talker is taken. NMEA 0183 asks for a checksum: the exclusive-or of the characters
between ``$`` and ``*``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Any

import numpy as np

from overlay.errors import InputError
from overlay.logs.clean import Raw
from overlay.logs.days import DAY_S, FIRST_YEAR, LAST_YEAR, days_unwrapped
from overlay.logs.formats import LogFormat, Reading
from overlay.logs.model import ALTITUDE, LATITUDE, LONGITUDE, SPEED, Cleaning
from overlay.timebase import FloatArray
from overlay.units import MPS_PER

# A sentence starts with a talker and a type (NMEA 0183); a lone $ among binary records is none
# unless a checksum follows, nor is a type without a comma in a line. It ends at the checksum, at a
# control or 8-bit character, or where the next one starts.
CANDIDATE = re.compile(
    rb"[$!](?:[^$!*\x00-\x1f\x7f-\xff]*\*[0-9A-Fa-f]{2}"
    rb"|[A-Z]{2}[A-Z0-9]{1,4}(?:$|[,*][^$!*\x00-\x1f\x7f-\xff]*))"
)
SENTENCE = re.compile(rb"[$!][A-Z]{2}(?:RMC|GGA|VTG|GNS|GLL|ZDA),[ -~]*")
USED = frozenset({"RMC", "VTG", "GGA", "GNS", "GLL", "ZDA"})
POSITION_ORDER = ("GGA", "GNS", "RMC", "GLL")


@dataclass
class _Instant:
    """What the sentences of one time of day say."""

    time_of_day_s: float
    day: int | None = None
    valid: bool = False
    judged: bool = False
    rmc_mps: float = np.nan
    vtg_mps: float = np.nan
    altitude_m: float = np.nan
    positions: dict[str, tuple[float, float]] = field(default_factory=dict)


@dataclass
class _Tally:
    read: int = 0
    bad_checksums: int = 0
    unparsable: int = 0
    duplicates: int = 0
    without_time: int = 0
    decimals: dict[str, int] = field(default_factory=lambda: {"RMC": 0, "kn": 0, "km/h": 0})
    notes: list[str] = field(default_factory=list)


def read_nmea(data: bytes, path: str, _: Reading) -> Raw:
    """Read NMEA 0183 sentences; comment lines (``#``) and binary junk are passed over.

    Raises
    ------
    InputError
        If no good sentence carries a time.
    """
    tally = _Tally()
    instants, unplaced = _instants(_sentences(data, tally), tally)
    if not instants:
        raise InputError(
            f"{path}: none of its {tally.read} NMEA sentences carries a time "
            f"({tally.bad_checksums} bad checksums, {tally.unparsable} damaged); "
            "log RMC or GGA sentences"
        )
    _place_boundary_speeds(instants, unplaced, tally)
    usable = [instant for instant in instants if instant.valid]
    if not usable:
        tally.notes.append(
            "the receiver had no valid fix in the whole record: wait for a fix before logging"
        )
    t_s, origin, rollovers = _times(usable, tally)
    speed_mps, source = _best_speed(usable, tally)
    counts = Cleaning(
        records_read=tally.read,
        bad_checksums=tally.bad_checksums,
        unparsable=tally.unparsable,
        duplicates=tally.duplicates,
        without_time=tally.without_time,
        void_fixes=sum(instant.judged and not instant.valid for instant in instants),
        rollovers=rollovers,
        notes=tuple(tally.notes),
    )
    latitude, longitude = _positions(usable)
    altitude = np.array([instant.altitude_m for instant in usable])
    values = {LATITUDE: latitude, LONGITUDE: longitude, ALTITUDE: altitude}
    if source is not None:
        values[SPEED] = speed_mps
    return Raw(path, "nmea", "utc", t_s, values, origin, speed_source=source, counts=counts)


def _sentences(data: bytes, tally: _Tally) -> Iterator[Any]:
    """Good sentences of the used types; everything else is counted."""
    import pynmea2

    found = [
        match.group().decode("ascii")
        for line in re.split(rb"[\r\n]+", data)
        if not _is_comment(line)
        for match in CANDIDATE.finditer(line)
    ]
    # Some old receivers send no checksums at all; a sentence without one among others that have
    # one has lost its end.
    bare_allowed = not any("*" in text for text in found)
    if bare_allowed and found:
        tally.notes.append("no sentence has a checksum, so damage goes unnoticed")
    for text in found:
        tally.read += 1
        if len(text) < 7 or (text[-3:-2] != "*" and not bare_allowed):
            tally.unparsable += 1
            continue
        if not bare_allowed and not _checksum_holds(text):
            tally.bad_checksums += 1
            continue
        if text[3:6] not in USED:
            continue  # a good sentence of a type that holds nothing for us
        try:
            sentence = pynmea2.NMEASentence.parse(text, check=not bare_allowed)
        except Exception:  # the parser raises whatever its field converters raise
            tally.unparsable += 1
            continue
        if getattr(sentence, "sentence_type", None) in USED:
            yield sentence


def _is_comment(line: bytes) -> bool:
    """Whether a line is a comment, and no binary that starts like one."""
    if not line.lstrip().startswith(b"#"):
        return False
    try:
        return line.strip().decode().replace("\t", " ").isprintable()
    except UnicodeDecodeError:
        return False


def _checksum_holds(text: str) -> bool:
    body, _, digits = text[1:].partition("*")
    total = 0
    for char in body:
        total ^= ord(char)
    return total == int(digits, 16)


def _instants(
    sentences: Iterator[Any], tally: _Tally
) -> tuple[list[_Instant], list[tuple[int, float]]]:
    """Sentences gathered by time; VTG speeds that stand between two times come with the index
    of the instant that follows them."""
    instants: list[_Instant] = []
    waiting: list[float] = []
    unplaced: list[tuple[int, float]] = []
    for sentence in sentences:
        try:
            if sentence.sentence_type == "VTG":
                speed = _vtg_mps(sentence, tally)
                waiting += [] if speed is None else [speed]
                continue
            time_of_day_s = _time_of_day_s(
                _field(sentence, 4 if sentence.sentence_type == "GLL" else 0)
            )
        except (ValueError, ArithmeticError):
            tally.unparsable += 1
            continue
        if time_of_day_s is None:
            continue
        same = bool(instants) and instants[-1].time_of_day_s == time_of_day_s
        if not same:
            instants.append(_Instant(time_of_day_s))
        if waiting and same:
            _put_vtg(waiting[-1], instants[-1], tally)
        elif waiting:
            unplaced.append((len(instants) - 1, waiting[-1]))
        tally.duplicates += max(0, len(waiting) - 1)
        waiting.clear()
        try:
            _take(sentence, instants[-1], tally)
        except (ValueError, ArithmeticError):
            tally.unparsable += 1
    if waiting:
        unplaced.append((len(instants), waiting[-1]))
        tally.duplicates += len(waiting) - 1
    return instants, unplaced


def _put_vtg(speed_mps: float, instant: _Instant, tally: _Tally) -> None:
    if np.isnan(instant.vtg_mps):
        instant.vtg_mps = speed_mps
    else:
        tally.duplicates += 1


def _field(sentence: Any, index: int) -> str:
    return str(sentence.data[index]).strip() if index < len(sentence.data) else ""


def _time_of_day_s(text: str) -> float | None:
    """Seconds since midnight of ``hhmmss.ss``; the leap second 60 is allowed."""
    if not text:
        return None
    if not re.fullmatch(r"\d{6}(?:\.\d*)?", text):
        raise ValueError(text)
    hours, minutes, seconds = int(text[:2]), int(text[2:4]), float(text[4:])
    if hours > 23 or minutes > 59 or seconds >= 61:
        raise ValueError(text)
    return hours * 3600 + minutes * 60 + seconds


def _vtg_mps(sentence: Any, tally: _Tally) -> float | None:
    if _field(sentence, 8) == "N":
        return None
    lettered = _field(sentence, 1) == "T"
    knots, kmh = (_field(sentence, i) for i in ((4, 6) if lettered else (2, 3)))
    for text, unit in ((kmh, "km/h"), (knots, "kn")):
        if text:
            tally.decimals[unit] = max(tally.decimals[unit], _decimals(text))
    if not (kmh or knots):
        return None
    finer_kmh = bool(kmh) and (not knots or _decimals(kmh) >= _decimals(knots))
    return float(kmh) * MPS_PER["km/h"] if finer_kmh else float(knots) * MPS_PER["kn"]


def _decimals(text: str) -> int:
    return len(text.partition(".")[2])


def _take(sentence: Any, instant: _Instant, tally: _Tally) -> None:
    kind = sentence.sentence_type
    if kind == "ZDA":
        if instant.day is None and _field(sentence, 3):
            instant.day = _ordinal(
                int(_field(sentence, 3)), int(_field(sentence, 2)), int(_field(sentence, 1))
            )
        return
    instant.judged = True
    if not _is_fix(sentence):
        return
    if kind == "RMC":
        _take_rmc(sentence, instant, tally)
    latitude, longitude = float(sentence.latitude), float(sentence.longitude)
    if sentence.lat and sentence.lon:
        instant.positions.setdefault(kind, (latitude, longitude))
    altitude = _field(sentence, 8) if kind in ("GGA", "GNS") else ""
    if altitude and np.isnan(instant.altitude_m):
        instant.altitude_m = float(altitude)
    instant.valid = True


def _take_rmc(sentence: Any, instant: _Instant, tally: _Tally) -> None:
    day, speed = _field(sentence, 8), _field(sentence, 6)
    if day:
        if not re.fullmatch(r"\d{6}", day):
            raise ValueError(day)
        # Two digits of the year: GPS began in 1980.
        year = int(day[4:]) + (1900 if int(day[4:]) >= 80 else 2000)
        instant.day = _ordinal(year, int(day[2:4]), int(day[:2]))
    if not speed:
        return
    tally.decimals["RMC"] = max(tally.decimals["RMC"], _decimals(speed))
    speed_mps = float(speed) * MPS_PER["kn"]
    if np.isnan(instant.rmc_mps):
        instant.rmc_mps = speed_mps
    else:
        tally.duplicates += 1


def _ordinal(year: int, month: int, day: int) -> int:
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise ValueError(year)
    return date(year, month, day).toordinal()


def _is_fix(sentence: Any) -> bool:
    """Whether the receiver itself calls the fix valid."""
    kind = sentence.sentence_type
    if kind == "GGA":
        return _field(sentence, 5) not in ("", "0")
    if kind == "GNS":
        return bool(_field(sentence, 5).strip("N"))
    status = _field(sentence, 1 if kind == "RMC" else 5)
    mode = _field(sentence, 11 if kind == "RMC" else 6)
    return status == "A" and mode != "N"


def _place_boundary_speeds(
    instants: list[_Instant], unplaced: list[tuple[int, float]], tally: _Tally
) -> None:
    """Give VTG speeds between two instants to the earlier or the later one, the same for all.

    Receivers send a burst an instant, and VTG may open or close it. RMC speeds tell which; without
    them the burst is taken to end with VTG, as most do (common practice, no source).
    """
    between = [(index, speed) for index, speed in unplaced if 0 < index < len(instants)]
    with_rmc = [
        (abs(speed - before), abs(speed - after))
        for index, speed in between
        if np.isfinite(before := instants[index - 1].rmc_mps)
        and np.isfinite(after := instants[index].rmc_mps)
    ]
    opens = bool(with_rmc) and sum(b for b, _ in with_rmc) > sum(a for _, a in with_rmc)
    if between and not with_rmc:
        tally.notes.append(
            "VTG stands between two times and nothing says which it belongs to; the earlier "
            "one is taken, and a constant shift would be part of the lag found"
        )
    for index, speed in unplaced:
        place = index if opens else index - 1
        if 0 <= place < len(instants):
            _put_vtg(speed, instants[place], tally)
        else:
            tally.without_time += 1


def _times(usable: list[_Instant], tally: _Tally) -> tuple[FloatArray, datetime | None, int]:
    time_of_day_s = [instant.time_of_day_s for instant in usable]
    days, midnights, weeks, dated = days_unwrapped(
        time_of_day_s, [instant.day for instant in usable]
    )
    if midnights:
        tally.notes.append(f"the record passes midnight UTC {midnights} time(s)")
    if weeks:
        tally.notes.append(
            f"the date jumps by 1024 weeks {weeks} time(s), a GPS week rollover; all records are "
            "put on the later calendar"
        )
    if not usable:
        return np.zeros(0), None, 0
    t_s = np.array([(day - days[0]) * DAY_S for day in days]) + np.array(time_of_day_s)
    if not dated:
        tally.notes.append("the record carries no date, so times count from its first fix")
        return t_s, None, midnights
    first = date.fromordinal(days[0])
    if first.year < 2010:
        tally.notes.append(
            f"the record is dated {first.isoformat()}; a receiver that has passed a GPS week "
            "rollover shows dates 1024 weeks too early"
        )
    origin = datetime(first.year, first.month, first.day, tzinfo=UTC)
    return t_s, origin, midnights + weeks


def _best_speed(usable: list[_Instant], tally: _Tally) -> tuple[FloatArray, str | None]:
    """Speed of RMC or VTG, whichever is finer; the other where the finer one is often missing."""
    rmc = np.array([instant.rmc_mps for instant in usable])
    vtg = np.array([instant.vtg_mps for instant in usable])
    have_rmc, have_vtg = (int(np.count_nonzero(np.isfinite(array))) for array in (rmc, vtg))
    if not have_rmc and not have_vtg:
        return rmc, None
    steps_mps = {
        "RMC": MPS_PER["kn"] * 10.0 ** -tally.decimals["RMC"],
        "VTG": min(MPS_PER[unit] * 10.0 ** -tally.decimals[unit] for unit in ("kn", "km/h")),
    }
    if have_rmc and have_vtg:
        finer_vtg = steps_mps["VTG"] < 0.99 * steps_mps["RMC"]
        use_vtg = have_vtg > 0.9 * have_rmc if finer_vtg else have_rmc <= 0.9 * have_vtg
    else:
        use_vtg = bool(have_vtg)
    chosen = "VTG" if use_vtg else "RMC"
    source = f"{chosen} sentences, in steps of {steps_mps[chosen]:.2g} m/s"
    if have_rmc and have_vtg:
        other = "RMC" if use_vtg else "VTG"
        why = "finer" if steps_mps[chosen] < steps_mps[other] else "more complete or as fine"
        source += f" ({why} than {other})"
    return (vtg if use_vtg else rmc), source


def _positions(usable: list[_Instant]) -> tuple[FloatArray, FloatArray]:
    """Latitude and longitude of one sentence type throughout, where one serves throughout.

    Receivers may send the position of different instants in different sentences, so types are
    mixed only where the preferred one is missing.
    """
    pairs = [
        next((i.positions[kind] for kind in POSITION_ORDER if kind in i.positions), (np.nan,) * 2)
        for i in usable
    ]
    table = np.array(pairs, dtype=np.float64).reshape(-1, 2)
    return table[:, 0], table[:, 1]


FORMAT = LogFormat(
    lambda head: not head.is_markup and SENTENCE.search(head.data) is not None, read_nmea
)
