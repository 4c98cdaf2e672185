"""The corrected speed as files for other programs: CSV and GPX 1.1, on footage time."""

from __future__ import annotations

import csv
import os
from datetime import UTC, datetime, timedelta
from typing import Any
from xml.etree import ElementTree

import numpy as np
import numpy.typing as npt

from overlay.errors import MismatchError, UsageError
from overlay.files import written_whole
from overlay.runs.model import Kinematics
from overlay.series import Series
from overlay.timebase import FloatArray

CSV_HEADER = ("t_s", "speed_mps", "speed_sigma_mps", "accel_mps2", "distance_m", "known")
DEFAULT_RATE_HZ = 10.0
# GPX 1.1 admits elements under `extensions` only in a namespace other than its own.
EXTENSION_NAMESPACE = "urn:timetrue:gpx:1"
EXTENSION_PREFIX = "tt"
GAP_STEPS = 2.5  # as for logs: positions further apart than this many median steps leave a gap


def write_speed_csv(
    path: str | os.PathLike[str], kinematics: Kinematics, *, rate_hz: float = DEFAULT_RATE_HZ
) -> None:
    """Write the corrected speed on footage time as CSV.

    Columns: ``t_s`` (footage time), ``speed_mps``, ``speed_sigma_mps``, ``accel_mps2``,
    ``distance_m`` and ``known``, which is 1 where the log has data and 0 inside its gaps, where
    the other columns are empty. ``speed_sigma_mps`` is the standard uncertainty of the speed at
    that instant of the footage, the share of the timing included: it combines the speed's own
    with acceleration times the timing's (law of propagation, JCGM 100:2008, 5.1.2), and is empty
    where nobody knows how sure the timing is.

    Parameters
    ----------
    path : str or path
        File to write, replaced only when the new one is whole.
    rate_hz : float
        Rows a second, > 0; every row is an instant of the kinematics' own grid, so a rate above
        the grid's gives the grid.

    Raises
    ------
    UsageError
        If the rate is not positive.
    OutputError
        If the file cannot be written.
    """
    rows = decimated(kinematics.t_s, rate_hz)
    timing_mps = kinematics.accel_mps2 * kinematics.timing_sigma_s
    sigma_mps = np.hypot(kinematics.speed_sigma_mps, timing_mps)
    with written_whole(path) as part, part.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(CSV_HEADER)
        for row in rows.tolist():
            time_text = f"{kinematics.t_s[row]:.6f}"
            if not (kinematics.known[row] and np.isfinite(kinematics.speed_mps[row])):
                writer.writerow((time_text, "", "", "", "", 0))
                continue
            writer.writerow(
                (
                    time_text,
                    f"{kinematics.speed_mps[row]:.4f}",
                    f"{sigma_mps[row]:.4f}" if np.isfinite(sigma_mps[row]) else "",
                    f"{kinematics.accel_mps2[row]:.4f}",
                    f"{kinematics.distance_m[row]:.4f}",
                    1,
                )
            )


def write_speed_gpx(
    path: str | os.PathLike[str],
    kinematics: Kinematics,
    *,
    start_utc: datetime | None,
    latitude: Series | None,
    longitude: Series | None,
    altitude: Series | None = None,
    rate_hz: float = DEFAULT_RATE_HZ,
) -> None:
    """Write the corrected speed as a GPX 1.1 track.

    Each point carries the corrected speed in m/s in an extension element named ``speed``. The
    position is that of the receiver, straight between its fixes and never across a gap; points
    without a known speed or a position are left out, and a new segment starts after them.

    Parameters
    ----------
    path : str or path
        File to write, replaced only when the new one is whole.
    start_utc : datetime or None
        UTC of footage time 0, aware (a naive one counts as UTC).
    latitude, longitude, altitude : Series or None
        Positions in degrees and metres on footage time.
    rate_hz : float
        Points a second, > 0.

    Raises
    ------
    MismatchError
        If there are no positions or no UTC, or the positions do not overlap the run.
    UsageError
        If the rate is not positive.
    OutputError
        If the file cannot be written.
    """
    if latitude is None or longitude is None or not len(latitude) or not len(longitude):
        raise MismatchError(
            f"{path}: the log has no positions, which GPX needs; write CSV, or give a log with them"
        )
    if start_utc is None:
        raise MismatchError(
            f"{path}: the log has no date and time in UTC, which GPX needs; write CSV, or give a "
            "log with them"
        )
    points = _points(kinematics, latitude, longitude, altitude, start_utc, rate_hz)
    if not any(points):
        raise MismatchError(
            f"{path}: no position falls within the run's known speed; check that log and footage "
            "belong together"
        )
    text = _document(points)
    with written_whole(path) as part:
        part.write_text(text, encoding="utf-8")


