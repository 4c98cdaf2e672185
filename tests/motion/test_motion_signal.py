"""The motion signal against rendered scenes and real pixels whose speed is known."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from scipy.optimize import least_squares

from overlay.footage.model import LumaFrame
from overlay.motion import Box, MotionSignal, motion_onset, motion_signal, used
from tests.lane import lane_clip, lane_pictures
from tests.motion.scenes import Scene, launch_and_stop, launch_speed, render

Array = npt.NDArray[np.float64]
SHORT_S = 6.0
# Video set against telemetry has been published with a mean error of 13 ms (Fridman et al. 2016,
# Pattern Recognition Letters 75:9-15). That holds the log's errors too, so the picture's part must
# stay below it in every scene, another vehicle passing through a third of the picture included.
LARGEST_LAG_S = 0.010


def still(t_s: Array) -> Array:
    return np.zeros_like(np.asarray(t_s, float))


def turning_90(t_s: Array) -> Array:
    """Yaw rate of a 90 degree turn around 3.5 s, rad/s."""
    return np.pi / 2 / (0.9 * np.sqrt(2 * np.pi)) * np.exp(-0.5 * ((t_s - 3.5) / 0.9) ** 2)


SCENES: dict[str, Scene] = {
    "plain": Scene(launch_and_stop, duration_s=SHORT_S),
    "turn": Scene(launch_and_stop, duration_s=SHORT_S, yaw_rate=turning_90),
    "backward": Scene(launch_and_stop, duration_s=SHORT_S, facing_rad=np.pi),
    "sideways": Scene(launch_and_stop, duration_s=SHORT_S, facing_rad=np.pi / 2),
    "bodywork, readout": Scene(launch_and_stop, duration_s=SHORT_S, bodywork=True, readout=True),
    "another vehicle": Scene(launch_and_stop, duration_s=SHORT_S, passer=(2.5, 4.0)),
    "exposure drift": Scene(
        launch_and_stop, duration_s=SHORT_S, brightness=lambda t: 0.8 + 0.25 * np.sin(t)
    ),
    "uneven frames": Scene(launch_and_stop, duration_s=SHORT_S, jitter=0.3),
    "repeated frames": Scene(launch_and_stop, duration_s=SHORT_S, repeats=tuple(range(20, 200, 7))),
    "hand before": Scene(launch_and_stop, duration_s=SHORT_S, early_shake=(1.3, 0.05)),
}


@lru_cache(maxsize=16)
def seen(name: str) -> tuple[MotionSignal, Callable[[Array], Array]]:
    scene = SCENES[name]
    frames, _ = render(scene)
    return motion_signal(frames), scene.speed_mps


def mean_speed(speed: Callable[[Array], Array], signal: MotionSignal, shift_s: float) -> Array:
    """True mean speed over each pair, the whole moved by `shift_s`."""
    steps = (np.arange(9) - 4) / 9
    parts = [speed(signal.t_s - shift_s + k * signal.span_s) for k in steps]
    return np.asarray(np.mean(parts, axis=0))


def fitted_lag_s(signal: MotionSignal, speed: Callable[[Array], Array]) -> tuple[float, float]:
    """Lag and gain of ``forward = gain * speed(t - lag)``, by robust weighted least squares."""
    keep = used(signal)
    weight = 1 / np.hypot(signal.sigma, 0.01 + 0.02 * np.abs(signal.forward))

    def misfit(p: Array) -> Array:
        return np.asarray(
            (weight * (signal.forward - p[0] * mean_speed(speed, signal, p[1])))[keep]
        )

    found = least_squares(misfit, [0.08, 0.0], loss="soft_l1", x_scale=[0.01, 0.01])
    return float(found.x[1]), float(found.x[0])


@pytest.mark.parametrize("name", list(SCENES))
def test_motion_signal__follows_true_speed(name: str) -> None:
    signal, speed = seen(name)
    assert signal.reason is None
    keep = used(signal)
    truth = mean_speed(speed, signal, 0.0)
    assert np.corrcoef(signal.forward[keep], truth[keep])[0, 1] > 0.99
    lag_s, _ = fitted_lag_s(signal, speed)
    assert abs(lag_s) < LARGEST_LAG_S


@pytest.mark.parametrize("name", ["plain", "turn", "backward", "sideways"])
def test_motion_signal__is_linear_in_speed(name: str) -> None:
    signal, speed = seen(name)
    truth = mean_speed(speed, signal, 0.0)
    gains = []
    for low, high in ((0.1, 0.3), (0.3, 0.6), (0.6, 1.0)):
        part = (truth > low * truth.max()) & (truth <= high * truth.max())
        gains.append(signal.forward[part].sum() / truth[part].sum())
    assert max(gains) / min(gains) < 1.06


def test_motion_signal__squat_and_dive_leave_the_gain_alone() -> None:
    # 0.22 degrees for each m/s^2, as a sprung vehicle has; left alone it is a tenth of the gain.
    scene = Scene(launch_and_stop, duration_s=SHORT_S, squat_rad_per_mps2=0.0038)
    signal = motion_signal(render(scene)[0])
    truth = mean_speed(scene.speed_mps, signal, 0.0)
    fast = truth > 0.3 * truth.max()
    gains = [
        signal.forward[part].sum() / truth[part].sum()
        for part in (fast & (signal.t_s < 3.9), fast & (signal.t_s > 4.1))
    ]
    assert gains[0] / gains[1] == pytest.approx(1.0, abs=0.025)


def test_motion_signal__sigma_is_honest() -> None:
    signal, speed = seen("plain")
    lag_s, gain = fitted_lag_s(signal, speed)
    z = (signal.forward - gain * mean_speed(speed, signal, lag_s)) / signal.sigma
    assert 0.5 < np.percentile(np.abs(z), 68.3) < 2.5


def test_motion_signal__repeats_leave_no_trace() -> None:
    signal, _ = seen("repeated frames")
    repeats = sum(k < SHORT_S * 30 for k in SCENES["repeated frames"].repeats)
    assert signal.duplicates == pytest.approx(repeats, abs=2)
    assert signal.span_s.max() == pytest.approx(2 / 30, rel=0.05)


def test_motion_signal__bodywork_lowers_the_moving_share() -> None:
    assert seen("bodywork, readout")[0].moving_share < 0.9 * seen("plain")[0].moving_share


@pytest.mark.parametrize(
    "scene",
    [
        Scene(still, duration_s=3),
        Scene(still, duration_s=3, walker=True),
        Scene(still, duration_s=3, brightness=lambda t: 0.8 + 0.25 * np.sin(t)),
        Scene(still, duration_s=4, early_shake=(4.0, 0.03)),
        Scene(launch_and_stop, duration_s=4, brightness=lambda t: 0.02),
    ],
    ids=["still", "walker", "exposure", "hand", "dark lens"],
)
def test_motion_signal__refuses_what_cannot_tell(scene: Scene) -> None:
    frames, _ = render(scene)
    signal = motion_signal(frames)
    assert signal.reason is not None
    assert not used(signal).any()
    assert motion_onset(signal) is None


def test_motion_signal__exact_stills_are_refused() -> None:
    picture = np.full((180, 320), 90, np.uint8)
    picture[::7, ::5] = 200
    signal = motion_signal([LumaFrame(k / 30, picture) for k in range(30)])
    assert signal.reason is not None
    assert not used(signal).any()


def test_motion_signal__too_short() -> None:
    picture = np.zeros((180, 320), np.uint8)
    signal = motion_signal([LumaFrame(0.0, picture), LumaFrame(0.04, picture)])
    assert signal.reason is not None
    assert motion_signal([]).reason is not None


def test_motion_signal__flash_and_cut_carry_no_trust() -> None:
    frames, _ = render(Scene(launch_speed(0.5), duration_s=4))
    bright = [
        LumaFrame(f.t_s, np.clip(f.luma.astype(int) + 90, 0, 255).astype(np.uint8))
        if k == 60
        else f
        for k, f in enumerate(frames)
    ]
    cut = [
        LumaFrame(f.t_s, f.luma[::-1, ::-1].copy()) if k >= 90 else f for k, f in enumerate(bright)
    ]
    signal = motion_signal(cut[:96] + bright[96:])
    assert signal.flashes == 2
    assert (signal.quality[[59, 60]] == 0).all()
    assert signal.cuts >= 1
    assert signal.quality[89] == 0


def test_motion_signal__ignored_box_changes_no_motion() -> None:
    frames, _ = render(Scene(launch_and_stop, duration_s=3.5, readout=True))
    whole = motion_signal(frames)
    boxed = motion_signal(frames, ignore=[Box(0.0, 0.0, 0.35, 0.2)])
    assert boxed.reason is None
    assert np.corrcoef(whole.forward, boxed.forward)[0, 1] > 0.999


def test_motion_signal__reports_progress_and_leaves_pictures_alone() -> None:
    frames, _ = render(Scene(launch_and_stop, duration_s=2))
    before = [f.luma.copy() for f in frames]
    told: list[float] = []
    motion_signal(iter(frames), progress=told.append)
    assert told == sorted(told)
    assert told
    assert all(np.array_equal(a, f.luma) for a, f in zip(before, frames, strict=True))


def test_motion_signal__portrait() -> None:
    scene = Scene(launch_and_stop, duration_s=4.5, size=(180, 320), focal_px=240)
    signal = motion_signal(render(scene)[0])
    truth = mean_speed(scene.speed_mps, signal, 0.0)
    assert np.corrcoef(signal.forward, truth)[0, 1] > 0.98


@pytest.mark.parametrize("name", ["plain", "backward", "hand before", "repeated frames"])
def test_motion_onset__is_the_launch(name: str) -> None:
    onset = motion_onset(seen(name)[0])
    assert onset is not None
    assert abs(onset.t_s - 1.5) < max(3 * onset.sigma_s, 0.02)
    assert onset.sigma_s < 0.05


def test_motion_onset__none_when_already_moving() -> None:
    scene = Scene(lambda t: 4 + 2 * np.sin(np.asarray(t)), duration_s=2.5)
    signal = motion_signal(render(scene)[0])
    assert signal.reason is None
    assert motion_onset(signal) is None


def _go_and_stop(t_s: Array) -> Array:
    """Source frames a second: rest, up to 60, rest."""
    return np.interp(t_s, [0, 1, 3.5, 4.5, 6, 8], [0, 0, 60, 60, 0, 0])


@pytest.mark.parametrize("backward", [False, True])
def test_motion_signal__real_pixels(
    shared_data: Path, rng: np.random.Generator, backward: bool
) -> None:
    pictures = lane_pictures(shared_data / "lane" / "lane.mp4")
    clip = lane_clip(pictures, _go_and_stop, duration_s=7, rate_hz=25, rng=rng)
    frames, speed = clip.frames, clip.speed
    if backward:
        end_s = frames[-1].t_s
        frames = [LumaFrame(end_s - f.t_s, f.luma) for f in frames[::-1]]
        speed = speed[::-1]
    signal = motion_signal(frames)
    assert signal.reason is None
    assert np.corrcoef(signal.forward, speed)[0, 1] > 0.99
    # A signal late by L is speed less L times its slope.
    slope = np.gradient(speed, 1 / 25)
    (gain, late), *_ = np.linalg.lstsq(np.stack([speed, -slope], 1), signal.forward, rcond=None)
    assert abs(late / gain) < 0.020


def test_motion_signal__real_pixels_standing(shared_data: Path, rng: np.random.Generator) -> None:
    pictures = lane_pictures(shared_data / "lane" / "lane.mp4")
    clip = lane_clip(pictures, still, duration_s=3, rate_hz=25, rng=rng)
    assert motion_signal(clip.frames).reason is not None
