"""Corners followed over pictures whose motion is known: a texture moved by whole pixels."""

import numpy as np
import pytest

from overlay.motion.model import Box
from overlay.motion.tracks import CornerTracker, Tracks

STEP_S, RIGHT_PX, DOWN_PX = 0.1, 5, 3


@pytest.fixture(scope="module")
def texture():
    from scipy.ndimage import gaussian_filter

    rough = gaussian_filter(np.random.default_rng(8).normal(size=(700, 1100)), 2.0)
    return np.clip(128 + 60 * rough / rough.std(), 0, 255).astype(np.uint8)


def followed(texture, *, ignore=(), step=(RIGHT_PX, DOWN_PX), pictures=8) -> Tracks:
    tracker = CornerTracker(ignore)
    for k in range(pictures):
        # What is seen moves right and down as the window moves left and up.
        left, top = 200 - k * step[0], 150 - k * step[1]
        tracker.add(k * STEP_S, np.ascontiguousarray(texture[top : top + 360, left : left + 640]))
    return tracker.tracks()


def test_tracks__right_and_down_are_positive_in_pixels(texture) -> None:
    tracks = followed(texture)
    assert len(tracks.start_s) == 7
    assert tracks.start_s == pytest.approx(np.arange(7) * STEP_S)
    assert tracks.end_s - tracks.start_s == pytest.approx(STEP_S)
    assert np.median(tracks.x1 - tracks.x0) == pytest.approx(RIGHT_PX, abs=0.05)
    assert np.median(tracks.y1 - tracks.y0) == pytest.approx(DOWN_PX, abs=0.05)
    assert np.percentile(np.abs(tracks.x1 - tracks.x0 - RIGHT_PX), 95) < 0.3
    assert np.bincount(tracks.pair).min() > 100
    assert tracks.lost_share.max() < 0.3


def test_tracks__places_count_from_the_middle(texture) -> None:
    tracks = followed(texture)
    assert (tracks.width, tracks.height) == (640, 360)
    assert tracks.x0.min() < -250
    assert tracks.x0.max() > 250
    assert np.abs(tracks.y0).max() <= 180


def test_tracks__nothing_inside_an_ignored_box(texture) -> None:
    tracks = followed(texture, ignore=[Box(0.5, 0.5, 1.0, 1.0)], step=(0, 0))
    assert len(tracks.pair) > 100
    assert not ((tracks.x0 > 1) & (tracks.y0 > 1)).any()


def test_tracks__what_moves_fast_is_looked_at_more_often(texture) -> None:
    tracker = CornerTracker()
    for k in range(40):  # 30 pictures a second, 12 pixels each
        left = 460 - 12 * (k % 38)
        tracker.add(k / 30, np.ascontiguousarray(texture[:360, left : left + 640]))
    fast = tracker.tracks()
    tracker = CornerTracker()
    for k in range(40):
        tracker.add(k / 30, np.ascontiguousarray(texture[:360, 200:840]))
    slow = tracker.tracks()
    assert np.median(fast.end_s - fast.start_s) < 0.04
    assert np.median(slow.end_s - slow.start_s) > 0.09
