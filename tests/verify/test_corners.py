"""Corners followed through pictures that are moved by a known amount."""

import cv2
import numpy as np
import pytest

from overlay.footage.model import LumaFrame
from overlay.verify.corners import follow_corners

HEIGHT, WIDTH = 180, 320


def texture(rng: np.random.Generator) -> np.ndarray:
    rough = rng.uniform(0, 255, (3 * HEIGHT, 3 * WIDTH)).astype(np.float32)
    smooth = cv2.GaussianBlur(rough, (0, 0), 2.5)
    return (smooth - smooth.mean()) * (45 / smooth.std()) + 120


def moved(picture: np.ndarray, by: tuple[float, float]) -> np.ndarray:
    """A window on the picture whose content goes `by` pixels right and down."""
    shift = np.float32([[1, 0, by[0] - WIDTH], [0, 1, by[1] - HEIGHT]])
    shown = cv2.warpAffine(picture, shift, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC)
    return np.clip(np.rint(shown), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("step", [(0.0, 0.0), (0.4, -0.3), (3.3, 1.7), (-14.2, 9.6)])
def test_follow__knows_the_step_to_a_tenth_of_a_pixel(rng, step):
    picture = texture(rng)
    frames = [LumaFrame(k / 30, moved(picture, (k * step[0], k * step[1]))) for k in range(6)]
    pairs = follow_corners(frames)
    assert len(pairs) == 5
    assert pairs.ok.sum(axis=1).min() >= 40
    for k in range(5):
        found = pairs.move[k][pairs.ok[k]]
        assert np.median(np.abs(found - step), axis=0).max() < 0.1
        assert np.mean(np.hypot(*(found - step).T) < 0.5) > 0.9


def test_follow__leaves_out_pictures_that_come_too_soon(rng):
    """Of 60 pictures a second every other one is taken; each step is that of both together."""
    picture = texture(rng)
    frames = [LumaFrame(k / 60, moved(picture, (1.5 * k, 0.0))) for k in range(7)]
    pairs = follow_corners(frames)
    np.testing.assert_allclose(pairs.end_s - pairs.start_s, 1 / 30)
    assert len(pairs) == 3
    assert np.median(pairs.move[pairs.ok][:, 0]) == pytest.approx(3.0, abs=0.05)


def test_follow__nothing_under_what_is_ignored(rng):
    picture = texture(rng)
    frames = [LumaFrame(k / 30, moved(picture, (2.0 * k, 0.0))) for k in range(4)]
    pairs = follow_corners(frames, ignore=[(0.5, 0.0, 1.0, 1.0)])
    right_of = pairs.place[pairs.ok][:, 0]
    assert len(right_of)
    assert right_of.max() < 3.0  # half-way places from the middle, a step of 2 pixels


def test_follow__a_plain_picture_has_no_corners():
    plain = np.full((HEIGHT, WIDTH), 90, np.uint8)
    pairs = follow_corners([LumaFrame(k / 30, plain) for k in range(4)])
    assert not pairs.ok.any()


def test_follow__other_pictures_are_not_followed(rng):
    """After a cut nothing is found that comes home."""
    frames = [LumaFrame(k / 30, moved(texture(rng), (0.0, 0.0))) for k in range(3)]
    pairs = follow_corners(frames)
    assert pairs.ok.sum(axis=1).max() < 0.2 * pairs_of_one_place(rng)


def pairs_of_one_place(rng) -> int:
    """How many corners are followed where nothing changes."""
    picture = texture(rng)
    frames = [LumaFrame(k / 30, moved(picture, (1.0 * k, 0.0))) for k in range(3)]
    return int(follow_corners(frames).ok.sum(axis=1).min())


def test_follow__bodywork_is_left_to_itself(rng):
    """Low parts that stay while the rest goes by get no corners any more."""
    ground, body = texture(rng), moved(texture(rng), (0.0, 0.0))
    frames = []
    for k in range(60):
        luma = moved(ground, (6.0 * k % 300, 0.0))
        luma[120:] = body[120:]
        frames.append(LumaFrame(k / 30, luma))
    pairs = follow_corners(frames)
    low = [int((pairs.place[k][pairs.ok[k]][:, 1] > 40).sum()) for k in (0, 58)]
    assert low[0] > 30
    assert low[1] < 0.2 * low[0]
