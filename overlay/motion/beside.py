"""A still camera beside the track: its clock, from how the vehicle sets off in its picture.

A point of a vehicle on a straight line is seen, through any lens that leaves straight lines
straight, at ``(a + b s) / (1 + c s)`` along a line of the picture, where s is the way driven
(Hartley and Zisserman 2004, section 2.2: a projective map of the line). The way over time is known
from the run on board, so for each clock offset every corner of the vehicle that was followed gives
a, b and c and what is left over. A steady speed fits at any offset and tells nothing; setting off,
lifting and braking tell.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from overlay.footage.model import LumaFrame
from overlay.motion.model import BoolArray
from overlay.timebase import FloatArray
from overlay.units import Z95

Picture = npt.NDArray[np.uint8]

STEP_S = 0.09  # between the pictures that are looked at
WIDTH_PX = 480
LONGEST_S = 120.0
ANCHOR_S, REACH_S = 0.6, 2.4  # corners are chosen so often, and followed so far back and on
MOST_CORNERS = 40
MOVES, LEAST_SHARE = 9, 2e-4  # grey levels of change, and the share of the picture that changes so
LEAST_PATH_PX, LEAST_POINTS = 6.0, 10
RETURN_PX = 0.5
LARGEST_SWAY = 0.1  # of the picture's width, which a hand may sway by; more is a camera that turns
GROUND_CORNERS = 120
PIXEL_SIGMA = 0.12  # of a corner that is followed; common practice, no source
FITS_PX, LEAST_CORNERS = 0.6, 8  # what is left of a corner of the vehicle, and how many it takes
INDEPENDENT_S = 0.25  # errors closer than this are the same
OFFSET_STEP_S = 0.02
LIKE_PARTS = 4.0  # corners of one vehicle share their errors: so many count as independent
LEAST_GAIN, LEAST_MARGIN, NEAR_S = 12.0, 6.0, 0.6
WIDEST_HALF_S = 0.08
MODEL_SIGMA_S = 0.015  # a vehicle that pitches, and a line that is not quite straight
RESTS_MPS = 0.3
RESAMPLES = 200


@dataclass(frozen=True)
class Beside:
    """How far the clock of a camera beside the track is apart from the one on board."""

    # Footage time beside the track less that on board, of the same instant; None where the picture
    # cannot tell, with the `reason`.
    offset_s: float | None = None
    interval_s: tuple[float, float] | None = None  # 95 % interval
    corners: int = 0  # followed on the vehicle
    reason: str | None = None


@dataclass(frozen=True, eq=False)
class Path:
    """One corner that moved: footage times, and its place along its line, pixels."""

    t_s: FloatArray
    along_px: FloatArray


def clock_beside(
    frames: Iterable[LumaFrame], t_s: FloatArray, distance_m: FloatArray, speed_mps: FloatArray
) -> Beside:
    """How far the clock of a still camera is apart from the one on board.

    Parameters
    ----------
    frames : iterable of LumaFrame
        Of the camera beside the track, in time order, about `WIDTH_PX` wide.
    t_s, distance_m, speed_mps : ndarray, shape (n,)
        The way driven and the speed over the footage time on board; a straight line.

    Notes
    -----
    The interval is by resampling the corners, with a part for what the model leaves out.
    """
    kept = _spaced(frames)
    if isinstance(kept, str):
        return Beside(reason=kept)
    paths = moving_paths(*kept)
    if isinstance(paths, str):
        return Beside(reason=paths)
    return apart(paths, t_s, distance_m, speed_mps)


def apart(
    paths: list[Path], t_s: FloatArray, distance_m: FloatArray, speed_mps: FloatArray
) -> Beside:
    """The clock offset that the paths of corners give; see :func:`clock_beside`."""
    if not paths:
        return Beside(reason="nothing in it was seen to move")
    first = min(float(path.t_s[0]) for path in paths)
    last = max(float(path.t_s[-1]) for path in paths)
    offsets = np.arange(first - t_s[-1], last - t_s[0], OFFSET_STEP_S)
    way = _held(t_s, distance_m, speed_mps)
    gains = np.stack([_gains(path, offsets, way) for path in paths])
    total = gains.sum(axis=0)
    at = int(np.argmax(total))
    corners = int(np.count_nonzero(gains[:, at] > 1))
    gains *= min(1.0, LIKE_PARTS / max(corners, 1))
    total = gains.sum(axis=0)
    far = np.abs(offsets - offsets[at]) > NEAR_S
    lead = float(total[at] - max(0.0, np.max(total[far], initial=0.0)))
    if corners < LEAST_CORNERS or total[at] < LEAST_GAIN or lead < LEAST_MARGIN:
        return Beside(
            corners=corners,
            reason="what moves in it does not set off, lift or brake as the run on board does, or "
            "does so at more than one offset alike",
        )
    near = np.flatnonzero(~far)
    draws = np.random.default_rng(1).multinomial(
        len(paths), np.full(len(paths), 1 / len(paths)), RESAMPLES
    )
    peaks = [_peak(offsets[near], row @ gains[:, near]) for row in draws]
    offset_s = _peak(offsets[near], total[near])
    half_s = Z95 * float(np.hypot(_curved(offsets[near], total[near]), MODEL_SIGMA_S))
    half_s = max(half_s, Z95 * float(np.hypot(np.std(peaks), MODEL_SIGMA_S)))
    if half_s > WIDEST_HALF_S:
        return Beside(reason=f"its picture gives the offset only to ± {half_s:.2f} s")
    return Beside(offset_s, (offset_s - half_s, offset_s + half_s), corners)


def _held(
    t_s: FloatArray, distance_m: FloatArray, speed_mps: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The way over time, going on at both ends where the vehicle rests there."""
    before = [t_s[0] - LONGEST_S] if abs(speed_mps[0]) < RESTS_MPS else []
    after = [t_s[-1] + LONGEST_S] if abs(speed_mps[-1]) < RESTS_MPS else []
    times = np.concatenate([before, t_s, after])
    way = np.concatenate(
        [distance_m[:1] if before else [], distance_m, distance_m[-1:][: len(after)]]
    )
    return times, way


