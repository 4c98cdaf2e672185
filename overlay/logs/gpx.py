"""GPX 1.0 and 1.1 track logs.

One pass of an event parser that knows no namespaces: an undeclared prefix, a file cut off in the
middle, a damaged point or any depth of nesting costs no more than itself. Speed is looked for
anywhere under a point, since files carry it in many places: the ``speed`` element of GPX 1.0, the
same put loosely into GPX 1.1, an element or attribute of that name under ``extensions`` in any
namespace, or words in a comment. GPX states speed in metres per second.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import datetime
from xml.parsers import expat

import numpy as np

from overlay.errors import InputError
from overlay.logs.clean import Raw
from overlay.logs.formats import LogFormat, Reading, decoded
from overlay.logs.model import ALTITUDE, LATITUDE, LONGITUDE, RPM, SPEED, Cleaning
from overlay.logs.quantity import in_mps, quantities
from overlay.logs.times import instant, since_first

GPX_ROOT = re.compile(r"<(?:[\w.-]+:)?gpx[\s>/]", re.IGNORECASE)
POINT_START = re.compile(rb"<(?:[\w.-]+:)?trkpt\b")
ROOT = b"<gpx><trk><trkseg>"
CHUNK = 1 << 16
DEEPEST = 64  # elements within each other; GPX with extensions needs about ten
LONGEST_TEXT = 1000  # characters of one element
MOST_RESTARTS = 10_000
FIELDS = {"speed": SPEED, "velocity": SPEED, "rpm": RPM}
WORDS = ("cmt", "desc")


class _NestedTooDeep(Exception):
    pass


@dataclass
class _Points:
    """Points with a time, in file order; handlers of the parser fill it."""

    times: list[datetime] = field(default_factory=list)
    segment: list[int] = field(default_factory=list)
    columns: dict[str, list[float]] = field(
        default_factory=lambda: {name: [] for name in (LATITUDE, LONGITUDE, ALTITUDE, SPEED, RPM)}
    )
    read: int = 0
    finished: int = 0
    without_time: int = 0
    unparsable: int = 0
    bad_speeds: list[str] = field(default_factory=list)
    other: bool = False
    piece: int = 0
    open: dict[str, str] | None = None
    path: list[str] = field(default_factory=list)
    text: list[str] = field(default_factory=list)

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        """Open an element."""
        name = _local(tag)
        self.path.append(name)
        self.text.clear()
        if len(self.path) > DEEPEST:
            raise _NestedTooDeep
        if name == "trkpt":
            self.read += 1
            self.open = {key: attributes.get(key, "") for key in ("lat", "lon")}
        elif name == "trkseg":
            self.piece += 1
        elif name in ("wpt", "rtept"):
            self.other = True
        elif self.open is not None:
            self._take_attributes(name, attributes)

    def _take_attributes(self, name: str, attributes: dict[str, str]) -> None:
        assert self.open is not None
        for key, value in attributes.items():
            if _local(key) in ("unit", "units") and name in FIELDS:
                self.open.setdefault(f"unit of {FIELDS[name]}", value)
            elif _local(key) in FIELDS:
                self.open.setdefault(FIELDS[_local(key)], value)

    def characters(self, text: str) -> None:
        """Text of the innermost element."""
        if self.open is not None and len(self.text) < LONGEST_TEXT:
            self.text.append(text[:LONGEST_TEXT])

    def end(self, _tag: str) -> None:
        """Close an element."""
        name = self.path.pop()
        if self.open is None:
            return
        text = "".join(self.text).strip()
        self.text.clear()
        if name == "trkpt":
            self._finish(self.open)
            self.open = None
        elif name in ("time", "ele") and self.path[-1:] == ["trkpt"]:
            self.open.setdefault(name, text)
        elif name in FIELDS and text:
            self.open.setdefault(FIELDS[name], text)
        elif name in WORDS:
            for key, value in quantities(text):
                if key in FIELDS:
                    self.open.setdefault(FIELDS[key], value)

    def _finish(self, point: dict[str, str]) -> None:
        self.finished += 1
        latitude, longitude = _number(point["lat"]), _number(point["lon"])
        if np.isnan(latitude) or np.isnan(longitude):
            self.unparsable += 1
            return
        time = instant(point.get("time", ""))
        if time is None:
            self.without_time += 1
            return
        speed = in_mps(point.get(SPEED, ""), point.get(f"unit of {SPEED}", "") or "m/s")
        if np.isnan(speed) and point.get(SPEED):
            self.bad_speeds.append(point[SPEED])
        self.times.append(time)
        self.segment.append(self.piece)
        altitude, rpm = (_number(point.get(name, "")) for name in ("ele", RPM))
        row = (latitude, longitude, altitude, speed, rpm)
        for column, value in zip(self.columns.values(), row, strict=True):
            column.append(value)


def _local(tag: str) -> str:
    return tag.rpartition(":")[2].lower()


def _number(text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return float("nan")


def read_gpx(data: bytes, path: str, _: Reading) -> Raw:
    """Read the track points of a GPX file, all tracks and segments in file order.

    Points without a time are counted and left out. Where the file is cut off or damaged, its whole
    points are used and the loss is noted.

    Raises
    ------
    InputError
        If no point can be read, or none has a time.
    """
    content = decoded(data).lstrip("\ufeff \t\r\n").encode()
    points = _Points()
    place = _parse(content, points, path)
    notes: list[str] = []
    started = len(POINT_START.findall(content)) if place else points.read
    damaged = max(points.read, started) - points.finished
    points.read = points.finished + damaged
    points.unparsable += damaged
    if place and not points.times:
        raise InputError(
            f"{path}, {place}: the GPX is damaged or cut off before its first whole point with a "
            "time; copy it again from the logger"
        )
    if place:
        notes.append(
            f"the file is damaged or cut off ({place}): its "
            f"{points.read - points.unparsable} whole points are used, {points.unparsable} damaged "
            "ones are left out"
        )
    _check(path, points)
    return _raw(path, points, notes)


def _parse(content: bytes, points: _Points, path: str) -> str | None:
    """Let the parser run over the file; where it stops, go on at the next point.

    Returns
    -------
    str or None
        Where the first damage is.
    """
    start, head, place = 0, b"", None
    for _ in range(MOST_RESTARTS):
        parser = expat.ParserCreate("utf-8")
        parser.buffer_text = True
        parser.StartElementHandler = points.start
        parser.EndElementHandler = points.end
        parser.CharacterDataHandler = points.characters
        parser.StartDoctypeDeclHandler = lambda *_: _refuse_definition(path)
        points.path.clear()
        points.open = None
        try:
            parser.Parse(head, False)
            for at in range(start, len(content), CHUNK):
                parser.Parse(content[at : at + CHUNK], False)
            parser.Parse(b"", True)
            return place
        except (expat.ExpatError, _NestedTooDeep) as error:
            if place is None:
                deep = isinstance(error, _NestedTooDeep)
                place = f"line {parser.ErrorLineNumber}"
                place += f", elements nested deeper than {DEEPEST}" if deep else ""
            stopped = start + max(0, parser.ErrorByteIndex - len(head))
        following = POINT_START.search(content, max(stopped, start + 1))
        if following is None:
            return place
        start, head = following.start(), ROOT
    return place


def _refuse_definition(path: str) -> None:
    raise InputError(f"{path}: has a document type definition, which GPX never needs; remove it")


def _check(path: str, points: _Points) -> None:
    if not points.read:
        other = "waypoints or a route" if points.other else "no points"
        raise InputError(
            f"{path}: holds {other}, not a recorded track; record a track (trkpt) and export that"
        )
    if not points.times:
        raise InputError(
            f"{path}: none of its {points.read} track points has a usable time, so it cannot be "
            "set against footage; export the recorded track with its times"
        )


def _raw(path: str, points: _Points, notes: list[str]) -> Raw:
    values = {name: np.array(column) for name, column in points.columns.items()}
    with_speed = int(np.count_nonzero(np.isfinite(values[SPEED])))
    source: str | None = "speed element"
    if points.bad_speeds:
        notes.append(
            f"{len(points.bad_speeds)} speeds cannot be read, such as "
            f"{points.bad_speeds[0][:40]!r}; write metres per second"
        )
    if with_speed < 0.5 * len(points.times):
        if with_speed:
            notes.append(
                f"only {with_speed} of {len(points.times)} points carry a speed, so positions are "
                "used instead"
            )
        del values[SPEED]
        source = None
    elif with_speed < len(points.times):
        notes.append(f"{len(points.times) - with_speed} points carry no speed and leave a gap")
    t_s, origin = since_first(points.times)
    counts = Cleaning(
        records_read=points.read,
        unparsable=points.unparsable + len(points.bad_speeds),
        without_time=points.without_time,
        notes=tuple(notes),
    )
    segment = np.array(points.segment, dtype=np.int64)
    return Raw(path, "gpx", "utc", t_s, values, origin, segment, source, counts)


FORMAT = LogFormat(lambda head: GPX_ROOT.search(head.text) is not None, read_gpx)
