"""What moves in the picture is the true distance, at the true time."""

import itertools

import cv2
import numpy as np
import pytest

from overlay.demo.camera import Ride
from overlay.demo.ground import taxiway
from overlay.demo.scene import SceneSpec, frame_times_s, pictures
from overlay.demo.vehicle import DemoVehicle, Drive, simulate
from overlay.errors import UsageError
from tests.simulation import motion_from_speed
from tests.trial_scene import TrialRide, TrialScene, TrialSpec, trial_pictures, trial_times_s

STEADY = Ride(steering_deg=0, roll_deg=0, bump_deg=0, vibration_deg=0, pitch_deg_per_mps2=0)
PLAIN = {
    "width": 320,
    "height": 180,
    "bodywork": False,
    "roadside": False,
    "noise_codes": 0.0,
    "exposure_drift": 0.0,
    "yaw_deg": 0.0,
    "exposure_s": 1e-4,
}


def cruise(speed_mps, seconds=3.0):
    return motion_from_speed(np.array([0.0, seconds]), np.array([speed_mps, speed_mps]))


def seen_from_above(spec, picture, near_m, far_m, half_m, cell_m):
    """Undo the pinhole camera by its textbook equations: v = cy + f h / z for a level view."""
    focal, cx, cy = spec.focal_px, spec.width / 2 - 0.5, spec.height / 2 - 0.5
    pitch = np.radians(spec.pitch_deg)
    z = np.arange(near_m, far_m, cell_m)[:, None]
    x = np.arange(-half_m, half_m, cell_m)[None, :]
    depth = z * np.cos(pitch) + spec.height_m * np.sin(pitch)
    below = spec.height_m * np.cos(pitch) - z * np.sin(pitch)
    u = (cx + focal * x / depth).astype(np.float32)
    v = np.broadcast_to(cy + focal * below / depth, u.shape).astype(np.float32)
    grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY).astype(np.float32)
    return cv2.remap(grey, u, v, cv2.INTER_LINEAR)


@pytest.mark.parametrize("facing", ["forward", "backward", "left", "right"])
def test_ground__moves_by_the_distance_driven(facing):
    spec = TrialSpec(**{**PLAIN, "width": 640, "height": 360}, facing=facing, ride=STEADY)
    run = cruise(6.0)
    scene, cell = TrialScene(spec, run), 0.01
    step_s = 0.02  # 0.12 m
    found = []
    for t in np.arange(0.5, 2.5, 0.125):
        views = [
            seen_from_above(spec, scene.picture(at), 1.5, 2.6, 0.9, cell) for at in (t, t + step_s)
        ]
        window = cv2.createHanningWindow(views[0].shape[::-1], cv2.CV_32F)
        (dx, dz), _ = cv2.phaseCorrelate(*views, window)
        found.append((dx * cell, dz * cell))
    dx, dz = np.mean(found, axis=0)
    # Out of the right-hand window the way ahead lies to the left, so the ground goes right.
    along = {"forward": (0, -0.12), "backward": (0, 0.12), "left": (-0.12, 0), "right": (0.12, 0)}
    assert (dx, dz) == pytest.approx(along[facing], abs=0.0025)


def test_ground__stands_still_before_the_launch_and_picture_is_repeatable():
    spec = TrialSpec(**PLAIN, ride=STEADY)
    run = simulate(DemoVehicle(), Drive())
    first, later = (TrialScene(spec, run).picture(t) for t in (0.2, 1.0))
    np.testing.assert_array_equal(first, later)
    moved = TrialScene(spec, run).picture(4.0)
    assert np.abs(moved.astype(int) - first).mean() > 2


def test_pictures__same_seed_same_pictures_other_seed_other_noise():
    run = cruise(5.0, 0.2)
    sets = [
        [p for _, p in pictures(SceneSpec(width=160, height=90, rng_seed=s), run)]
        for s in (1, 1, 2)
    ]
    for one, two in zip(sets[0], sets[1], strict=True):
        np.testing.assert_array_equal(one, two)
    assert not np.array_equal(sets[0][3], sets[2][3])


def test_pictures__nothing_shows_of_what_the_memory_held(monkeypatch):
    motion = simulate(DemoVehicle(), Drive())
    seen = []
    for held in (0, 255):
        with monkeypatch.context() as patch:
            patch.setattr(
                np, "empty", lambda shape, dtype=float, held=held: np.full(shape, held, dtype)
            )
            shown = pictures(SceneSpec(width=960, height=540), motion)
            seen.append([picture for _, picture in itertools.islice(shown, 0, 200, 40)])
    assert all(np.array_equal(one, two) for one, two in zip(*seen, strict=True))


