"""Which way a run went, from the positions in its log."""

from __future__ import annotations

import math

import numpy as np

from overlay.series import Series

LEAST_M = 10.0  # nearer than that a receiver's own wander turns the heading


def heading_deg(
    latitude_deg: Series, longitude_deg: Series, start_s: float, end_s: float
) -> float | None:
    """Heading from where the run starts to where it ends, degrees clockwise from north.

    On the plane that touches the earth at the middle latitude: within 0.1° for a few kilometres
    below 60° of latitude, where a sphere stands for the ellipsoid.

    Parameters
    ----------
    latitude_deg, longitude_deg : Series
        On one clock.
    start_s, end_s : float
        On that clock.

    Returns
    -------
    float or None
        0 to 360; None where the log does not cover both ends or they are too near each other.
    """
    ends = np.array([start_s, end_s])
    lat, lon = latitude_deg.at(ends), longitude_deg.at(ends)
    if not (np.all(np.isfinite(lat)) and np.all(np.isfinite(lon))):
        return None
    north = float(np.radians(lat[1] - lat[0]))
    turned = float((lon[1] - lon[0] + 180.0) % 360.0 - 180.0)
    east = math.radians(turned) * math.cos(math.radians(float(lat.mean())))
    if math.hypot(north, east) * 6.371e6 < LEAST_M:
        return None
    return math.degrees(math.atan2(east, north)) % 360.0
