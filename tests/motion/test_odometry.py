"""Road odometry against scene points projected by a camera written here, with known motion.

The reference is the pinhole camera (Hartley and Zisserman, "Multiple View Geometry in Computer
Vision", 2nd ed. 2004, section 6.1), with rotations from scipy; nothing of the product draws it.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import overlay.motion.odometry as odometry_module
from overlay.motion.camera import Camera, focal_share_of, straightened
from overlay.motion.heading import TUNING
from overlay.motion.odometry import odometry
from overlay.motion.tracks import Tracks

WIDTH, HEIGHT, FOCAL_PX, CAMERA_M = 640, 360, 400.0, 1.2
PAIRS, SPAN_S = 60, 0.1
WAVE_M = 60.0


def rise_m(at_m: np.ndarray | float, waves: float) -> np.ndarray:
    """Height of the way, of crests and dips 60 m from one to the next."""
    return -waves * np.cos(2 * np.pi * np.asarray(at_m) / WAVE_M) * (WAVE_M / 2 / np.pi) ** 2


def world(rng: np.random.Generator, travelled_m: float, waves: float = 0.0) -> np.ndarray:
    """Ground, hedges beside it, houses far off, ahead and behind: right, down, ahead.

    The ground bends up and down by `waves` radians a metre at most.
    """
    n = 260
    ground = np.column_stack([rng.uniform(-4, 4, n), np.full(n, CAMERA_M), rng.uniform(2.5, 14, n)])
    hedge = np.column_stack(
        [rng.choice([-3.0, 3.5], n), rng.uniform(-1, CAMERA_M, n), rng.uniform(4, 25, n)]
    )
    far = np.column_stack(
        [rng.uniform(-60, 60, n), rng.uniform(-15, 0, n), rng.uniform(60, 150, n)]
    )
    both = np.concatenate([ground, hedge, far])
    whole = np.concatenate([both, both * [1, 1, -1]])
    whole = whole + np.array([0, 0, travelled_m])
    is_ground = whole[:, 1] == CAMERA_M
    whole[is_ground, 1] -= rise_m(whole[is_ground, 2], waves)
    return whole


def looked_at(
    points: np.ndarray, place: np.ndarray, turned: Rotation, *, fisheye: bool = False
) -> np.ndarray:
    """Pixels from the middle of the picture; NaN outside it.

    A fisheye shows equal angles from the axis at equal distances, ``r = f angle``.
    """
    seen = (points - place) @ turned.as_matrix()
    with np.errstate(invalid="ignore", divide="ignore"):
        pixels = FOCAL_PX * seen[:, :2] / seen[:, 2:]
        if fisheye:
            aside = np.hypot(*seen[:, :2].T)
            pixels = FOCAL_PX * seen[:, :2] * (np.arctan2(aside, seen[:, 2]) / aside)[:, None]
    good = (seen[:, 2] > 0.5) & (np.abs(pixels) < (WIDTH / 2, HEIGHT / 2)).all(axis=1)
    return np.where(good[:, None], pixels, np.nan)


def drive(
    rng: np.random.Generator,
    mounted: Rotation,
    *,
    noise_px: float = 0.15,
    waves: float = 0.0,
    swing: float = 0.0,
    fisheye: bool = False,
    speeds_mps: tuple[float, float] = (3.0, 7.0),
) -> tuple[Tracks, np.ndarray, np.ndarray]:
    """Tracks of a launch and a stop on soft springs; distance in camera heights, pitch.

    The way swings by `swing` radians to either side, and bends up and down by `waves`.
    """
    t = np.arange(PAIRS + 1) * SPAN_S
    speed = speeds_mps[0] + np.ptp(speeds_mps) * np.sin(np.pi * t / t[-1]) ** 2
    place = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2 * SPAN_S)])
    pitch = 0.006 * np.gradient(speed, t)
    yaw = swing * np.sin(4 * np.pi * t / t[-1])
    aside = np.cumsum(np.append(0.0, np.diff(place) * np.sin((yaw[1:] + yaw[:-1]) / 2)))
    places = np.column_stack([aside, -rise_m(place, waves), place])
    looks_up = pitch - np.arctan(np.gradient(places[:, 1], place))
    turned = Rotation.from_euler("YX", np.column_stack([yaw, looks_up])) * mounted
    pair, first, second = [], [], []
    for k in range(PAIRS):
        points = world(rng, place[k], waves) + np.array([aside[k], 0, 0])
        a = looked_at(points, places[k], turned[k], fisheye=fisheye)
        b = looked_at(points, places[k + 1], turned[k + 1], fisheye=fisheye)
        good = np.isfinite(a).all(axis=1) & np.isfinite(b).all(axis=1)
        pair.append(np.full(good.sum(), k))
        first.append(a[good] + rng.normal(0, noise_px, (good.sum(), 2)))
        second.append(b[good] + rng.normal(0, noise_px, (good.sum(), 2)))
    a, b = np.concatenate(first), np.concatenate(second)
    tracks = Tracks(
        np.concatenate(pair), a[:, 0], a[:, 1], b[:, 0], b[:, 1],
        t[:-1], t[1:], np.zeros(PAIRS), WIDTH, HEIGHT,
    )  # fmt: skip
    return tracks, np.diff(place) / CAMERA_M, (pitch[1:] + pitch[:-1]) / 2


@pytest.mark.parametrize(("yaw_deg", "sign"), [(0, 1), (25, 1), (180, -1)])
def test_odometry__distance_in_camera_heights(yaw_deg: float, sign: int) -> None:
    # The focal length cannot be seen without turning: a wrong one scales all alike.
    tracks, distance, _ = drive(
        np.random.default_rng(3), Rotation.from_euler("y", yaw_deg, degrees=True)
    )
    found = odometry(tracks)
    assert found is not None
    gain = np.abs(found.distance) / distance
    assert np.std(gain) / np.mean(gain) < 0.02
    assert np.ptp(np.sign(found.distance)) == 0
    ahead = found.travel[2] * np.sign(found.distance[0])
    assert np.sign(ahead) == sign


def test_odometry__does_not_follow_the_pitch() -> None:
    """A camera that pitches with the acceleration must not make the speed look late."""
    tracks, distance, pitch = drive(np.random.default_rng(4), Rotation.identity())
    found = odometry(tracks)
    assert found is not None
    gain = found.distance / distance
    gain = gain / gain.mean() - 1
    # Left in, this pitch moves the distance by 2 * pitch / depression, 6 % at each end.
    slope = np.polyfit(pitch, gain, 1)[0]
    assert abs(slope) * np.ptp(pitch) < 0.012
    seen = found.attitude_rad[:, 0] * np.sign(found.travel[2])
    assert np.corrcoef(seen, pitch)[0, 1] > 0.9


@pytest.mark.parametrize("yaw_deg", [0, 180])
def test_odometry__does_not_follow_crests_and_dips(yaw_deg: float) -> None:
    """Radii down to 500 m: taken for planes they move the distance by 1.5 % and more."""
    mounted = Rotation.from_euler("y", yaw_deg, degrees=True)
    speeds = (10.0, 12.0)
    level, distance, _ = drive(np.random.default_rng(8), mounted, speeds_mps=speeds)
    bent, _, _ = drive(np.random.default_rng(8), mounted, speeds_mps=speeds, waves=1 / 500)
    spread = []
    for tracks in (level, bent):
        found = odometry(tracks)
        assert found is not None
        gain = np.abs(found.distance) / distance
        spread.append(float(np.std(gain) / gain.mean()))
    assert spread[0] < 0.004
    assert spread[1] < 0.006


@pytest.mark.parametrize(("yaw_deg", "down_deg"), [(0.0, 8.0), (25.0, -3.0), (-160.0, 5.0)])
def test_odometry__camera_as_mounted(yaw_deg: float, down_deg: float) -> None:
    """Turned to the right by `yaw_deg`, then tilted down (rotations of scipy); focal length."""
    turns = Rotation.from_euler("YX", [yaw_deg, -down_deg], degrees=True)
    tracks, _, _ = drive(np.random.default_rng(9), turns, swing=0.25, speeds_mps=(8.0, 10.0))
    found = odometry(tracks)
    assert found is not None
    camera = found.camera
    assert camera.left_deg == pytest.approx(-yaw_deg, abs=1.5)
    assert camera.down_deg == pytest.approx(down_deg, abs=1.5)
    # 2 atan(640 / 2 / 400) = 77.3 degrees.
    value, low, high = camera.angle_of_view_deg()
    assert low < 77.32 < high
    assert value == pytest.approx(77.32, abs=6)
    assert high - low < 30


def test_odometry__focal_length_that_is_given() -> None:
    tracks, distance, _ = drive(np.random.default_rng(10), Rotation.identity())
    free, given = odometry(tracks), odometry(tracks, 77.32)
    assert free is not None
    assert given is not None
    # Without turning it cannot be seen: 40 to 100 degrees.
    assert free.camera.angle_of_view_deg()[1:] == pytest.approx((39.6, 109.7), abs=1)
    assert given.camera.angle_of_view_deg() == pytest.approx((77.32, 77.32, 77.32), abs=0.01)
    assert abs(given.distance.sum()) == pytest.approx(distance.sum(), rel=0.02)


@pytest.mark.parametrize(("swing", "largest"), [(0.0, 0.005), (0.25, 0.013)])
@pytest.mark.parametrize("focal_px", [400.0, 330.0, 260.0])
def test_odometry__through_a_fisheye(
    focal_px: float, swing: float, largest: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Taken for straight lines, the distance scatters by 1.5 to 3 %.

    Where the vehicle swings, the way along is 0 to 3 % longer than straight ahead.
    """
    monkeypatch.setattr(f"{__name__}.FOCAL_PX", focal_px)
    mounted = Rotation.from_euler("x", -8, degrees=True)
    tracks, distance, _ = drive(np.random.default_rng(3), mounted, swing=swing, fisheye=True)
    found = odometry(tracks)
    assert found is not None
    gain = np.abs(found.distance) / distance
    assert np.std(gain) / np.mean(gain) < largest
    assert found.camera.lens == 1.0
    # 640 pixels of so many a radian: 91.7, 111.1 and 141.0 degrees.
    true_deg = np.degrees(WIDTH / focal_px)
    value, low, high = found.camera.angle_of_view_deg()
    assert low < true_deg < high
    assert high - low < 35
    assert value == pytest.approx(true_deg, abs=3)
    assert found.camera.down_deg == pytest.approx(8, abs=1)


