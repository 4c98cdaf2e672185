"""What the columns of a table are, from the words and units in its header."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from overlay.errors import InputError, UsageError

# Spellings of units in headers; on the right the names of overlay.units, or SI names of time.
UNITS: dict[str, str] = {
    **dict.fromkeys(("mph", "mi/h", "mile/h", "miles/h", "milesperhour"), "mph"),
    **dict.fromkeys(("km/h", "kmh", "kph", "kmph", "km/hr", "kmperhour", "km·h-1"), "km/h"),
    **dict.fromkeys(("m/s", "mps", "ms-1", "m·s-1", "m/sec", "meters/second"), "m/s"),
    **dict.fromkeys(("metres/second", "metrespersecond", "meterspersecond"), "m/s"),
    **dict.fromkeys(("kn", "kt", "kts", "knot", "knots"), "kn"),
    **dict.fromkeys(("ft/s", "fps", "ftps", "ft/sec", "feetpersecond"), "ft/s"),
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), "s"),
    **dict.fromkeys(("ms", "msec", "millis", "millisecond", "milliseconds"), "ms"),
    **dict.fromkeys(("us", "µs", "usec", "microsecond", "microseconds"), "us"),
    **dict.fromkeys(("ns", "nsec", "nanosecond", "nanoseconds"), "ns"),
    **dict.fromkeys(("min", "minute", "minutes"), "min"),
    **dict.fromkeys(("h", "hr", "hour", "hours"), "h"),
    **dict.fromkeys(("d", "days"), "d"),
    **dict.fromkeys(("rpm", "1/min", "r/min", "rev/min", "min-1", "u/min", "tr/min"), "rpm"),
    **dict.fromkeys(("deg", "°", "degree", "degrees"), "deg"),
    **dict.fromkeys(("m", "meter", "meters", "metre", "metres"), "m"),
    **dict.fromkeys(("ft", "foot", "feet"), "ft"),
}
SPEED_UNIT_NAMES = ("mph", "km/h", "m/s", "kn", "ft/s")
TIME_SECONDS: dict[str, float] = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
TIME_SECONDS |= {"min": 60.0, "h": 3600.0, "d": 86400.0}
ALLOWED: dict[str, tuple[str, ...]] = {
    "time": tuple(TIME_SECONDS),
    "date": (),
    "speed": SPEED_UNIT_NAMES,
    "wheel_speed": SPEED_UNIT_NAMES,
    "speed_sigma": SPEED_UNIT_NAMES,
    "rpm": ("rpm",),
    "lat": ("deg",),
    "lon": ("deg",),
    "alt": ("m", "ft"),
}
ALIASES = {
    **dict.fromkeys(("latitude", "latitude_deg"), "lat"),
    **dict.fromkeys(("longitude", "longitude_deg", "lng", "long"), "lon"),
    **dict.fromkeys(("altitude", "altitude_m", "elevation", "ele"), "alt"),
    **dict.fromkeys(("speed_mps",), "speed"),
    **dict.fromkeys(("engine_rpm",), "rpm"),
    **dict.fromkeys(("wheel_speed_mps",), "wheel_speed"),
}
SPAN = re.compile(r"\d\s*(?:-|to)\s*\d")  # a time from one speed to another is no clock
LONGEST_HEADER = 120  # characters; the patterns below take longer than linear time
TIME_WORDS = {"time", "t", "timestamp", "utc", "elapsed", "epoch", "unix", "seconds", "secs"}
TIME_WORDS |= {"datetime", "clock", "zeit", "temps", "tiempo", "tempo"}
# Speed over ground, as navigators say; vehicle speed sensor, as mechanics do.
SPEED_WORDS = {"speed", "velocity", "vel", "sog", "vss"}
SPEED_WORDS |= {"geschwindigkeit", "vitesse", "velocidad", "velocità"}
RPM_WORDS = {"rpm", "drehzahl", "motordrehzahl"}
# Words that make a speed column something other than the speed at that instant.
NOT_SPEED = {"accuracy", "acc", "error", "err", "std", "sd", "uncertainty", "hacc", "vacc"}
NOT_SPEED |= {"quality", "max", "min", "avg", "average", "mean", "target", "limit", "predicted"}
NOT_SPEED |= {"vertical", "wind", "air", "id", "mode"}


@dataclass(frozen=True)
class Column:
    """One column that is used."""

    index: int  # From 0
    name: str  # As in the file
    role: str  # A key of `ALLOWED`
    unit: str | None  # A value of `UNITS`; None where the file does not say


def split_unit(header: str) -> tuple[str, str | None]:
    """Name and unit of a header such as ``Speed [km/h]``, ``speed_mph`` or ``time (s)``.

    Examples
    --------
    >>> split_unit("GPS Speed (kn)"), split_unit("speed_kmh"), split_unit("Speed km/h")
    (('GPS Speed', 'kn'), ('speed', 'km/h'), ('Speed', 'km/h'))
    >>> split_unit("rpm"), split_unit("speed_ms")
    (('rpm', None), ('speed', 'ms'))
    """
    text = header[:LONGEST_HEADER].strip().strip("\"'").strip()
    bracketed = re.fullmatch(r"(.*?)\s*[\[({<]\s*([^\[\](){}<>]+?)\s*[\])}>]\s*", text)
    if bracketed:
        unit = unit_of(bracketed.group(2))
        return bracketed.group(1).strip(), unit
    parted = re.sub(r"([a-z])([A-Z])", r"\1 \2", text)
    for pattern in (r"(.+?)[\s_,:]+(\S+)", r"(.+?)\s*/\s*(\S+)", r"(.+)[-_.,:\s]+(\S+)"):
        match = re.fullmatch(pattern, text) or re.fullmatch(pattern, parted)
        if match and unit_of(match.group(2)) and len(match.group(1)) >= 1:
            return match.group(1).strip(), unit_of(match.group(2))
    return text, None


def unit_of(text: str) -> str | None:
    """The unit that a spelling stands for, or None."""
    return UNITS.get(re.sub(r"[\s.]|\^", "", text.strip().strip("[](){}<>").lower()))


def recognised(header: str) -> tuple[str, str | None] | None:
    """Role and unit of a column by its header; None for a column that is not used.

    Examples
    --------
    >>> recognised("Engine speed (rpm)"), recognised("wheel_speed_kmh"), recognised("gear")
    (('rpm', 'rpm'), ('wheel_speed', 'km/h'), None)
    >>> recognised("speed accuracy (m/s)") is None
    True
    """
    name, unit = split_unit(header)
    words = re.findall(r"[^\W\d_]+", re.sub(r"([a-z])([A-Z])", r"\1 \2", name).lower())
    word_set = set(words)
    if not words:
        return None
    engine_speed = word_set & {"engine", "eng"} and word_set & {"speed", "spd"} and unit is None
    if word_set & RPM_WORDS or unit == "rpm" or engine_speed:
        other = word_set & {"wheel", "target", "limit", "max", "limiter", "axle", "jackshaft"}
        return None if other else ("rpm", "rpm")
    if word_set & SPEED_WORDS or words == ["v"]:
        return _speed_role(word_set, unit)
    if word_set & {"lat", "latitude"}:
        return "lat", unit
    if word_set & {"lon", "lng", "long", "longitude"}:
        return "lon", unit
    if word_set & {"alt", "altitude", "elevation", "ele", "height"} and not word_set & NOT_SPEED:
        return "alt", unit
    if words == ["date"] or words == ["utc", "date"] or words == ["gps", "date"]:
        return "date", None
    not_clock = word_set & {"lap", "split", "zone", "offset", "engine"} or SPAN.search(name)
    if word_set & TIME_WORDS and not not_clock:
        return "time", unit if unit in TIME_SECONDS else _unit_among(words)
    return None


def _speed_role(words: set[str], unit: str | None) -> tuple[str, str | None] | None:
    if unit is not None and unit not in SPEED_UNIT_NAMES:
        unit = None
    if "sigma" in words:
        return "speed_sigma", unit
    if words & NOT_SPEED or "engine" in words:
        return None
    if words & {"wheel", "wheelspeed", "driven"}:
        return "wheel_speed", unit
    return "speed", unit


def _unit_among(words: Sequence[str]) -> str | None:
    """The unit of a column that is called by its unit, such as ``seconds``."""
    return next((UNITS[w] for w in words if len(w) > 2 and UNITS.get(w) in TIME_SECONDS), None)


def columns_by_header(header: Sequence[str], units: Sequence[str] | None) -> list[Column]:
    """The columns that the header names, each with its unit where header or units row tell it."""
    found: list[Column] = []
    for index, name in enumerate(header):
        row_unit = unit_of(units[index]) if units and index < len(units) else None
        role = recognised(name)
        if role is None and row_unit == "rpm":
            role = ("rpm", "rpm")
        if role is None:
            continue
        unit = role[1] or (row_unit if row_unit in ALLOWED[role[0]] else None)
        found.append(Column(index, name.strip(), role[0], unit))
    return found


def columns_by_map(
    header: Sequence[str], units: Sequence[str] | None, columns: Mapping[str, str], path: str
) -> list[Column]:
    """The columns that the user's map names, with the unit after a colon where it is given.

    Raises
    ------
    UsageError
        If a key, a column or a unit is unknown.
    """
    names = [name.strip() for name in header]
    found: list[Column] = []
    for key, value in columns.items():
        role = ALIASES.get(key, key)
        if role not in ALLOWED:
            raise UsageError(f"column map: {key!r} is no channel; use one of {', '.join(ALLOWED)}")
        name, unit_text = _found_name(value.strip(), names), ""
        if name not in names and ":" in name:
            name, _, unit_text = (part.strip() for part in name.rpartition(":"))
            name = _found_name(name, names)
        if name not in names:
            raise UsageError(
                f"column map: {path} has no column {name!r}; it has {', '.join(names)}"
            )
        index = names.index(name)
        unit = unit_of(unit_text) if unit_text else None
        if unit_text and unit not in ALLOWED[role]:
            known = ", ".join(ALLOWED[role]) or "none"
            raise UsageError(f"column map: {unit_text!r} is no unit for {key}; use one of: {known}")
        column = Column(index, name, role, unit)
        found.append(column if unit else _with_file_unit(column, units))
    return found


def _found_name(name: str, names: Sequence[str]) -> str:
    """The column of that name, in any case where only one fits; else the name itself."""
    if name in names:
        return name
    alike = [other for other in names if other.lower() == name.lower()]
    return alike[0] if len(alike) == 1 else name


def _with_file_unit(column: Column, units: Sequence[str] | None) -> Column:
    _, unit = split_unit(column.name)
    if unit not in ALLOWED[column.role] and units and column.index < len(units):
        unit = unit_of(units[column.index])
    return replace(column, unit=unit if unit in ALLOWED[column.role] else None)


def one_of_each(
    found: Sequence[Column], path: str, line: int
) -> tuple[dict[str, Column], list[str]]:
    """One column for each role, and notes on the others.

    Among several speeds one from the receiver goes first, then one whose unit is known.

    Raises
    ------
    InputError
        If the unit of a speed is not known: it is never guessed.
    """
    chosen: dict[str, Column] = {}
    notes: list[str] = []
    for role in dict.fromkeys(column.role for column in found):
        rivals = [column for column in found if column.role == role]
        needs_unit = role in ("speed", "wheel_speed")
        rivals.sort(
            key=lambda c: (
                needs_unit and c.unit is None,
                not re.search(r"gps|gnss", c.name, re.IGNORECASE),
                c.index,
            )
        )
        best = rivals[0]
        if needs_unit and best.unit is None:
            raise InputError(
                f"{path}, line {line}: speed column {best.name!r} does not say its unit, which is "
                f'never guessed; write it in the header as "{best.name} (km/h)" or give a column '
                f'map such as {role}="{best.name}:km/h" (mph, km/h, m/s, kn or ft/s)'
            )
        if role == "speed_sigma" and best.unit is None:
            continue
        if len(rivals) > 1 and role != "time":
            others = ", ".join(repr(column.name) for column in rivals[1:])
            notes.append(f"{best.name!r} is taken for {role}; {others} not used")
        chosen[role] = best
    return chosen, notes
