"""How the speed goes on from pair to pair, by corners that are followed through both.

What a corner moves along its line to the point headed for gives its depth over the distance gone.
From one pair to the next the depth lessens by just the distance gone between, so each corner gives
the ratio of the two distances, wherever it stands and however high above the ground the camera is.
Ratios know no scale, and their errors add up over many seconds. The ground gives the scale, with
errors that last for seconds: slopes, kerbs, springs that lift the camera, a pitch measured short.
Both are joined by least squares.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from overlay.motion.heading import Points, flow_without_turning, sideways
from overlay.motion.model import BoolArray
from overlay.timebase import FloatArray

Indices = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Tuning:
    """Set on real streets by ``python -m tests.benchmarks.accuracy.street``.

    Attributes
    ----------
    least_noises, most_noises : float
        How far a corner must move along its line, and may move across it, in times of its noise.
    depth_sigma : float
        Relative error of a corner's depth beside its noise: what is followed slides on edges.
    least_corners : int
        Fewer give no ratio.
    shared : float
        The uncertainty of a ratio is so many times that by the noise assumed, that of the turning
        aside: corners of a pair share errors, those of the direction of travel most of all. Ratios
        are off by 1 % over ten seconds on real streets, but by 3 to 6 % on rendered ones. At 0.5
        the real streets come out best, but a rendered lane where the speed changes little was off
        by 0.7 s, at 2.5 still by 0.5 s.
    rate_sigma : float
        Relative error a second that all ratios of a clip share, 1/s: a wrong focal length bends
        them all one way.
    height_sigma, height_s : float
        Relative error of the height above the ground, and how long it lasts, seconds.
    """

    least_noises: float = 5.0
    most_noises: float = 3.0
    depth_sigma: float = 0.005
    least_corners: int = 8
    shared: float = 4.0
    rate_sigma: float = 0.02
    height_sigma: float = 0.03
    height_s: float = 1.5


TUNING = Tuning()


@dataclass(frozen=True, eq=False)
class Ratios:
    """Logarithm of the next pair's distance over that of each pair, shape (pairs - 1,).

    `sigma` is its standard uncertainty, infinite where there is none.
    """

    log: FloatArray
    sigma: FloatArray


def ratios_of(
    points: Points,
    corner: Indices,
    turn: FloatArray,
    turn_covariance: FloatArray,
    travel: FloatArray,
) -> Ratios:
    """Ratios of the distances of neighbouring pairs.

    Parameters
    ----------
    points : Points
    corner : ndarray of int, shape (n,)
        Which corner each point is of (see ``Tracks``).
    turn, travel : ndarrays, shape (pairs, 3)
        Turning and direction of travel in each pair.
    turn_covariance : ndarray, shape (pairs, 3, 3)
        Of the turning: its error is in all corners of a pair at once.
    """
    heading = travel[points.pair]
    flow = flow_without_turning(points, turn)
    unit, _, size, across = sideways(points, heading, flow)
    along = np.sum(unit * flow, axis=1)
    clear = np.abs(along) > TUNING.least_noises * points.noise
    clear &= np.abs(across) < TUNING.most_noises * points.noise
    depth = size / np.where(clear, along, 1.0)
    # Between the middles of two pairs lies half the distance of each, and half the turning, which
    # carries what is at the side to the front or to the back.
    x, y, _ = points.middle.T
    carried = (turn[points.pair, 1] * x - turn[points.pair, 0] * y) / 2
    then = depth * (1 + carried) - heading[:, 2] / 2
    now = depth * (1 - carried) + heading[:, 2] / 2
    before, after = _followed(points.pair, corner)
    good = clear[before] & clear[after] & (depth[before] * depth[after] > 0)
    good &= then[before] * now[after] > 0
    before, after = before[good], after[good]
    variance = TUNING.depth_sigma**2 + np.square(points.noise) * (
        along[before] ** -2.0 + along[after] ** -2.0
    )
    weight = np.minimum(points.share[before], points.share[after]) / variance
    log = np.log(then[before] / now[after])
    step, count = points.pair[before], len(points.first) - 1
    mean, robust = _robust_means(log, weight, variance, step, count)
    total = np.maximum(np.bincount(step, robust, count), 1e-12)
    known = np.bincount(step, minlength=count) >= TUNING.least_corners
    found = TUNING.shared**2 / total
    slope = np.einsum("ni,nij->nj", unit, points.turning) / np.where(clear, along, 1.0)[:, None]
    for place, own in ((before, turn_covariance[:-1]), (after, turn_covariance[1:])):
        sums = [np.bincount(step, robust * s, count) for s in slope[place].T]
        by_turn: FloatArray = np.stack(sums, axis=-1) / total[:, None]
        found = found + np.einsum("ki,kij,kj->k", by_turn, own, by_turn)
    return Ratios(mean, np.where(known, np.sqrt(found), np.inf))


def _followed(pair: Indices, corner: Indices) -> tuple[Indices, Indices]:
    """Places of the points of a pair, and of the same corners in the pair after it."""
    many = int(corner.max()) + 1
    key = pair * many + corner
    _, before, after = np.intersect1d(key + many, key, assume_unique=True, return_indices=True)
    return before, after


def _robust_means(
    values: FloatArray, weight: FloatArray, variance: FloatArray, group: Indices, count: int
) -> tuple[FloatArray, FloatArray]:
    """Mean of each group from its median on, and the robust weights (Cauchy)."""
    order = np.lexsort((values, group))
    size = np.bincount(group, minlength=count)
    middle = np.cumsum(size) - size + size // 2
    mean: FloatArray = np.where(
        size > 0, np.append(values[order], 0.0)[np.minimum(middle, len(values))], 0.0
    )
    robust = weight
    for _ in range(8):
        robust = weight / (1 + (values - mean[group]) ** 2 / variance / 1.5**2)
        total = np.maximum(np.bincount(group, robust, count), 1e-12)
        mean = np.bincount(group, robust * values, count) / total
    return mean, robust


def steadied(
    distance: FloatArray,
    sigma: FloatArray,
    ratios: Ratios,
    middle_s: FloatArray,
    grounded: BoolArray,
) -> FloatArray:
    """Distances by the ground and by the ratios together, shape (n,).

    Parameters
    ----------
    distance, sigma : ndarrays, shape (n,)
        By the ground, over camera height, and its standard uncertainty.
    ratios : Ratios
    middle_s : ndarray, shape (n,)
        Footage time of each pair's middle.
    grounded : ndarray of bool, shape (n,)
        Whether enough ground was seen in a pair; others stay as they are and lead nowhere.

    Notes
    -----
    Unknowns are the distance d of each pair and the relative error h of the height, which keeps to
    a first-order process: ``d = distance (1 - h)``, ``d' = ratio d``, ``h' = keep h``; and the rate
    by which all ratios say too much.
    """
    from scipy.linalg import solveh_banded

    n, step_s = len(distance), np.diff(middle_s)
    known = np.isfinite(ratios.sigma) & (distance[1:] * distance[:-1] > 0)
    known &= grounded[1:] & grounded[:-1]
    ratio = np.where(known, np.exp(ratios.log), 0.0)
    apart = np.where(known, ratios.sigma, 1.0) * ratio * np.abs(distance[:-1])
    keep = np.exp(-step_s / TUNING.height_s)
    at = 2 * np.arange(n)
    bands, right = np.zeros((3, 2 * n)), np.zeros(2 * n)

    def add(
        places: Sequence[Indices], factors: Sequence[FloatArray | float], weight: FloatArray
    ) -> None:
        for p, f in zip(places, factors, strict=True):
            for q, g in zip(places, factors, strict=True):
                if p[0] >= q[0]:
                    bands[p[0] - q[0], q] += f * g * weight

    add([at, at + 1], [1.0, distance], sigma**-2)
    right[at] += distance * sigma**-2
    right[at + 1] += distance**2 * sigma**-2
    add([at[:1] + 1], [1.0], np.array([TUNING.height_sigma**-2.0]))
    add([at[1:] + 1, at[:-1] + 1], [1.0, -keep], TUNING.height_sigma**-2 / (1 - keep**2))
    weight = np.where(known, np.maximum(apart, 1e-12) ** -2.0, 0.0)
    add([at[1:], at[:-1]], [1.0, -ratio], weight)
    drifted = step_s * ratio * distance[:-1]
    border = np.zeros(2 * n)
    border[at[1:]] += weight * drifted
    border[at[:-1]] -= weight * drifted * ratio
    both = np.column_stack([right, border])
    solved: FloatArray = solveh_banded(bands, both, lower=True, check_finite=False)
    stiffness = TUNING.rate_sigma**-2 + weight @ drifted**2 - border @ solved[:, 1]
    rate = -(border @ solved[:, 0]) / stiffness
    return np.asarray((solved[:, 0] - rate * solved[:, 1])[::2])