@pytest.mark.parametrize("lens", [0.0, 0.5, 1.0])
def test_camera__angle_of_view_there_and_back(lens: float) -> None:
    for angle_deg in (40.0, 90.0, 150.0):
        share = focal_share_of(angle_deg, lens)
        assert Camera(share, 0.0, lens=lens).angle_of_view_deg()[0] == pytest.approx(angle_deg)
        # The edge of the picture, straightened, lies at the tangent.
        half_rad = np.radians(angle_deg / 2)
        across, _, grown = straightened(np.array([0.5 / share]), np.zeros(1), lens)
        assert np.isinf(grown[0]) or across[0] == pytest.approx(np.tan(half_rad))
        assert np.isfinite(grown[0]) or angle_deg == 150.0


def test_odometry__long_drives_in_stretches_as_in_one(monkeypatch: pytest.MonkeyPatch) -> None:
    tracks, _, _ = drive(np.random.default_rng(7), Rotation.identity())
    whole = odometry(tracks)
    monkeypatch.setattr(odometry_module, "TUNING", replace(TUNING, stretch_pairs=25))
    parts = odometry(tracks)
    assert whole is not None
    assert parts is not None
    assert parts.start_s == pytest.approx(whole.start_s)
    assert parts.distance == pytest.approx(whole.distance, rel=0.03)


