"""Engine speed from sound, on sounds whose course is known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from overlay.engine.cycles import FRAME_CYCLES
from overlay.engine.firing import Firing
from overlay.engine.sound_rpm import rpm_from_sound
from overlay.errors import UsageError
from overlay.footage import read_sound
from overlay.footage.model import Sound
from overlay.series import Series
from overlay.timebase import FloatArray
from tests.engine import sounds


def errors(clip: Sound, course: FloatArray, **options: int) -> tuple[FloatArray, float]:
    """Relative errors where it is sure, and the share of time where it is."""
    heard = rpm_from_sound(clip, **options)
    sure = heard.confidence >= 0.5
    true = np.interp(heard.t_s[sure] - clip.start_s, sounds.times(course), course)
    return heard.rpm[sure] / true - 1, float(np.mean(sure))


@pytest.mark.parametrize(("rpm", "hz"), [(6000.0, 50.0), (5000.0, 41.6667)])
def test_firing__single_four_stroke_fires_every_second_turn(rpm: float, hz: float) -> None:
    # Elementary: two turns a cycle, so rpm / 120.
    assert rpm / Firing(1, 4).rpm_per_cycle_hz == pytest.approx(hz, rel=1e-5)


@pytest.mark.parametrize("strokes", [2, 4])
@pytest.mark.parametrize("rpm", [900.0, 1710.0, 3600.0, 5000.0, 8500.0])
def test_rpm__steady_speeds(rpm: float, strokes: int, rng: np.random.Generator) -> None:
    course = np.full(3 * sounds.RATE_HZ, rpm)
    clip = sounds.sound(sounds.engine(course, rng, strokes=strokes))
    error, share = errors(clip, course, strokes=strokes)
    assert share > 0.7
    assert np.max(np.abs(error)) < 0.002


def test_rpm__sweeps_without_fundamental_in_wind(rng: np.random.Generator) -> None:
    shares = []
    for _ in range(12):
        course = sounds.sweep(rng)
        tones = sounds.engine(course, rng, missing=(1,))
        error, share = errors(sounds.sound(tones + sounds.wind(len(course), rng)), course)
        assert np.max(np.abs(error), initial=0.0) < 0.2  # no octave, no third, anywhere
        shares.append(share)
    assert np.mean(shares) > 0.4


def test_rpm__launch_is_followed(rng: np.random.Generator) -> None:
    course = sounds.sweep(rng)
    error, share = errors(sounds.sound(sounds.engine(course, rng)), course)
    assert share > 0.7
    assert np.percentile(np.abs(error), 95) < 0.01
    assert np.median(np.abs(error)) < 0.001


def test_rpm__constant_speed_near_the_bound(rng: np.random.Generator) -> None:
    # Kay 1993 (from memory): var(f) >= 12 fs^2 / ((2 pi)^2 eta N (N^2 - 1)), eta = A^2 / (2 s^2),
    # for N samples of one tone; harmonics k of one rate each add k^2 eta_k.
    rpm, seconds, rate = 3600.0, 8.0, sounds.RATE_HZ
    t_s = np.arange(int(seconds * rate)) / rate
    order = np.arange(1, 13)
    level = np.sqrt(2 / 12) * np.ones(12)
    tones = (level * np.cos(2 * np.pi * t_s[:, None] * order * rpm / 120 + order**2)).sum(axis=1)
    heard = rpm_from_sound(sounds.sound(tones + rng.standard_normal(len(t_s))))
    inner = (heard.t_s > 0.5) & (heard.t_s < seconds - 0.5)
    assert np.all(heard.confidence[inner] > 0.5)
    error = heard.rpm[inner] - rpm
    n = FRAME_CYCLES / (rpm / 120) * rate
    eta = float(np.sum(order**2 * level**2) / 2)
    bound = 120 * np.sqrt(12 * rate**2 / ((2 * np.pi) ** 2 * eta * n * (n**2 - 1)))
    rmse = float(np.sqrt(np.mean(error**2)))
    assert 1.0 < rmse / bound < 2.0
    assert np.median(heard.sigma_rpm[inner]) == pytest.approx(rmse, rel=0.6)


def test_rpm__clipped_hard(rng: np.random.Generator) -> None:
    course = sounds.sweep(rng)
    mixed = sounds.engine(course, rng) + 0.5 * sounds.wind(len(course), rng)
    error, share = errors(sounds.sound(np.clip(3 * mixed, -1, 1)), course)
    assert share > 0.6
    assert np.max(np.abs(error)) < 0.2


@pytest.mark.parametrize(("cylinders", "strokes"), [(2, 4), (2, 2), (4, 4)])
def test_rpm__several_cylinders(cylinders: int, strokes: int, rng: np.random.Generator) -> None:
    course = sounds.sweep(rng)
    tones = sounds.engine(course, rng, cylinders=cylinders, strokes=strokes)
    clip = sounds.sound(tones + 0.1 * sounds.wind(len(course), rng))
    logged = Series("engine_rpm", sounds.times(course)[::800] + 300.0, course[::800])
    heard = rpm_from_sound(clip, cylinders=cylinders, strokes=strokes, logged=logged)
    sure = heard.confidence >= 0.5
    assert np.mean(sure) > 0.8
    true = np.interp(heard.t_s[sure], sounds.times(course), course)
    assert np.percentile(np.abs(heard.rpm[sure] / true - 1), 95) < 0.03


def test_evidence__limiter_and_log_settle_the_octave(rng: np.random.Generator) -> None:
    # Only even harmonics: by sound alone this is an engine at twice the speed.
    course = np.full(3 * sounds.RATE_HZ, 3000.0) + 300 * np.sin(
        2 * np.pi * np.arange(3 * sounds.RATE_HZ) / sounds.RATE_HZ / 3
    )
    odd = tuple(range(1, 31, 2))
    clip = sounds.sound(sounds.engine(course, rng, missing=odd))
    middle = {}
    logged = Series("engine_rpm", sounds.times(course)[::800], course[::800])
    for name, known in (
        ("none", {}),
        ("limiter", {"limiter_rpm": 5000.0}),
        ("log", {"logged": logged.shifted(200.0)}),
    ):
        heard = rpm_from_sound(clip, **known)
        middle[name] = float(np.nanmedian(heard.rpm))
    assert middle["none"] == pytest.approx(6000, rel=0.01)
    assert [middle[k] for k in ("limiter", "log")] == pytest.approx([3000] * 2, rel=0.01)


@pytest.mark.parametrize("kind", ["silence", "white", "wind", "short", "whistle"])
def test_rpm__nothing_where_there_is_no_engine(kind: str, rng: np.random.Generator) -> None:
    count = 6 * sounds.RATE_HZ
    t_s = np.arange(count) / sounds.RATE_HZ
    samples = {
        "silence": np.zeros(count),
        "white": rng.standard_normal(count),
        "wind": sounds.wind(count, rng),
        "short": rng.standard_normal(3000),
        "whistle": np.sin(2 * np.pi * 2750 * t_s) + 0.1 * rng.standard_normal(count),
    }[kind]
    heard = rpm_from_sound(sounds.sound(samples))
    assert not heard.heard
    assert heard.series() is None
    assert heard.note


def test_rpm__real_road_clip_gives_no_engine(shared_data: Path) -> None:
    clip = read_sound(shared_data / "lane" / "lane.mp4")
    assert clip is not None
    assert not rpm_from_sound(clip).heard


def test_rpm__time_is_footage_time_and_input_is_untouched(rng: np.random.Generator) -> None:
    course = sounds.sweep(rng)
    clip = sounds.sound(sounds.engine(course, rng))
    kept = clip.samples.copy()
    late = Sound(clip.samples, clip.rate_hz, 0.3)
    early, moved = rpm_from_sound(clip), rpm_from_sound(late)
    assert moved.t_s == pytest.approx(early.t_s + 0.3)
    np.testing.assert_allclose(moved.rpm, early.rpm)
    np.testing.assert_array_equal(clip.samples, kept)


def test_rpm__reversed_sound_gives_the_reversed_course(rng: np.random.Generator) -> None:
    course = sounds.sweep(rng)
    tones = sounds.engine(course, rng)
    forward = rpm_from_sound(sounds.sound(tones)).series()
    back = rpm_from_sound(sounds.sound(tones[::-1].copy())).series()
    assert forward is not None
    assert back is not None
    there = forward.at(len(course) / sounds.RATE_HZ - back.t_s)
    both = np.isfinite(there)
    assert np.median(np.abs(back.values[both] / there[both] - 1)) < 0.002


@pytest.mark.parametrize(
    "options",
    [{"cylinders": 0}, {"strokes": 3}],
)
def test_rpm__senseless_options_are_refused(options: dict[str, object]) -> None:
    clip = Sound(np.zeros((16000, 1), np.float32), 16000, 0.0)
    with pytest.raises(UsageError):
        rpm_from_sound(clip, **options)  # type: ignore[arg-type]
