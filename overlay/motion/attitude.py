"""How pitch and roll of the vehicle on its springs change what the camera sees of the ground.

A vehicle squats when it pulls away and dives when it brakes. A degree of pitch moves the horizon
by several pixels, and the flow of the ground, which grows with the square of the distance below
the horizon, changes by a tenth or more. Left alone, that error follows the acceleration, which is
just what a lag looks like. So the attitude of each pair is estimated, from two sources: the turning
between pictures, summed (exact over a second, drifting over many), and the shape of the flow itself
(coarse for one pair, without drift).
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from overlay.timebase import FloatArray

# Error of the turning of one pair, radians, and how far the attitude strays from its mean.
_TURN_SIGMA_RAD = 3e-4
_STRAY_SIGMA_RAD = 0.04
# The misfit of neighbouring cells is alike, so a pair knows less of the shape than cells count.
_SHAPE_INFLATION = 30.0
# A vehicle stands after a run as it stood before, the ground being about level.
_REST_SHARE = 0.01
_REST_PAIRS = 6
_REST_SIGMA_RAD = 0.0015


def tilting_columns(
    along: FloatArray,
    trust: FloatArray,
    turning: FloatArray,
    *,
    columns: int,
    rows: int,
    width: int,
    height: int,
) -> FloatArray:
    """Change of the template for one radian of pitch and of roll, shape (cells, 2, 2).

    Turning the camera carries the flow field of the ground along, so the change is the Lie
    bracket of the field of turning r and the template g: ``(g . grad) r - (r . grad) g``.

    Parameters
    ----------
    along : ndarray, shape (cells, 2)
    trust : ndarray, shape (cells,)
        How much is known of each cell's template, >= 0; cells of little trust take after their
        neighbours.
    turning : ndarray, shape (cells, 2, 3)
    """
    field = _smoothed(along.reshape(rows, columns, 2), trust.reshape(rows, columns))
    cell_x, cell_y = width / columns, height / rows
    out = np.zeros((rows, columns, 2, 2))
    for k, axis in enumerate((1, 2)):
        turn = turning[:, :, axis].reshape(rows, columns, 2)
        out[..., k] = _carried(field, turn, cell_x, cell_y) - _carried(turn, field, cell_x, cell_y)
    return out.reshape(-1, 2, 2)


def _carried(by: FloatArray, field: FloatArray, cell_x: float, cell_y: float) -> FloatArray:
    """``(by . grad) field`` on the grid, shape (rows, columns, 2)."""
    down = np.gradient(field, cell_y, axis=0)
    across = np.gradient(field, cell_x, axis=1)
    return np.asarray(by[..., :1] * across + by[..., 1:] * down)


def _smoothed(field: FloatArray, trust: FloatArray) -> FloatArray:
    """Weighted mean over 3 x 3 cells, the middle counting most, shape (rows, columns, 2)."""
    weight = trust + 1e-6 * float(trust.max() + 1e-12)
    top = np.zeros_like(field)
    bottom = np.zeros(weight.shape)
    padded = np.pad(field * weight[..., None], ((1, 1), (1, 1), (0, 0)))
    padded_weight = np.pad(weight, 1)
    rows, columns = weight.shape
    for i, a in enumerate((0.25, 1.0, 0.25)):
        for j, b in enumerate((0.5, 1.0, 0.5)):
            top += a * b * padded[i : i + rows, j : j + columns]
            bottom += a * b * padded_weight[i : i + rows, j : j + columns]
    return np.asarray(top / bottom[..., None])


def smooth_attitude(
    shape: FloatArray, information: FloatArray, turn: FloatArray, distance: FloatArray
) -> FloatArray:
    """Attitude of each pair about one axis, in radians, from shape and turning, shape (n,).

    Least squares over the whole clip: attitude equals `shape` within its information, and its
    steps equal the turning between mid-pairs plus a constant share of the distance, which is the
    part of turning that the template may hide.

    Parameters
    ----------
    shape, information : ndarrays, shape (n,)
        Attitude from the flow of each pair alone, and one over its variance.
    turn, distance : ndarrays, shape (n,)
        Turn between the pictures of each pair, and motion along the path.
    """
    from scipy.linalg import solveh_banded

    n = len(shape)
    if n < 3:
        return np.zeros(n)
    trust = information / _SHAPE_INFLATION
    tie = 1 / _TURN_SIGMA_RAD**2
    step = (turn[1:] + turn[:-1]) / 2
    hidden = (distance[1:] + distance[:-1]) / 2
    bands = np.zeros((2, n))
    bands[1] = trust + 1 / _STRAY_SIGMA_RAD**2
    bands[1, 1:] += tie
    bands[1, :-1] += tie
    bands[0, 1:] = -tie
    ties = _rest_ties(distance)
    right = np.zeros((n, 2 + len(ties)))
    right[:, 0] = trust * shape
    for column, steps in enumerate((step, hidden)):
        right[1:, column] += tie * steps
        right[:-1, column] -= tie * steps
    for k, (before, after) in enumerate(ties):
        right[before, 2 + k], right[after, 2 + k] = 1.0, -1.0
    solved: npt.NDArray[np.float64] = np.asarray(solveh_banded(bands, right))
    solved = _tied(solved, right[:, 2:])
    rest, unit = solved[:, 0], solved[:, 1]
    # The best share: where the misfit of the steps is at right angles to the distance.
    gap = np.sum(hidden * (np.diff(unit) - hidden))
    share = float(np.sum(hidden * (step - np.diff(rest))) / gap) if abs(gap) > 1e-18 else 0.0
    return np.asarray(rest + share * unit)


def _rest_ties(distance: FloatArray) -> list[tuple[int, int]]:
    """Pairs just before a start and after the next stop, when the vehicle stands alike."""
    still = np.abs(distance) < _REST_SHARE * np.percentile(np.abs(distance), 98)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], still, [False]]).astype(np.int8)))
    rests = [(a, b - 1) for a, b in edges.reshape(-1, 2) if b - a >= _REST_PAIRS]
    settled = [(first + min(2 * _REST_PAIRS, last - first), last) for first, last in rests]
    return [(a[1], b[0]) for a, b in pairwise(settled)]


def _tied(solved: FloatArray, ties: FloatArray) -> FloatArray:
    """Bring in that attitudes at rest agree: Woodbury's identity on the solved columns."""
    if not ties.shape[1]:
        return solved
    inner = ties.T @ solved[:, 2:] + _REST_SIGMA_RAD**2 * np.eye(ties.shape[1])
    fixed = np.linalg.solve(inner, ties.T @ solved[:, :2])
    return np.asarray(solved[:, :2] - solved[:, 2:] @ fixed)