def _gains(path: Path, offsets: FloatArray, way: tuple[FloatArray, FloatArray]) -> FloatArray:
    """Log units by which the run explains a path better than a steady speed does, per offset."""
    span_s = float(np.median(np.diff(path.t_s)))
    count = len(path.t_s) * min(1.0, span_s / INDEPENDENT_S)
    steady = _left_over(path.along_px, path.t_s[None] - path.t_s[0])[0]
    at_s = path.t_s[None] - offsets[:, None]
    known = (at_s >= way[0][0]).all(axis=1) & (at_s <= way[0][-1]).all(axis=1)
    gains = np.zeros(len(offsets))
    driven = np.interp(at_s[known], *way)
    moves = np.ptp(driven, axis=1) > 1e-3
    rows = np.flatnonzero(known)[moves]
    left = _left_over(path.along_px, driven[moves])
    noise = PIXEL_SIGMA**2
    better = count / 2 * np.log((noise + steady) / (noise + left))
    # Or it is no part of the vehicle, as likely as not.
    gains[rows] = np.logaddexp(better, 0.0) - np.log(2.0)
    gains[rows[left > FITS_PX**2]] = 0.0
    return gains


def _left_over(along: FloatArray, way: FloatArray) -> FloatArray:
    """Mean square left of ``along = a + b s - c s along``, shape (rows,), for each row of s."""
    low, high = way.min(axis=1, keepdims=True), way.max(axis=1, keepdims=True)
    s = (way - low) / np.maximum(high - low, 1e-9)
    middle, size = float(along.mean()), float(np.ptp(along)) or 1.0
    p = (along - middle) / size
    design = np.stack([np.ones_like(s), s, -s * p], axis=-1)
    normal = np.swapaxes(design, 1, 2) @ design + 1e-9 * np.eye(3)
    found = np.linalg.solve(normal, np.swapaxes(design, 1, 2) @ p[None, :, None])
    bent = 1 + found[:, 2, 0, None] * s
    rest = ((design @ found)[..., 0] - p) / np.where(np.abs(bent) < 0.2, 0.2, bent)
    square: FloatArray = np.mean(rest**2, axis=1) * size**2
    # Not in front of the camera all the time: no account of the path at all.
    return np.where((bent > 0.2).all(axis=1), square, float(np.var(along)))


def _peak(offsets: FloatArray, values: FloatArray) -> float:
    """Where a parabola through the largest value and its neighbours is largest."""
    at = int(np.clip(np.argmax(values), 1, len(values) - 2))
    low, mid, high = values[at - 1 : at + 2]
    bend = low - 2 * mid + high
    shift = 0.0 if bend >= 0 else float(np.clip((low - high) / (2 * bend), -1, 1))
    return float(offsets[at] + shift * (offsets[1] - offsets[0]))


def _curved(offsets: FloatArray, values: FloatArray) -> float:
    """Standard deviation of the offset by its likelihood near the peak."""
    share = np.exp(values - values.max())
    share /= share.sum()
    mean = float(share @ offsets)
    return float(np.sqrt(share @ (offsets - mean) ** 2))


def _spaced(
    frames: Iterable[LumaFrame],
) -> tuple[FloatArray, list[Picture]] | str:
    """Pictures `STEP_S` apart and their times."""
    times: list[float] = []
    pictures: list[Picture] = []
    for frame in frames:
        if times and frame.t_s - times[-1] < 0.8 * STEP_S:
            continue
        if times and frame.t_s - times[0] > LONGEST_S:
            return f"it lasts over {LONGEST_S:g} s: cut the run out"
        times.append(frame.t_s)
        pictures.append(frame.luma)
    if len(times) < 2 * LEAST_POINTS:
        return "it is too short"
    return np.array(times), pictures


