"""Speed over ground from successive positions, for logs that carry no speed of their own.

The difference of two positions is the mean velocity between them. It is stamped here with the
middle of the interval, so that reading adds no lag; stamped with the later time, as loggers that
compute it themselves do, it would come late by half an interval.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from overlay.timebase import FloatArray

# WGS 84 defining parameters, NGA.STND.0036: semi-major axis and flattening.
WGS84_A_M = 6378137.0
WGS84_F = 1 / 298.257223563


def local_distance_m(
    lat1_deg: FloatArray, lon1_deg: FloatArray, lat2_deg: FloatArray, lon2_deg: FloatArray
) -> FloatArray:
    """Distance along the WGS 84 ellipsoid between points up to a few kilometres apart.

    North and east parts are taken with the radii of curvature in the meridian and in the prime
    vertical at the middle latitude (the mid-latitude formula of geodesy). The neglected terms grow
    with the square of distance over earth radius: under 1 part in 10^6 up to 10 km below 60°
    of latitude, which is far below any receiver's noise.

    Parameters
    ----------
    lat1_deg, lon1_deg, lat2_deg, lon2_deg : ndarray of float, one shape
        Geodetic degrees; longitudes may be either side of 180°.

    Returns
    -------
    ndarray of float
        Metres, >= 0.

    Examples
    --------
    >>> one = np.array([0.0]), np.array([0.0]), np.array([0.0]), np.array([0.01])
    >>> round(float(local_distance_m(*one)[0]), 3)  # a hundredth of a degree of the equator
    1113.195
    """
    squared_eccentricity = WGS84_F * (2 - WGS84_F)
    middle = np.radians((lat1_deg + lat2_deg) / 2)
    shape = 1 - squared_eccentricity * np.sin(middle) ** 2
    meridian_m = WGS84_A_M * (1 - squared_eccentricity) / shape**1.5
    prime_vertical_m = WGS84_A_M / np.sqrt(shape)
    turned = (lon2_deg - lon1_deg + 180.0) % 360.0 - 180.0
    north_m = meridian_m * np.radians(lat2_deg - lat1_deg)
    east_m = prime_vertical_m * np.cos(middle) * np.radians(turned)
    return np.asarray(np.hypot(north_m, east_m), dtype=np.float64)


def speed_from_positions(
    t_s: FloatArray,
    lat_deg: FloatArray,
    lon_deg: FloatArray,
    *,
    segment: npt.NDArray[np.int64] | None = None,
    longest_step_s: float = float("inf"),
) -> tuple[FloatArray, FloatArray]:
    """Mean speed between successive positions, stamped with the middle of each interval.

    Parameters
    ----------
    t_s, lat_deg, lon_deg : ndarray of float, shape (n,)
        Times, strictly increasing, and positions.
    segment : ndarray of int, shape (n,), optional
        Nothing is computed between positions of different segments.
    longest_step_s : float
        Nothing is computed over longer steps: they are gaps.

    Returns
    -------
    mid_t_s, speed_mps : ndarray of float, shape (m,), m <= n - 1
    """
    step_s = np.diff(t_s)
    distance_m = local_distance_m(lat_deg[:-1], lon_deg[:-1], lat_deg[1:], lon_deg[1:])
    keep = step_s <= longest_step_s
    if segment is not None:
        keep &= np.diff(segment) == 0
    mid_t_s = t_s[:-1] + step_s / 2
    return mid_t_s[keep], (distance_m / step_s)[keep]


def distinct_rows(lat_deg: FloatArray, lon_deg: FloatArray) -> npt.NDArray[np.int64]:
    """Rows at which the receiver measured, where the file repeats each position several times.

    A file written faster than the receiver measures holds every position for some rows; their
    differences would be zeros and spikes. The usual number of repeats is the median length of the
    runs of equal positions; of each run one row in so many is kept, the first among them, so that
    a long standstill still gives zeros. All rows are kept where positions do not repeat.

    Examples
    --------
    >>> distinct_rows(np.repeat(np.arange(6.0), 3), np.zeros(18)).tolist()
    [0, 3, 6, 9, 12, 15]
    """
    count = len(lat_deg)
    moved = (np.diff(lat_deg) != 0) | (np.diff(lon_deg) != 0)
    starts = np.concatenate([[0], np.flatnonzero(moved) + 1]).astype(np.int64)
    lengths = np.diff(np.concatenate([starts, [count]]))
    # The first and last runs may be cut off or stand still; a few others are too few to judge by.
    usual = int(np.median(lengths[1:-1])) if len(lengths) >= 5 else 1
    if usual < 2:
        return np.arange(count)
    within = np.arange(count) - np.repeat(starts, lengths)
    left = np.repeat(lengths, lengths) - within
    # A run one row longer than usual is jitter of the two clocks, not another measurement.
    return np.flatnonzero((within % usual == 0) & ((within == 0) | (left > usual / 2)))
