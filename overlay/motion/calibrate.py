"""The camera found in its clip: focal length, lens, and the way it is usually headed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from overlay.motion.camera import Camera, focal_share_of
from overlay.motion.heading import TUNING as HEADING
from overlay.motion.heading import among, crowding, heading_of, picked, points_of
from overlay.motion.tracks import Tracks
from overlay.timebase import FloatArray


@dataclass(frozen=True)
class CalibrationTuning:
    """Set on real streets by ``python -m tests.benchmarks.accuracy.street``."""

    # See :class:`~overlay.motion.camera.Camera`; the first is kept unless another is better by
    # `lens_log` log units: real and rendered cameras without distortion prefer another by 9 at most
    # (one that looks exactly ahead), fisheyes of 92 to 141 degrees by 60 and more
    lenses: tuple[float, ...] = (0.0, 1.0)
    lens_log: float = 20.0
    lens_shares: tuple[float, ...] = (0.42, 0.55, 0.72)
    # Focal length over the longer side of the picture, of the first lens and of the others, and its
    # relative spread
    usual_shares: tuple[float, float] = (0.7, 0.5)
    usual_spread: float = 0.35
    least_sigma: float = 0.03  # Relative; no real lens is quite as the model
    # Tried at first, and around the best of those
    focal_shares: tuple[float, ...] = (0.45, 0.6, 0.8, 1.1)
    focal_steps: tuple[float, ...] = (0.89, 1.0, 1.12)
    least_turn_px: float = 2.0
    # Errors of neighbouring corners and pairs go together: so many say as much as one
    cost: float = 10.0
    sample_pairs: int = 90


TUNING = CalibrationTuning()


def camera_of(tracks: Tracks, angle_deg: float | None = None) -> tuple[Camera, FloatArray]:
    """The camera, and its usual direction of travel, shape (3,).

    A wide lens shows in every drive, since corners then move on bent lines; the focal length shows
    where the camera turns. Where neither shows it, the usual one is assumed.

    Parameters
    ----------
    tracks : Tracks
    angle_deg : float, optional
        Angle of view across the picture's longer side, where it is known.
    """
    flow = np.hypot(tracks.x1 - tracks.x0, tracks.y1 - tracks.y0)
    size = np.bincount(tracks.pair, flow) / np.bincount(tracks.pair)
    numbers = np.flatnonzero(size > 0.3 * np.percentile(size, 90))
    few = _part(tracks, numbers[:: max(1, len(numbers) // TUNING.sample_pairs)])
    usual = TUNING.usual_shares[0]
    first = points_of(few, usual * _longer(tracks))
    travel = min((heading_of(first, start) for start in _starts()), key=lambda each: each[2])[0]
    lens = _lens_of(few, travel, angle_deg)
    if angle_deg is not None:
        share = focal_share_of(angle_deg, lens)
        return Camera(share, 0.0, lens=lens), _headed(few, share, lens, travel)[0]
    sample = _turning_most(tracks, numbers, travel)
    if sample is None and not lens:
        return Camera(usual, TUNING.usual_spread), travel
    sample = sample or few
    share, sigma = _focal_share(sample, lens, travel)
    return Camera(share, sigma, lens=lens), _headed(sample, share, lens, travel)[0]


def _part(tracks: Tracks, pairs: np.ndarray[tuple[int, ...], np.dtype[np.int64]]) -> Tracks:
    return picked(tracks, among(pairs, len(tracks.start_s)))


def _longer(tracks: Tracks) -> int:
    return max(tracks.width, tracks.height)


def _headed(
    sample: Tracks, share: float, lens: float, travel: FloatArray
) -> tuple[FloatArray, float]:
    """Direction of travel from one found at the usual focal length, and the cost of misfits."""
    points = points_of(sample, share * _longer(sample), lens)
    there = travel * [1, 1, share / TUNING.usual_shares[0]]
    found, _, cost = heading_of(points, there)
    # As if those too far out were like the others.
    all_in = float(crowding(sample).sum()) / max(float(points.share.sum()), 1e-9)
    return found, cost * all_in / TUNING.cost


def _lens_of(few: Tracks, travel: FloatArray, angle_deg: float | None) -> float:
    """The lens under which corners move on straight lines best."""

    def cost_of(lens: float) -> float:
        shares = TUNING.lens_shares
        if angle_deg is not None:
            shares = (focal_share_of(angle_deg, lens),)
        most = TUNING.lens_log if lens != TUNING.lenses[0] else 0.0
        return most + min(_headed(few, share, lens, travel)[1] for share in shares)

    return min(TUNING.lenses, key=cost_of)


def _turning_most(
    tracks: Tracks, numbers: np.ndarray[tuple[int, ...], np.dtype[np.int64]], travel: FloatArray
) -> Tracks | None:
    """The pairs in which the camera turns most, or None where that is too little."""
    focal_px = TUNING.usual_shares[0] * _longer(tracks)
    numbers = numbers[:: max(1, len(numbers) // HEADING.stretch_pairs)]
    turn = heading_of(points_of(_part(tracks, numbers), focal_px), travel, rounds=6, fixed=True)[1]
    turned_px = np.hypot(turn[:, 0], turn[:, 1]) * focal_px
    most = np.argsort(-turned_px)[: TUNING.sample_pairs]
    if float(turned_px[most].mean()) < TUNING.least_turn_px:
        return None
    return _part(tracks, numbers[most])


def _focal_share(sample: Tracks, lens: float, travel: FloatArray) -> tuple[float, float]:
    """Focal length over the longer side, and its relative standard uncertainty."""
    usual = TUNING.usual_shares[lens != TUNING.lenses[0]]

    def cost_of(log_share: float) -> float:
        unusual = (log_share - np.log(usual)) / TUNING.usual_spread
        return float(_headed(sample, float(np.exp(log_share)), lens, travel)[1] + 0.5 * unusual**2)

    near = _lowest(np.log(TUNING.focal_shares), cost_of)[0] + np.log(TUNING.focal_steps)
    log_share, sigma = _lowest(near, cost_of)
    return float(np.exp(log_share)), sigma


def _lowest(x: FloatArray, cost_of: Callable[[float], float]) -> tuple[float, float]:
    """Where a parabola through the least value and its neighbours is lowest, and how surely.

    `cost_of` is minus a log likelihood, so that the standard uncertainty is the parabola's width.
    """
    cost = np.array([cost_of(float(each)) for each in x])
    k = int(np.clip(np.argmin(cost), 1, len(x) - 2))
    a, b, _ = np.polyfit(x[k - 1 : k + 2], cost[k - 1 : k + 2], 2)
    if a <= 0:
        return float(x[np.argmin(cost)]), TUNING.usual_spread
    sigma = np.clip(1 / np.sqrt(2 * a), TUNING.least_sigma, TUNING.usual_spread)
    return float(np.clip(-b / (2 * a), x[0], x[-1])), float(sigma)


def _starts() -> Iterator[FloatArray]:
    for degrees in (0.0, 45.0, 90.0, 135.0):
        yield np.array([np.sin(np.radians(degrees)), 0.0, np.cos(np.radians(degrees))])
