"""What a clip is good for, judged on motion, sound and tracks of known make."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from overlay.footage.model import ClipFacts, Sound
from overlay.jobs.facts import facts_of
from overlay.jobs.prospects import launch_and_stop, prospects
from overlay.logs.model import SPEED, Log
from overlay.motion.model import MotionSignal
from overlay.series import Series
from overlay.timebase import FrameTimes

DURATION_S = 14.0


def clip(rate: int = 30, height: int = 720) -> ClipFacts:
    count = int(DURATION_S * rate)
    return ClipFacts(
        path="run.mp4",
        width=height * 16 // 9,
        height=height,
        rotation_deg=0,
        pixel_aspect=Fraction(1),
        frame_times=FrameTimes(np.arange(count), Fraction(1, rate)),
        duration_s=DURATION_S,
        frame_rate_hz=Fraction(rate),
        is_variable=False,
        video_codec="h264",
        pixel_format="yuv420p",
        bit_depth=8,
        color_range="tv",
        color_space="bt709",
        color_primaries="bt709",
        color_transfer="bt709",
        is_interlaced=False,
        audio_codec="aac",
        audio_rate_hz=16000,
        audio_channels=1,
        audio_start_s=0.0,
        audio_duration_s=DURATION_S,
        created_utc=None,
        is_cut_off=False,
    )


def motion(launch_s: float, stop_s: float) -> MotionSignal:
    """At rest, up at an even pace, down at an even pace, at rest; a little noise."""
    t_s = (np.arange(int(DURATION_S * 30) - 1) + 0.5) / 30
    ramp = np.minimum((t_s - launch_s) / 4.0, (stop_s - t_s) / 3.0)
    noise = np.random.default_rng(7).normal(0, 0.005, len(t_s))
    n = len(t_s)
    return MotionSignal(
        t_s,
        np.full(n, 1 / 30),
        np.clip(ramp, 0, 1) + noise,
        np.ones(n),
        np.full(n, 0.005),
        moving_share=0.8,
    )


def sound(amplitude: float) -> Sound:
    tone = amplitude * np.sin(np.arange(16000) * 0.2)
    return Sound(np.clip(tone, -1, 1).astype(np.float32)[:, None], 16000, 0.0)


def track(rate_hz: float) -> Log:
    t_s = np.arange(0, DURATION_S, 1 / rate_hz)
    return Log("run.mp4", "gpmd", "footage", None, {SPEED: Series(SPEED, t_s, t_s)})


def test_launch_and_stop__of_a_known_run() -> None:
    launch_s, stop_s = launch_and_stop(motion(3.0, 11.0))
    assert launch_s == pytest.approx(3.0, abs=0.08)
    assert stop_s == pytest.approx(11.0, abs=0.08)
    assert launch_and_stop(motion(-2.0, 11.0))[0] is None
    assert launch_and_stop(motion(3.0, 30.0))[1] is None


def test_prospects__a_good_clip_needs_no_change() -> None:
    found = prospects(clip(), motion(3.0, 11.0), sound(0.3), track(10))
    assert found.next_time == ()
    assert "both in view" in found.good_for[0]
    assert any("10 speeds a second" in line for line in found.good_for)


@pytest.mark.parametrize(
    ("run", "good", "change"),
    [
        ((3.0, 30.0), "is in view, no stop", "keep filming until the vehicle stands"),
        ((-2.0, 11.0), "is in view, no launch", "start filming 2 s before the launch"),
        ((-2.0, 30.0), "neither launch nor stop", "start filming 2 s before the launch and stop"),
        ((0.9, 11.0), "both in view", "at rest before the launch"),
        ((3.0, 13.2), "both in view", "at rest after the stop"),
    ],
)
def test_prospects__what_to_film(run: tuple[float, float], good: str, change: str) -> None:
    found = prospects(clip(), motion(*run), sound(0.3), track(10))
    assert good in found.good_for[0]
    assert len(found.next_time) == 1
    assert change in found.next_time[0]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"sound": None}, "there is no sound"),
        ({"sound": sound(1e-4)}, "the sound is silent"),
        ({"sound": sound(3.0)}, "the sound is overdriven"),
        ({"track": track(1)}, "speeds come slowly"),
        ({"clip": clip(rate=15)}, "15 frames a second are few"),
        ({"clip": clip(height=360)}, "640×360 is small"),
        ({"clip": replace(clip(), is_cut_off=True)}, "cut off"),
        ({"clip": replace(clip(), is_interlaced=True)}, "interlaced"),
        ({"motion": replace(motion(3, 11), reason="it is night")}, "it is night"),
    ],
)
def test_prospects__one_fault_at_a_time(change: dict[str, object], told: str) -> None:
    good: dict[str, object] = {
        "clip": clip(),
        "motion": motion(3.0, 11.0),
        "sound": sound(0.3),
        "track": track(10),
    }
    found = prospects(**(good | change))  # type: ignore[arg-type]
    assert len(found.next_time) == 1
    assert told in found.next_time[0]


def test_inspect__a_rendered_clip_against_its_truth() -> None:
    folder = Path(__file__).resolve().parents[2] / "demo_clips"
    facts = facts_of(folder / "a1.mp4", watch=True)
    # demo_clips/truth.json: launch 1.492 s, stop 12.856 s.
    assert facts["launch_s"] == pytest.approx(1.492, abs=0.1)
    assert facts["stop_s"] == pytest.approx(12.856, abs=0.1)
    assert "both in view" in facts["good_for"][0]
    assert "good_for" not in facts_of(folder / "a1.mp4")
