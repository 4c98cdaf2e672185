"""Positions in the ``gpmd`` timed metadata of films: nested keys, types, sizes and repeats.

The published format: each item is a four-character key, one character of type, one byte of
structure size, a big-endian 16-bit count of structures, and the content, padded to 32 bits. Type
zero is a container. A device (``DEVC``) holds streams (``STRM``); within a stream, items that
describe it (scale, fix, precision, UTC) come before its data. Only the two levels that positions
need are entered, so that no depth of nesting costs anything.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from overlay.logs.fixes import Fixes, fixes_of
from overlay.timebase import FloatArray

MOST_ITEMS = 20_000  # in one packet; a second of all sensors of a camera needs some hundreds
NUMERIC = {"b": "i1", "B": "u1", "s": "i2", "S": "u2", "l": "i4", "L": "u4"}
NUMERIC |= {"j": "i8", "J": "u8", "f": "f4", "d": "f8", "q": "i4", "Q": "i8"}
FIXED_POINT = {"q": 2.0**16, "Q": 2.0**32}  # Q15.16 and Q31.32
MOST_COLUMNS = 64
DAYS_FROM = datetime(2000, 1, 1, tzinfo=UTC)


class Malformed(ValueError):
    """Bytes that do not follow the format."""


@dataclass(frozen=True)
class Item:
    """One key with its content, without padding."""

    key: bytes
    kind: str
    size: int
    repeat: int
    content: memoryview


@dataclass(frozen=True)
class Positions:
    """The positions of one packet, from one stream of one device."""

    device: str  # Number and name of the device, as the file gives them
    stream: str  # Key of the data
    fixes: Fixes  # Without times: a packet has one time, which its rows share out


def items(data: memoryview) -> Iterator[Item]:
    """The items of one level.

    Raises
    ------
    Malformed
        If an item is longer than what holds it, or there are too many.
    """
    at = 0
    for _ in range(MOST_ITEMS):
        if at + 8 > len(data):
            return
        size, repeat = data[at + 5], data[at + 6] << 8 | data[at + 7]
        end = at + 8 + size * repeat
        if end > len(data):
            raise Malformed("an item is longer than what holds it")
        if bytes(data[at : at + 4]) != bytes(4):
            kind = chr(data[at + 4])
            yield Item(bytes(data[at : at + 4]), kind, size, repeat, data[at + 8 : end])
        at = end + -(size * repeat) % 4
    raise Malformed("too many items")


def positions(data: bytes) -> list[Positions]:
    """All positions of a packet, by device and stream.

    Raises
    ------
    Malformed
        If the packet does not follow the format.
    """
    found = []
    for device in items(memoryview(data)):
        if device.key != b"DEVC" or device.kind != "\0":
            continue
        inside = list(items(device.content))
        labels = {item.key: item for item in inside}
        name = _label(labels)
        for stream in inside:
            if stream.key == b"STRM" and stream.kind == "\0":
                found += [Positions(name, *read) for read in _stream(stream)]
    return found


def _label(labels: dict[bytes, Item]) -> str:
    number, name = labels.get(b"DVID"), labels.get(b"DVNM")
    text = _text(name) if name else ""
    digits = str(int(_numbers(number)[0, 0])) if number and number.kind in "LSB" else ""
    return " ".join(part for part in (digits, text) if part) or "camera"


def _text(item: Item) -> str:
    text = bytes(item.content[:80]).decode("latin-1").strip("\0 ")
    return "".join(char if char.isprintable() else "?" for char in text)


def _stream(stream: Item) -> Iterator[tuple[str, Fixes]]:
    about: dict[bytes, Item] = {}
    for item in items(stream.content):
        if item.key == b"GPS5" and item.repeat:
            yield "GPS5", _five(_scaled(item, about, 5), about)
        elif item.key == b"GPS9" and item.repeat:
            yield "GPS9", _nine(_scaled(item, about, 9))
        else:
            about[item.key] = item


def _scaled(item: Item, about: dict[bytes, Item], columns: int) -> FloatArray:
    values = _numbers(item, about.get(b"TYPE"))
    if values.shape[1] != columns:
        raise Malformed(f"{values.shape[1]} columns where {columns} belong")
    if b"SCAL" not in about:
        return values
    scale = _numbers(about[b"SCAL"]).reshape(-1)
    if len(scale) not in (1, columns) or not np.all(np.isfinite(scale)) or np.any(scale == 0):
        raise Malformed("the scale does not fit its data")
    return np.asarray(values / scale)


def _numbers(item: Item, layout: Item | None = None) -> FloatArray:
    """Content as rows of numbers, shape (repeat, columns); fixed point already divided."""
    kinds = item.kind
    if kinds == "?":
        kinds = _expanded(_text(layout)) if layout is not None else ""
    if not kinds or any(kind not in NUMERIC for kind in kinds):
        raise Malformed(f"type {item.kind!r} is no number")
    if len(kinds) == 1:
        width = np.dtype(NUMERIC[kinds]).itemsize
        kinds *= max(1, item.size // width)
    layout_type = np.dtype([(str(i), ">" + NUMERIC[kind]) for i, kind in enumerate(kinds)])
    if layout_type.itemsize != item.size or len(kinds) > 255:
        raise Malformed("the size does not fit the type")
    rows = np.frombuffer(item.content, dtype=layout_type, count=item.repeat)
    columns = [
        rows[str(i)].astype(np.float64) / FIXED_POINT.get(kind, 1.0) for i, kind in enumerate(kinds)
    ]
    return np.column_stack(columns) if item.repeat else np.zeros((0, len(kinds)))


def _expanded(layout: str) -> str:
    """``f[3]S`` written out as ``fffS``."""
    parts = re.findall(r"([A-Za-z])(?:\[(\d{1,3})\])?", layout)
    kinds = "".join(kind * min(int(count or 1), MOST_COLUMNS) for kind, count in parts)
    return kinds[:MOST_COLUMNS]


def _five(rows: FloatArray, about: dict[bytes, Item]) -> Fixes:
    utc_s = np.full(len(rows), np.nan)
    if b"GPSU" in about:
        utc_s[0] = _utc_s(about[b"GPSU"])
    fix, dilution = _one(about.get(b"GPSF"), 3.0), _one(about.get(b"GPSP"), np.nan) / 100
    return fixes_of(rows, fix=fix, dilution=dilution, utc_s=utc_s)


def _nine(rows: FloatArray) -> Fixes:
    utc_s = DAYS_FROM.timestamp() + rows[:, 5] * 86400 + rows[:, 6]
    return fixes_of(rows[:, :5], fix=rows[:, 8], dilution=rows[:, 7], utc_s=utc_s)


def _one(item: Item | None, otherwise: float) -> float:
    if item is None:
        return otherwise
    values = _numbers(item)
    return float(values[0, 0]) if values.size else otherwise


def _utc_s(item: Item) -> float:
    """Seconds since 1970 of ``yymmddhhmmss.sss``; NaN where it is no such time."""
    match = re.fullmatch(r"(\d{12})(?:\.(\d{1,3}))?", _text(item))
    if match is None:
        return float("nan")
    try:
        found = datetime.strptime(match.group(1), "%y%m%d%H%M%S").replace(tzinfo=UTC)
    except ValueError:
        return float("nan")
    return (found + timedelta(milliseconds=int(f"{match.group(2) or 0:0<3}"))).timestamp()