def test_time__belongs_to_the_middle_of_the_exposure():
    """The mean of many short exposures spread evenly about t is the long one at t."""
    run = cruise(9.0)
    kwargs = {**PLAIN, "ride": STEADY, "frame_rate_hz": 24.0}
    open_long = TrialSpec(**{**kwargs, "exposure_s": 0.04})
    long = TrialScene(open_long, run).picture(1.0).astype(float)
    sharp = TrialScene(TrialSpec(**kwargs), run)

    def mean_about(t):
        times = t + np.linspace(-0.02, 0.02, 41)
        return np.mean([sharp.picture(float(at)).astype(float) for at in times], 0)

    rows = slice(120, 176)
    errors = {
        shift: np.abs(mean_about(1.0 + shift)[rows] - long[rows]).mean()
        for shift in (-0.02, -0.01, 0.0, 0.01, 0.02)
    }
    assert min(errors, key=errors.get) == 0.0


def test_blur__softens_along_the_way():
    run = cruise(10.0)
    sharp, soft = (
        TrialScene(TrialSpec(**{**PLAIN, "ride": STEADY, "exposure_s": e}), run).picture(1.0)[130:]
        for e in (1e-4, 1 / 40)
    )
    assert (
        np.abs(np.diff(soft.astype(int), axis=0)).mean()
        < 0.7 * np.abs(np.diff(sharp.astype(int), axis=0)).mean()
    )


def test_texture__does_not_repeat_within_forty_metres():
    level = taxiway()[1].averaged(0.05, 0.05)
    middle = level.picture[:, 120:240]  # 3 m to both sides
    strip = cv2.cvtColor(middle, cv2.COLOR_BGR2GRAY).astype(float)
    strip = strip - cv2.blur(strip, (1, 61))
    strip -= strip.mean()
    spectrum = np.abs(np.fft.fft2(strip)) ** 2
    match = np.fft.ifft2(spectrum).real[:, 0] / np.sum(strip**2)
    step = level.step_z_m
    assert match[round(1 / step) : round(40 / step)].max() < 0.5
    assert level.step_z_m * len(strip) == pytest.approx(60)


def test_frame_times__rate_and_jitter():
    even = frame_times_s(SceneSpec(frame_rate_hz=59.94, exposure_s=0.005), 2.0)
    np.testing.assert_allclose(np.diff(even), 1 / 59.94, atol=2e-5)
    uneven = trial_times_s(TrialSpec(vfr_jitter=0.2), 2.0)
    assert uneven[0] == 0
    assert np.all(np.diff(uneven) > 0)
    assert 0.1 / 30 < np.diff(uneven).std() < 0.5 / 30


def test_path__length_is_the_distance_even_round_a_bend():
    run = simulate(DemoVehicle(), Drive())
    path = TrialScene(TrialSpec(width=160, height=90, ride=TrialRide(turn_deg=90)), run).path
    length = np.hypot(np.diff(path.aside), np.diff(path.along)).sum()
    assert length == pytest.approx(run.distance_m[-1], rel=1e-4)
    assert np.degrees(path.heading[-1]) == pytest.approx(90, abs=3)


@pytest.mark.parametrize(
    "extra",
    [
        {"light": 0.12, "exposure_s": 1 / 35},
        {"ride": TrialRide(handheld_until_s=1.5)},
        {"ride": TrialRide(turn_deg=90), "surface": "apron"},
        {"surface": "asphalt"},
        {"passing_at_s": 1.0},
        {"readout_lag_s": 0.9},
        {"frame_rate_hz": 120.0, "exposure_s": 1 / 500},
        {"height_m": 1.5, "pitch_deg": 20.0, "focal_widths": 0.9},
        {"width": 180, "height": 320},
        {"facing": "left", "cuts_s": (0.5,), "cut_facing": "forward"},
    ],
)
def test_variants__give_whole_pictures_with_something_to_see(extra):
    run = simulate(DemoVehicle(), Drive())
    spec = TrialSpec(**{"width": 320, "height": 180, **extra})
    for t in (0.0, 3.0, 8.0, run.duration_s):
        picture = TrialScene(spec, run).picture(t)
        assert picture.shape == (spec.height, spec.width, 3)
        assert picture.std() > 5


def test_variants__covered_lens_flash_and_repeats():
    run = cruise(8.0, 1.0)
    dark = TrialScene(TrialSpec(width=160, height=90, dark=True), run).picture(0.5)
    assert dark.mean() < 12
    spec = TrialSpec(width=160, height=90, flashes_s=(0.5,))
    means = [p.mean() for _, p in trial_pictures(spec, run)]
    assert int(np.argmax(means)) == 15
    repeats = TrialSpec(width=160, height=90, duplicate_share=0.3)
    shown = [p.copy() for _, p in trial_pictures(repeats, run)]
    same = sum(np.array_equal(a, b) for a, b in itertools.pairwise(shown))
    assert 3 <= same <= 16


@pytest.mark.parametrize("bad", [{"width": 321}, {"height": 10}])
def test_spec__refuses_what_no_camera_does(bad):
    with pytest.raises(UsageError, match="both sides must be even"):
        SceneSpec(**bad)