def moving_paths(t_s: FloatArray, pictures: list[Picture]) -> list[Path] | str:
    """Corners of what moves before a camera that stands still, followed back and on.

    Returns
    -------
    list of Path, or str
        The reason where the camera itself moves.
    """
    import cv2

    cv: Any = cv2
    sway = swayed(pictures)
    if float(np.ptp(sway, axis=0).max()) > LARGEST_SWAY * pictures[0].shape[1]:
        return "the camera turns with what it films: put it on a stand"
    paths: list[Path] = []
    anchors = np.arange(t_s[0] + ANCHOR_S / 2, t_s[-1] - ANCHOR_S / 2, ANCHOR_S)
    for anchor in np.searchsorted(t_s, anchors):
        here = cv.blur(pictures[anchor], (5, 5))
        changed = np.full_like(here, 255)
        for near in (max(0, anchor - 2), min(len(pictures) - 1, anchor + 2)):
            back = np.hstack([np.eye(2), (sway[anchor] - sway[near])[:, None]])
            there = cv.warpAffine(cv.blur(pictures[near], (5, 5)), back, here.shape[::-1])
            changed = np.minimum(changed, cv.absdiff(there, here))
        if float(np.mean(changed > MOVES)) < LEAST_SHARE:
            continue
        mask = cv.dilate((changed > MOVES).astype(np.uint8), np.ones((9, 9), np.uint8))
        found = cv.goodFeaturesToTrack(pictures[anchor], MOST_CORNERS, 0.02, 5, mask=mask)
        if found is not None:
            paths += _followed(t_s, pictures, sway, int(anchor), found.reshape(-1, 2))
    return paths


def swayed(pictures: list[Picture]) -> FloatArray:
    """How far the picture has moved as a whole since the first, pixels, shape (pictures, 2)."""
    import cv2

    cv: Any = cv2
    steps = [np.zeros(2)]
    for one, two in pairwise(pictures):
        found = cv.goodFeaturesToTrack(one, GROUND_CORNERS, 0.01, 12)
        if found is None:
            steps.append(np.zeros(2))
            continue
        points = found.reshape(-1, 2)
        there, good = _next(one, two, points, np.ones(len(points), dtype=np.bool_))
        steps.append(np.median((there - points)[good], axis=0) if good.sum() > 5 else np.zeros(2))
    return np.cumsum(steps, axis=0)


def _followed(
    t_s: FloatArray, pictures: list[Picture], sway: FloatArray, anchor: int, corners: FloatArray
) -> list[Path]:
    """The paths of corners of one picture, as far as they moved and were found again."""
    places = np.full((len(pictures), len(corners), 2), np.nan, np.float32)
    places[anchor] = corners
    for step in (-1, 1):
        at, now = anchor, places[anchor].copy()
        alive = np.ones(len(corners), dtype=np.bool_)
        while 0 <= at + step < len(pictures) and abs(t_s[at + step] - t_s[anchor]) <= REACH_S:
            now, alive = _next(pictures[at], pictures[at + step], now, alive)
            at += step
            if not alive.any():
                break
            places[at][alive] = now[alive]
    out = []
    for k in range(len(corners)):
        rows = np.flatnonzero(np.isfinite(places[:, k, 0]))
        if len(rows) < LEAST_POINTS:
            continue
        spots = places[rows, k] - sway[rows]
        spots -= spots.mean(axis=0)
        _, size, axes = np.linalg.svd(spots, full_matrices=False)
        along = spots @ axes[0]
        if np.ptp(along) > LEAST_PATH_PX and size[1] < 0.2 * size[0]:
            out.append(Path(t_s[rows], along))
    return out


def _next(
    one: Picture,
    two: Picture,
    points: npt.NDArray[np.float32],
    alive: BoolArray,
) -> tuple[npt.NDArray[np.float32], BoolArray]:
    """Where corners are in the next picture; those that do not come back are lost."""
    import cv2

    cv: Any = cv2
    given = {"winSize": (13, 13), "maxLevel": 3}
    there, ok, _ = cv.calcOpticalFlowPyrLK(one, two, points, None, **given)
    back, ok_back, _ = cv.calcOpticalFlowPyrLK(two, one, there, None, **given)
    high, wide = two.shape
    good = alive & (ok[:, 0] > 0) & (ok_back[:, 0] > 0)
    good &= np.hypot(*(back - points).T) < RETURN_PX
    good &= (there > 3).all(axis=1) & (there < (wide - 3, high - 3)).all(axis=1)
    return there, good