def test_odometry__still_camera_goes_nowhere() -> None:
    rng = np.random.default_rng(5)
    points = looked_at(world(rng, 0.0), np.zeros(3), Rotation.identity())
    points = points[np.isfinite(points).all(axis=1)]
    n = len(points)
    a, b = (np.tile(points, (20, 1)) + rng.normal(0, 0.1, (20 * n, 2)) for _ in range(2))
    start = np.arange(20) * SPAN_S
    tracks = Tracks(
        np.repeat(np.arange(20), n), a[:, 0], a[:, 1], b[:, 0], b[:, 1],
        start, start + SPAN_S, np.zeros(20), WIDTH, HEIGHT,
    )  # fmt: skip
    found = odometry(tracks)
    assert found is not None
    # A walking pace of 1 m/s would be 0.083 camera heights a pair.
    assert np.abs(found.distance).max() < 0.01


def test_odometry__too_few_corners() -> None:
    tracks, _, _ = drive(np.random.default_rng(6), Rotation.identity())
    few = tracks.pair < 4
    left = {k: getattr(tracks, k)[few] for k in ("pair", "x0", "y0", "x1", "y1")}
    short = Tracks(
        **left, start_s=tracks.start_s[:4], end_s=tracks.end_s[:4],
        lost_share=tracks.lost_share[:4], width=WIDTH, height=HEIGHT,
    )  # fmt: skip
    assert odometry(short) is None
