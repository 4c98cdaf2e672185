"""Motion from corners, against points projected exactly from a known ride over a plane."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from overlay.verify.corners import CornerPairs
from overlay.verify.ground import Pace, pace_of

SIZE = (480, 270)
FOCAL_PX = 400.0
RATE_HZ = 30.0
HEIGHT_M = 0.8
N = 240


def speed(t_s: np.ndarray) -> np.ndarray:
    """Rest, a launch, a top speed, a stop; m/s."""
    return np.interp(t_s, [0, 1, 5, 6, 7.5, 9], [0, 0, 9, 9, 0, 0])


def turned(yaw: float, pitch: float, roll: float) -> np.ndarray:
    """Rotation of camera axes (right, down, ahead)."""
    cy, sy, cp, sp = np.cos(yaw), np.sin(yaw), np.cos(pitch), np.sin(pitch)
    cr, sr = np.cos(roll), np.sin(roll)
    about_y = np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])
    about_x = np.array([[1, 0, 0], [0, cp, -sp], [0, sp, cp]])
    return np.array([[cr, -sr, 0], [sr, cr, 0], [0, 0, 1]]) @ about_x @ about_y


def ride(
    rng: np.random.Generator,
    *,
    heading_deg: float = 0.0,
    bodywork: int = 0,
    strangers: int = 0,
    squat_deg: float = 0.0,
    hedge: bool = False,
    in_hand_s: float = 0.0,
    height_m: float = HEIGHT_M,
) -> CornerPairs:
    """Corners of a shaking camera `heading_deg` off the way it goes; the nose lifts by so much.

    `in_hand_s`: how long it is swung to and fro before it is fixed to the vehicle.
    """
    edges_s = np.arange(N + 1) / RATE_HZ
    fine_s = np.linspace(0, edges_s[-1], 20 * N + 1)
    went = np.concatenate([[0], np.cumsum(speed(fine_s)[:-1] * np.diff(fine_s))])
    went_m = np.diff(np.interp(edges_s, fine_s, went)) * HEIGHT_M / height_m
    shake = gaussian_filter1d(rng.normal(0, 0.01, (N + 1, 3)), 3, axis=0)
    lift = -np.radians(squat_deg) * gaussian_filter1d(np.gradient(speed(edges_s), edges_s), 3)
    shake[:, 1] += lift
    swung = np.clip(in_hand_s - edges_s, 0.0, 0.3) / 0.3
    shake[:, 0] += 0.5 * swung * np.sin(2 * np.pi * 1.2 * edges_s)
    poses = [turned(a + np.radians(heading_deg), 0.07 + b, c) for a, b, c in shake]
    fixed = rng.uniform(-1, 1, (bodywork, 2)) * [150, 40] + [0, 90]
    places, moves = [], []
    for k in range(N):
        first = rng.uniform(-1, 1, (100, 2)) * np.array(SIZE) / 2
        beside = hedge & (np.abs(first[:, 0]) > 130)
        near = np.where(beside, rng.uniform(0.2, 0.9, len(first)), 1.0)
        second = after(first, poses[k], poses[k + 1], went_m[k], near)
        keep = np.all(np.abs(second) < np.array(SIZE) / 2, axis=1)
        other = rng.uniform(-1, 1, (strangers, 2)) * [200, 100]
        step = [second[keep] - first[keep], 0 * fixed, 0 * other + [7.0, -2.0]]
        move = np.concatenate(step)
        moves.append(move + rng.normal(0, 0.15, move.shape))
        places.append(np.concatenate([first[keep], fixed, other]) + move / 2)
    return packed(edges_s, places, moves)


def after(
    first: np.ndarray, pose: np.ndarray, then: np.ndarray, went_m: float, near: np.ndarray
) -> np.ndarray:
    """Where points of the ground, or of the far distance above it, are seen one picture later.

    Those that stand on it are at the share `near` of the ground's distance behind them.
    """
    rays = np.column_stack([first / FOCAL_PX, np.ones(len(first))]) @ pose
    far = np.where(rays[:, 1] > 1e-3, HEIGHT_M / np.maximum(rays[:, 1], 1e-3), 1e4) * near
    seen = (rays * far[:, None] - [0, 0, went_m]) @ then.T
    return FOCAL_PX * seen[:, :2] / np.where(seen[:, 2:] > 0.1, seen[:, 2:], 1e-9)


def packed(edges_s: np.ndarray, places: list[np.ndarray], moves: list[np.ndarray]) -> CornerPairs:
    most = max(map(len, places))
    place, move = np.zeros((N, most, 2)), np.zeros((N, most, 2))
    ok = np.zeros((N, most), bool)
    for k, (where, by) in enumerate(zip(places, moves, strict=True)):
        place[k, : len(where)], move[k, : len(where)], ok[k, : len(where)] = where, by, True
    return CornerPairs(SIZE, edges_s[:-1], edges_s[1:], place, move, ok, np.full(N, 5.0))


def truth_of(pace: Pace) -> np.ndarray:
    ends = [pace.t_s + side * pace.span_s / 2 for side in (-1, 1)]
    return np.mean([speed(ends[0]), speed(pace.t_s), speed(ends[1])], axis=0)


def error_of(pace: Pace) -> np.ndarray:
    """Pace less the true speed over its pairs, as a share of the top speed."""
    truth = truth_of(pace)
    return np.asarray(pace.rate / float(pace.rate @ truth / (truth @ truth)) - truth) / 9.0


@pytest.mark.parametrize("heading_deg", [0.0, 180.0, 90.0, 30.0])
def test_pace__follows_the_true_speed_whichever_way_it_faces(rng, heading_deg):
    pace = pace_of(ride(rng, heading_deg=heading_deg))
    assert not pace.reason
    assert np.sqrt(np.mean(error_of(pace) ** 2)) < 0.01
    assert np.corrcoef(pace.rate, truth_of(pace))[0, 1] > 0.999


def test_pace__bodywork_and_strangers_do_not_pull(rng):
    pace = pace_of(ride(rng, bodywork=40, strangers=15))
    assert not pace.reason
    assert np.sqrt(np.mean(error_of(pace) ** 2)) < 0.01


def test_pace__a_hedge_on_either_side_does_not_pull(rng):
    pace = pace_of(ride(rng, hedge=True))
    assert not pace.reason
    assert np.sqrt(np.mean(error_of(pace) ** 2)) < 0.015


def test_pace__learns_nothing_from_a_camera_swung_in_the_hand(rng):
    pace = pace_of(ride(rng, in_hand_s=1.0, height_m=2.4))
    assert not pace.reason
    assert np.sqrt(np.mean(error_of(pace)[pace.t_s > 1.0] ** 2)) < 0.01


def test_pace__soft_springs_do_not_bend_the_gain(rng):
    """0.4° for each m/s² changes the gain by a sixth from push to braking; a third may stay."""
    pace = pace_of(ride(rng, squat_deg=0.4))
    truth = truth_of(pace)
    accel = np.gradient(truth, pace.t_s)
    gains = [
        np.median((pace.rate / np.maximum(truth, 1))[(truth > 3) & (side * accel > 1)])
        for side in (1, -1)
    ]
    assert gains[0] / gains[1] == pytest.approx(1.0, abs=0.055)


def test_pace__sigma_says_how_far_it_errs(rng):
    pace = pace_of(ride(rng))
    moving = speed(pace.t_s) > 2
    pull = (error_of(pace) * 9.0 / HEIGHT_M / pace.sigma)[moving]
    assert 0.2 < np.median(np.abs(pull)) / 0.6745 < 2.0


def test_pace__a_repeated_picture_counts_from_its_first_showing(rng):
    full = ride(rng)
    twice = 150
    moved = full.move.copy()
    moved[twice], difference = 0.0, full.difference.copy()
    difference[twice] = 0.05
    pairs = CornerPairs(**{**vars(full), "move": moved, "difference": difference})
    pace = pace_of(pairs)
    assert len(pace.t_s) == N - 1
    assert pace.span_s.max() == pytest.approx(2 / RATE_HZ)


def test_pace__a_camera_that_only_shakes_tells_nothing(rng):
    still = ride(rng)
    shaken = rng.normal(0, 1.0, (N, 1, 2)) + rng.normal(0, 0.15, still.move.shape)
    assert pace_of(CornerPairs(**{**vars(still), "move": shaken})).reason


def test_pace__too_few_corners_is_said(rng):
    full = ride(rng)
    pairs = CornerPairs(**{**vars(full), "ok": full.ok & (np.arange(full.ok.shape[1]) < 5)})
    assert "corners" in pace_of(pairs).reason
