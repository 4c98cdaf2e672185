"""GPX 1.0 and 1.1 track logs.

gpxpy reads structure, times and positions. Speed is looked for beside it in the same points, since
files carry it in many places: the ``speed`` element of GPX 1.0, the same put loosely into GPX 1.1,
or an element of that name anywhere under ``extensions``, in any namespace. GPX states speed in
metres per second.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any
from xml.etree import ElementTree

import numpy as np

from overlay.errors import InputError, UsageError
from overlay.logs.clean import Raw
from overlay.logs.days import FIRST_YEAR, LAST_YEAR
from overlay.logs.detect import decoded
from overlay.logs.model import ALTITUDE, LATITUDE, LONGITUDE, RPM, SPEED, Cleaning
from overlay.units import mps_per

POINT = re.compile(r"<trkpt\b(?:(?!<trkpt\b).)*?(?:</trkpt\s*>|(?<=/)>)", re.DOTALL)
POINT_START = re.compile(r"<trkpt\b")
ROOT_START = re.compile(r"<gpx\b[^<>]*>")
PIECE = re.compile(r"<trkseg\b[^<>]*>")


@dataclass
class _Points:
    """Points with a time, in file order."""

    times: list[datetime] = field(default_factory=list)
    segment: list[int] = field(default_factory=list)
    columns: dict[str, list[float]] = field(
        default_factory=lambda: {name: [] for name in (LATITUDE, LONGITUDE, ALTITUDE, SPEED, RPM)}
    )
    read: int = 0
    without_time: int = 0
    out_of_range: int = 0
    unparsable: int = 0


def read_gpx(data: bytes, path: str) -> Raw:
    """Read the track points of a GPX file, all tracks and segments in file order.

    Points without a time are counted and left out. Where the file is cut off or damaged, its whole
    points are used and the loss is noted.

    Parameters
    ----------
    data : bytes
    path : str
        For messages.

    Returns
    -------
    Raw
        UTC clock, seconds from the first point with a time.

    Raises
    ------
    InputError
        If no point can be read, or none has a time.
    """
    text = re.sub(r"^\s*<\?xml[^>]*\?>", "", decoded(data).lstrip("\ufeff"))
    if re.search(r"<!(?:DOCTYPE|ENTITY)", text):
        raise InputError(
            f"{path}: has a document type definition, which GPX never needs; remove it"
        )
    points = _Points()
    notes: list[str] = []
    try:
        _collect(text, points)
    except Exception as error:  # gpxpy and expat raise whatever their field converters raise
        points = _Points()
        _collect_whole_points(text, path, error, points, notes)
    _check(text, path, points)
    return _raw(path, points, notes)


def _collect(text: str, points: _Points) -> None:
    import gpxpy.parser

    gpx = gpxpy.parser.GPXParser(text).parse()
    extras = _extras(text)
    row = segment = 0
    for track in gpx.tracks:
        for piece in track.segments:
            for point in piece.points:
                extra = extras[row] if row < len(extras) else {}
                _take(point, extra, segment, points)
                row += 1
            segment += 1


def _extras(text: str) -> list[dict[str, float]]:
    """Speed and rpm of each track point in document order, wherever under the point they stand."""
    found: list[dict[str, float]] = []
    root = ElementTree.fromstring(text)
    tracks = (track for track in root if _local(track) == "trk")
    pieces = (piece for track in tracks for piece in track if _local(piece) == "trkseg")
    for point in (point for piece in pieces for point in piece if _local(point) == "trkpt"):
        extra: dict[str, float] = {}
        for element in point.iter():
            name = {"speed": SPEED, "rpm": RPM}.get(_local(element))
            if name is not None and name not in extra:
                extra[name] = _number(element, is_speed=name == SPEED)
        found.append(extra)
    return found


def _local(element: ElementTree.Element) -> str:
    tag = element.tag
    return tag.rpartition("}")[2].lower() if isinstance(tag, str) else ""


def _number(element: ElementTree.Element, *, is_speed: bool) -> float:
    """The element's number; an own ``unit`` attribute of a speed is obeyed."""
    try:
        value = float((element.text or "").strip())
        unit = next((v for k, v in element.attrib.items() if k.lower() in ("unit", "units")), "")
        return value * mps_per(unit.strip()) if unit.strip() and is_speed else value
    except (ValueError, UsageError):
        return float("nan")


def _take(point: Any, extra: dict[str, float], segment: int, points: _Points) -> None:
    points.read += 1
    if point.time is None:
        points.without_time += 1
        return
    time = point.time if point.time.tzinfo else point.time.replace(tzinfo=UTC)
    if not FIRST_YEAR <= time.year <= LAST_YEAR:
        points.out_of_range += 1
        return
    points.times.append(time)
    points.segment.append(segment)
    row = {
        LATITUDE: float(point.latitude),
        LONGITUDE: float(point.longitude),
        ALTITUDE: float("nan") if point.elevation is None else float(point.elevation),
        SPEED: extra.get(SPEED, float("nan")),
        RPM: extra.get(RPM, float("nan")),
    }
    for name, value in row.items():
        points.columns[name].append(value)


def _collect_whole_points(
    text: str, path: str, error: Exception, points: _Points, notes: list[str]
) -> None:
    """Use the whole points of a damaged file, each judged by itself."""
    root = ROOT_START.search(text)
    place = _place(text, error)
    if root is None:
        raise InputError(f"{path}, {place}: the gpx element is damaged; export the log again")
    pieces = [match.start() for match in PIECE.finditer(text)]
    for match in POINT.finditer(text):
        alone = f"{root.group()}<trk><trkseg>{match.group()}</trkseg></trk></gpx>"
        one = _Points()
        try:
            _collect(alone, one)
        except Exception:  # as above: this point is damaged
            continue
        segment = bisect_left(pieces, match.start())
        points.read += one.read
        points.without_time += one.without_time
        points.out_of_range += one.out_of_range
        points.times += one.times
        points.segment += [segment] * len(one.times)
        for name, column in one.columns.items():
            points.columns[name] += column
    started = len(POINT_START.findall(text))
    points.unparsable = max(0, started - points.read)
    points.read = max(points.read, started)
    if not points.times:
        raise InputError(
            f"{path}, {place}: the GPX is damaged or cut off before its first whole point with a "
            "time; copy it again from the logger"
        )
    notes.append(
        f"the file is damaged or cut off ({place}): its {points.read - points.unparsable} whole "
        f"points are used, {points.unparsable} damaged ones are left out"
    )


def _place(text: str, error: Exception) -> str:
    found = re.search(r"line (\d+)", str(error))
    return f"line {found.group(1)}" if found else f"within its {text.count(chr(10)) + 1} lines"


def _check(text: str, path: str, points: _Points) -> None:
    if not points.read:
        other = "waypoints or a route" if re.search(r"<(?:wpt|rtept)\b", text) else "no points"
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
    origin = points.times[0]
    t_s = np.array([(time - origin) / timedelta(seconds=1) for time in points.times])
    counts = Cleaning(
        records_read=points.read,
        unparsable=points.unparsable,
        out_of_range=points.out_of_range,
        without_time=points.without_time,
        notes=tuple(notes),
    )
    segment = np.array(points.segment, dtype=np.int64)
    return Raw(path, "gpx", "utc", t_s, values, origin, segment, source, counts)