def decimated(t_s: FloatArray, rate_hz: float) -> npt.NDArray[np.int64]:
    """Indices of the grid's instants nearest to even steps of ``1 / rate_hz`` from its start.

    Examples
    --------
    >>> decimated(np.arange(7) / 100, 50.0).tolist()
    [0, 2, 4, 6]
    """
    if not (rate_hz > 0 and np.isfinite(rate_hz)):
        raise UsageError(f"rate {rate_hz:g} Hz: must be a positive number of rows a second")
    if len(t_s) < 2:
        return np.arange(len(t_s))
    step_s = float(t_s[-1] - t_s[0]) / (len(t_s) - 1)
    count = int(np.floor((len(t_s) - 1) * step_s * rate_hz + 1e-6)) + 1
    if count >= len(t_s):
        return np.arange(len(t_s))
    return np.unique(np.rint(np.arange(count) / (rate_hz * step_s)).astype(np.int64))


def _points(
    kinematics: Kinematics,
    latitude: Series,
    longitude: Series,
    altitude: Series | None,
    start_utc: datetime,
    rate_hz: float,
) -> list[Any]:
    """A point of a track for each instant; None where speed or position is unknown."""
    rows = decimated(kinematics.t_s, rate_hz)
    t_s, speed_mps = kinematics.t_s[rows], kinematics.speed_mps[rows]
    place = np.column_stack([_position_at(latitude, t_s), _position_at(longitude, t_s)])
    usable = kinematics.known[rows] & np.isfinite(speed_mps) & np.all(np.isfinite(place), axis=1)
    height = np.full(len(t_s), np.nan) if altitude is None else _position_at(altitude, t_s)
    start = start_utc if start_utc.tzinfo else start_utc.replace(tzinfo=UTC)
    return [
        _point(start, t_s[i], place[i], height[i], speed_mps[i]) if usable[i] else None
        for i in range(len(t_s))
    ]


def _position_at(series: Series, t_s: FloatArray) -> FloatArray:
    values = series.values
    if series.name.startswith("longitude"):
        # Unwrapped, so that a step over the 180th meridian is not drawn round the world.
        values = np.unwrap(values, period=360.0)
    found: FloatArray = np.interp(t_s, series.t_s, values, left=np.nan, right=np.nan)
    if series.name.startswith("longitude"):
        found = (found + 180.0) % 360.0 - 180.0
    for start_s, end_s in series.gaps(GAP_STEPS * series.median_step_s) if len(series) > 2 else []:
        found[(t_s > start_s) & (t_s < end_s)] = np.nan
    return found


def _point(start: datetime, t_s: float, place: FloatArray, height_m: float, speed: float) -> Any:
    from gpxpy.gpx import GPXTrackPoint

    time = (start + timedelta(seconds=float(t_s))).astimezone(UTC)
    point = GPXTrackPoint(
        round(float(place[0]), 9),
        round(float(place[1]), 9),
        elevation=round(float(height_m), 3) if np.isfinite(height_m) else None,
        time=time,
    )
    element = ElementTree.Element(f"{{{EXTENSION_NAMESPACE}}}speed")
    element.text = f"{speed:.4f}"
    point.extensions.append(element)
    return point


def _document(points: list[Any]) -> str:
    """GPX text; None among the points starts a new segment."""
    from gpxpy.gpx import GPX, GPXTrack, GPXTrackSegment

    gpx = GPX()
    gpx.creator = "Timetrue"
    gpx.nsmap[EXTENSION_PREFIX] = EXTENSION_NAMESPACE
    track = GPXTrack(name="Corrected speed", description="Readout lag removed; speed in m/s")
    gpx.tracks.append(track)
    broken = True
    for point in points:
        if point is None:
            broken = True
            continue
        if broken:
            track.segments.append(GPXTrackSegment())
            broken = False
        track.segments[-1].points.append(point)
    return str(gpx.to_xml(version="1.1"))
