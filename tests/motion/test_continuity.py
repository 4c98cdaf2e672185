"""Ratios of distances by corners that are followed on, against a pinhole camera written here.

The reference is the pinhole camera (Hartley and Zisserman, "Multiple View Geometry in Computer
Vision", 2nd ed. 2004, section 6.1); nothing of the product draws it.
"""

from itertools import pairwise

import numpy as np
import pytest

from overlay.motion.continuity import Ratios, ratios_of, steadied
from overlay.motion.heading import points_of
from overlay.motion.tracks import Tracks

FOCAL_PX, WIDTH, HEIGHT = 400.0, 640, 360
PAIRS, SPAN_S = 12, 0.1
SURE = np.zeros((PAIRS, 3, 3))
DISTANCE_M = 0.5 + 0.2 * np.sin(np.arange(PAIRS))


def _path(yaw_rad: float) -> tuple[np.ndarray, np.ndarray]:
    """Places (right, ahead) and yaws, right positive, of the pictures; a bend of equal turns."""
    yaw = yaw_rad * np.arange(PAIRS + 1)
    middle = (yaw[1:] + yaw[:-1]) / 2
    steps = DISTANCE_M[:, None] * np.column_stack([np.sin(middle), np.cos(middle)])
    return np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)]), yaw


def _seen(points: np.ndarray, place: np.ndarray, yaw: float) -> np.ndarray:
    right, ahead = points[:, 0] - place[0], points[:, 2] - place[1]
    x = np.cos(yaw) * right - np.sin(yaw) * ahead
    z = np.sin(yaw) * right + np.cos(yaw) * ahead
    pixels = FOCAL_PX * np.column_stack([x, points[:, 1]]) / np.maximum(z, 0.1)[:, None]
    good = (z > 2) & (np.abs(pixels) < (WIDTH / 2, HEIGHT / 2)).all(axis=1)
    return np.where(good[:, None], pixels, np.nan)


def _tracks(yaw_rad: float, noise_px: float = 0.0) -> Tracks:
    rng = np.random.default_rng(5)
    points = rng.uniform((-12, -2, 3), (12, 1.2, 30), (900, 3))
    places, yaw = _path(yaw_rad)
    seen = [_seen(points, *at) for at in zip(places, yaw, strict=True)]
    pair, corner, first, second = [], [], [], []
    for k, (a, b) in enumerate(pairwise(seen)):
        both = np.flatnonzero(np.isfinite(a + b).all(axis=1))
        pair.append(np.full(len(both), k))
        corner.append(both)
        first.append(a[both])
        second.append(b[both] + rng.normal(0, noise_px, (len(both), 2)))
    a, b = np.concatenate(first), np.concatenate(second)
    start = SPAN_S * np.arange(PAIRS)
    return Tracks(
        np.concatenate(pair), np.concatenate(corner), a[:, 0], a[:, 1], b[:, 0], b[:, 1],
        start, start + SPAN_S, np.zeros(PAIRS), WIDTH, HEIGHT,
    )  # fmt: skip


@pytest.mark.parametrize("yaw_rad", [0.0, 0.05, -0.05])
@pytest.mark.parametrize(("noise_px", "largest"), [(0.0, 0.006), (0.15, 0.012)])
def test_ratios_of__distances_gone(yaw_rad: float, noise_px: float, largest: float) -> None:
    """Half a turn a second at ten pictures a second is a tight bend; no height is known."""
    tracks = _tracks(yaw_rad, noise_px)
    turn = np.tile([0.0, yaw_rad, 0.0], (PAIRS, 1))
    ahead = np.tile([0.0, 0.0, 1.0], (PAIRS, 1))
    found = ratios_of(points_of(tracks, FOCAL_PX), tracks.corner, turn, SURE, ahead)
    true = np.diff(np.log(DISTANCE_M))
    assert np.abs(found.log - true).max() < largest
    assert np.ptp(true) > 0.5
    assert (found.sigma < 0.03).all()


def test_ratios_of__none_without_corners_followed_on() -> None:
    tracks = _tracks(0.0)
    ahead = np.tile([0.0, 0.0, 1.0], (PAIRS, 1))
    alone = np.arange(len(tracks.pair))
    found = ratios_of(points_of(tracks, FOCAL_PX), alone, np.zeros((PAIRS, 3)), SURE, ahead)
    assert np.isinf(found.sigma).all()


def test_steadied__a_height_that_is_wrong_for_a_second() -> None:
    """The ground says 5 % too little over a crest; the ratios know, but are 2 %/s off."""
    t_s = 0.1 * np.arange(150)
    true = 0.5 + 0.2 * np.sin(t_s / 2)
    height = 0.05 * (np.abs(t_s - 7) < 0.5)
    log = np.diff(np.log(true)) + 0.02 * 0.1
    found = steadied(
        true * (1 - height), 0.01 * true, Ratios(log, np.full(149, 0.003)), t_s, t_s > -1
    )
    error = found / true - 1
    assert np.abs(error).max() < 0.02
    # The same without: nothing but the ground is left.
    bare = steadied(
        true * (1 - height), 0.01 * true, Ratios(log, np.full(149, np.inf)), t_s, t_s > -1
    )
    assert np.abs(bare / true - 1).max() > 0.03


def test_steadied__pairs_without_ground_lead_nowhere() -> None:
    t_s = 0.1 * np.arange(100)
    true, seen = np.full(100, 0.5), np.abs(t_s - 5) > 1
    told = np.where(seen, true, 0.1)
    log = np.where(seen[1:] & seen[:-1], 0.0, -0.5)
    found = steadied(told, 0.01 * told, Ratios(log, np.full(99, 0.003)), t_s, seen)
    assert found[seen] == pytest.approx(true[seen], rel=0.005)


def test_steadied__stands_still_where_the_ground_does() -> None:
    t_s = 0.1 * np.arange(60)
    true = np.maximum(t_s - 2, 0) * 0.1
    log = np.diff(np.log(np.maximum(true, 1e-3)))
    sigma = np.where(true[:-1] > 0.02, 0.003, np.inf)
    found = steadied(true, np.full(60, 0.004), Ratios(log, sigma), t_s, t_s >= 0)
    assert found == pytest.approx(true, abs=0.004)
