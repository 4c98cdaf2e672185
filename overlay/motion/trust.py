"""Which pairs of pictures can be trusted (repeats, cuts, flashes), and which clips cannot tell.

All thresholds are common practice, no source: set on rendered and real footage so that a still
camera (sensor noise, changing exposure, a person walking by, an unsteady hand) and a moving one
fall far to either side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from overlay.timebase import FloatArray

BoolArray = npt.NDArray[np.bool_]

# Mean difference of two pictures, in grey levels of 256, under which one repeats the other: even
# a quiet sensor differs by more; a repeat that was encoded again differs far less than its
# neighbours do.
_SAME_LEVEL = 0.02
_SAME_SHARE = 0.15
# Above this difference even a still picture shows the sensor's noise, so that none is the same.
_LIVELY_LEVEL = 0.4
# A camera or recorder repeats a frame or a few; longer runs are a still picture or a frozen one.
_LONGEST_REPEAT = 3
_NEAR_PAIRS = 4
_MOVING_SHARE_OF_TOP = 0.08
_CUT_LOST = 0.45
_CUT_CALM = 0.25
_FLASH_LEVEL = 12.0
_FLASH_TIMES = 8.0

_SCATTER_PAIRS = 12
# Beyond this it is no error but a picture that truly jerks, frames having been left out.
_MOST_SCATTER = 8.0
_MOVING_PART = 0.3

_LEAST_TEXTURED = 0.03
_LEAST_MOVING = 0.1
_LEAST_SIGNIFICANCE = 14.0
_LEAST_ONE_WAY = 0.6
_ONE_WAY_S = 2 / 3
_LASTING_SIGMAS = 8.0
LEAST_BEND = 0.01  # rendered clear pictures read up to 3 % more or less when slow, 1 % mostly
# Noise of the picture bends the gain: least squares on noisy gradients falls short (Fuller 1987,
# "Measurement Error Models"), and by more where the ground moves less. On rendered ground of faint
# texture, a signal with noise of 2.4 % of full scale had a gain 16 % larger at walking pace than at
# full speed; with up to 1.8 % the bend was no larger than the alignment allows anyhow.
_HARMLESS_NOISE = 0.018
_BEND_FOR_NOISE = 10.0
_LARGEST_BEND = 0.1
_NOISE_SPAN_S = 1 / 30
_LEAST_LASTING = 0.75


@dataclass(frozen=True, eq=False)
class PairKinds:
    """What each pair is; bool arrays of shape (n,). `merged_start` gives true starts."""

    repeat: BoolArray
    frozen: BoolArray
    cut: BoolArray
    flash: BoolArray
    start_s: FloatArray


def find_repeats(difference: FloatArray) -> BoolArray:
    """Pairs whose second picture shows the first again, shape (n,).

    Parameters
    ----------
    difference : ndarray, shape (n,)
        Mean absolute difference of the two pictures of each pair, grey levels.

    Examples
    --------
    >>> find_repeats(np.array([3.0, 2.9, 0.1, 3.1, 3.0])).tolist()
    [False, False, True, False, False]
    """
    if not len(difference):
        return np.zeros(0, bool)
    usual = _usual_difference(difference)
    return np.asarray((difference < _SAME_LEVEL) | (difference < _SAME_SHARE * usual))


def _usual_difference(difference: FloatArray) -> FloatArray:
    """How much the pictures around each pair differ when they are new, grey levels."""
    padded = np.pad(difference, _NEAR_PAIRS, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * _NEAR_PAIRS + 1)
    return np.asarray(np.percentile(windows, 75, axis=1), dtype=np.float64)


def sort_pairs(
    *,
    start_s: FloatArray,
    rate: FloatArray,
    difference: FloatArray,
    lost_share: FloatArray,
    level_step: FloatArray,
) -> PairKinds:
    """Tell repeats from a still picture, and find cuts and flashes.

    A repeated frame makes the next pair span the time since the first showing. The same picture
    again and again is a vehicle at rest when the motion on either side is slow, else a frozen
    recording: then neither the run nor the pair after it says anything.

    Parameters
    ----------
    start_s, rate, difference, lost_share, level_step : ndarrays, shape (n,)
        Start of each pair, motion over time before any merging, mean absolute difference of its
        pictures, the share of cells that found no match, and the step in mean brightness.
    """
    n = len(rate)
    same, lively = find_repeats(difference), _usual_difference(difference) > _LIVELY_LEVEL
    repeat, frozen = np.zeros(n, bool), np.zeros(n, bool)
    start = start_s.copy()
    moving = np.where(same, 0.0, np.abs(rate))
    fast = _MOVING_SHARE_OF_TOP * float(np.percentile(moving, 98)) if n else 0.0
    for first, last in _runs(same):
        before = moving[first - 1] if first else 0.0
        after = moving[last + 1] if last + 1 < n else 0.0
        is_short = last - first < _LONGEST_REPEAT and last + 1 < n
        if is_short and (lively[first] or (before > fast and after > fast)):
            repeat[first : last + 1] = True
            start[last + 1] = start_s[first]
        elif last - first >= _LONGEST_REPEAT and max(before, after) > 3 * fast:
            frozen[first : min(last + 2, n)] = True
    calm = _neighbour_median(lost_share) < _CUT_CALM
    step = np.abs(level_step)
    usual = float(np.median(step)) if n else 0.0
    flash = step > max(_FLASH_LEVEL, _FLASH_TIMES * usual)
    cut = (lost_share > _CUT_LOST) & calm & ~flash
    return PairKinds(repeat, frozen, cut, flash, start)


def why_untold(
    *,
    shows: BoolArray,
    moves: BoolArray,
    distance: FloatArray,
    sigma: FloatArray,
    mid_s: FloatArray,
) -> str | None:
    """Why the picture cannot tell motion, or None when it can.

    Parameters
    ----------
    shows, moves : ndarrays of bool, shape (cells,)
        Cells with texture, and those that move with the vehicle.
    distance, sigma, mid_s : ndarrays, shape (n,)
        Motion of each pair, its standard uncertainty, and its middle time in seconds.
    """
    length = f"{float(mid_s[-1] - mid_s[0]):.1f} s"
    if shows.mean() < _LEAST_TEXTURED:
        return (
            f"the picture is too dark or too plain in all {length}: "
            f"only {100 * shows.mean():.0f} % of it has any texture"
        )
    strong = float(np.percentile(np.abs(distance / sigma), 95))
    if strong < _LEAST_SIGNIFICANCE or moves.sum() < _LEAST_MOVING * shows.sum():
        return (
            f"the picture never moves as a whole in {length}: "
            "the camera stood still, or sees too little of the ground"
        )
    if (
        _one_way_share(distance, mid_s) < _LEAST_ONE_WAY
        or _longest_share(distance / sigma, mid_s) < _LEAST_LASTING
    ):
        return f"the picture only shakes to and fro in {length}: the vehicle stood still"
    return None


def _one_way_share(distance: FloatArray, mid_s: FloatArray) -> float:
    """How far motion keeps its direction over two thirds of a second, 0 to 1.

    Examples
    --------
    >>> t = np.arange(60) / 30
    >>> _one_way_share(np.ones(60), t), _one_way_share(np.tile([1.0, -1.0], 30), t)
    (1.0, 0.0)
    """
    window = np.floor((mid_s - mid_s[0]) / _ONE_WAY_S).astype(int)
    net = np.abs(np.bincount(window, distance))
    gross = np.bincount(window, np.abs(distance))
    busy = gross >= 0.5 * gross.max()
    return float(net[busy].sum() / max(gross[busy].sum(), 1e-12))


def _longest_share(significance: FloatArray, mid_s: FloatArray) -> float:
    """Largest share of pairs of one window that surely move one way, 0 to 1.

    A hand may jerk the camera; a vehicle keeps moving for longer than two windows.
    """
    window = np.floor((mid_s - mid_s[0]) / _ONE_WAY_S).astype(int)
    count = np.maximum(np.bincount(window), 3)
    size = len(count)
    forth = np.bincount(window, significance > _LASTING_SIGMAS, size)
    back = np.bincount(window, significance < -_LASTING_SIGMAS, size)
    return float((np.maximum(forth, back) / count).max())


def honest_sigma(
    mid_s: FloatArray, rate: FloatArray, sigma: FloatArray, trusted: BoolArray
) -> FloatArray:
    """Sigma, larger where values scatter about their neighbours by more than it says, shape (n,).

    Errors of cells in one picture go together (the vehicle hops, a joint crosses many cells), so
    that the scatter within a picture says too little. A speed hardly bends from one picture to
    the next; its distance from the line between its neighbours is error. Where it is far beyond
    any error, the picture itself goes by jerks, and sigma stays.
    """
    k = np.flatnonzero(trusted)
    if len(k) < 8:
        return sigma
    t, value, own = mid_s[k], rate[k], sigma[k]
    part = (t[1:-1] - t[:-2]) / (t[2:] - t[:-2])
    rest = value[1:-1] - (1 - part) * value[:-2] - part * value[2:]
    expected = np.sqrt(own[1:-1] ** 2 + ((1 - part) * own[:-2]) ** 2 + (part * own[2:]) ** 2)
    apart = np.pad(np.minimum(np.abs(rest) / np.maximum(expected, 1e-12), 50.0), 1, mode="edge")
    reach = min(_SCATTER_PAIRS, (len(k) - 1) // 2)
    windows = np.lib.stride_tricks.sliding_window_view(
        np.pad(apart, reach, mode="reflect"), 2 * reach + 1
    )
    # The middle of a normal distribution's absolute value is 0.6745.
    scatter = np.median(windows, axis=1) / 0.6745
    moving = np.abs(value) > _MOVING_PART * np.percentile(np.abs(value), 98)
    if moving.any() and np.median(scatter[moving]) > _MOST_SCATTER:
        return sigma
    out = sigma.copy()
    out[k] = own * np.maximum(scatter, 1.0)
    return out


def _runs(flags: BoolArray) -> list[tuple[int, int]]:
    """First and last index of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in edges.reshape(-1, 2)]


def _neighbour_median(values: FloatArray) -> FloatArray:
    """Median of the two values before and the two after each, shape (n,)."""
    padded = np.pad(values, 2, mode="reflect" if len(values) > 2 else "edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 5)
    return np.asarray(np.median(windows[:, [0, 1, 3, 4]], axis=1), dtype=np.float64)


def gain_bend(span_s: FloatArray, sigma: FloatArray) -> float:
    """Relative standard uncertainty of the gain between low and full speed.

    Parameters
    ----------
    span_s : ndarray, shape (n,)
        Time between the pictures of each pair.
    sigma : ndarray, shape (n,)
        Of the signal, whose full scale is 1.

    Examples
    --------
    >>> span_s = np.full(3, 1 / 30)
    >>> gain_bend(span_s, np.full(3, 0.01)), round(gain_bend(span_s, np.full(3, 0.024)), 3)
    (0.01, 0.07)
    """
    noise = float(np.median(sigma)) * math.sqrt(float(np.median(span_s)) / _NOISE_SPAN_S)
    return LEAST_BEND + min(max(_BEND_FOR_NOISE * (noise - _HARMLESS_NOISE), 0.0), _LARGEST_BEND)
