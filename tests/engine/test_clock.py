"""The RPM log's clock, from sound and from speed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from overlay.demo.recorder import Receiver, RevCounter, record_revs, record_speed
from overlay.demo.scenario import BUILD_B
from overlay.demo.soundtrack import RATE_HZ, SoundSpec, soundtrack
from overlay.demo.vehicle import Drive, Motion, simulate
from overlay.engine.clock import rpm_clock_offset
from overlay.engine.clock_speed import rpm_clock_offset_from_speed
from overlay.engine.sound_rpm import SoundRpm, rpm_from_sound
from overlay.footage.model import Sound
from overlay.series import Series


@pytest.fixture(scope="module")
def motion() -> Motion:
    return simulate(BUILD_B.vehicle, Drive())


@pytest.fixture(scope="module")
def heard(motion: Motion) -> SoundRpm:
    return rpm_from_sound(Sound(soundtrack(motion, SoundSpec()), RATE_HZ, 0.0))


def log_of(motion: Motion, **options: float) -> Series:
    made = record_revs(motion, RevCounter(**options))  # type: ignore[arg-type]
    return Series("engine_rpm", made.log_s, made.engine_rpm)


@pytest.mark.parametrize("rate_hz", [5.0, 10.0, 20.0, 50.0])
def test_clock__offset_within_5_ms_and_its_interval(
    motion: Motion, heard: SoundRpm, rate_hz: float
) -> None:
    for number, offset in enumerate((24.0, 61.237)):
        log = log_of(motion, rate_hz=rate_hz, clock_offset_s=offset, rng_seed=number)
        found = rpm_clock_offset(heard, log)
        assert found.offset_s == pytest.approx(offset, abs=0.006 if rate_hz < 8 else 0.005)
        assert found.interval_s is not None
        assert found.interval_s[0] <= offset <= found.interval_s[1]
        assert found.interval_s[1] - found.interval_s[0] < 0.03


def test_clock__log_that_starts_minutes_earlier(motion: Motion, heard: SoundRpm) -> None:
    log = log_of(motion, clock_offset_s=310.0, before_s=310.0)
    assert rpm_clock_offset(heard, log).offset_s == pytest.approx(310.0, abs=0.005)


def test_clock__log_that_covers_part_of_the_clip(motion: Motion, heard: SoundRpm) -> None:
    log = log_of(motion).between(25.0, 31.0)  # footage time 1 to 7 s
    assert rpm_clock_offset(heard, log).offset_s == pytest.approx(24.0, abs=0.006)


def test_clock__shifted_log_shifts_the_offset(motion: Motion, heard: SoundRpm) -> None:
    log = log_of(motion)
    one, two = rpm_clock_offset(heard, log), rpm_clock_offset(heard, log.shifted(-100.125))
    assert one.offset_s is not None
    assert two.offset_s == pytest.approx(one.offset_s - 100.125, abs=1e-4)


def test_clock__averaging_logger_is_late_by_half_its_step(motion: Motion, heard: SoundRpm) -> None:
    t_s = np.arange(14.0, 40.0, 0.1)
    fine = motion.t_s[1] - motion.t_s[0]
    sums = np.concatenate([[0.0], np.cumsum(motion.engine_rpm) * fine])
    edges = np.arange(len(sums)) * fine
    last = float(motion.engine_rpm[-1])

    def integral(at: np.ndarray) -> np.ndarray:  # type: ignore[type-arg]
        inside = np.interp(at, edges, sums)
        return (
            inside + np.minimum(at, 0) * motion.engine_rpm[0] + np.maximum(at - edges[-1], 0) * last
        )

    mean = (integral(t_s - 24.0) - integral(t_s - 24.1)) / 0.1
    found = rpm_clock_offset(heard, Series("engine_rpm", t_s, mean))
    assert found.offset_s is not None
    assert found.offset_s - 24.0 == pytest.approx(0.05, abs=0.006)
    assert found.logger_delay_up_to_s == pytest.approx(0.05)


def test_clock__half_speed_heard_is_settled_by_the_log(motion: Motion, heard: SoundRpm) -> None:
    half = SoundRpm(heard.t_s, heard.rpm / 2, heard.sigma_rpm / 2, heard.confidence, heard.note)
    found = rpm_clock_offset(half, log_of(motion))
    assert found.offset_s == pytest.approx(24.0, abs=0.005)
    assert "twice" in found.reason


def test_clock__constant_speed_is_refused(heard: SoundRpm, rng: np.random.Generator) -> None:
    t_s = np.arange(0, 60, 0.05)
    found = rpm_clock_offset(heard, Series("engine_rpm", t_s, 3600 + rng.normal(0, 12, len(t_s))))
    assert not found.determined
    assert "hardly changes" in found.reason
    steady = SoundRpm(
        heard.t_s, np.full(len(heard.t_s), 3600.0), heard.sigma_rpm, heard.confidence, ""
    )
    assert not rpm_clock_offset(steady, Series("engine_rpm", t_s, 2000 + 20 * t_s)).determined


def test_clock__two_equal_runs_in_the_log_are_refused(motion: Motion, heard: SoundRpm) -> None:
    log = log_of(motion)
    again = Series(
        "engine_rpm",
        np.concatenate([log.t_s, log.t_s + 60.0]),
        np.concatenate([log.values, log.values]),
    )
    found = rpm_clock_offset(heard, again)
    assert not found.determined
    assert "two places" in found.reason


def test_clock__wrong_log_is_refused(heard: SoundRpm, rng: np.random.Generator) -> None:
    t_s = np.arange(0, 90, 0.05)
    for _ in range(8):
        knots = np.exp(rng.uniform(np.log(1500), np.log(5500), 31))
        log = Series("engine_rpm", t_s, np.interp(t_s, np.linspace(0, 90, 31), knots))
        assert not rpm_clock_offset(heard, log).determined


def test_clock__nothing_heard_is_refused(motion: Motion) -> None:
    t_s = np.arange(0, 10, 0.02)
    none = SoundRpm(t_s, t_s * np.nan, t_s * np.nan, t_s * 0, "silence")
    assert not rpm_clock_offset(none, log_of(motion)).determined


def test_speed__offset_within_its_interval(motion: Motion) -> None:
    for number in range(6):
        made = record_speed(motion, Receiver(rng_seed=number))
        t_s = made.log_s - made.total_offset_s
        log = log_of(motion, clock_offset_s=40.0 + number, rng_seed=number)
        found = rpm_clock_offset_from_speed(t_s, made.speed_mps, log)
        assert found.offset_s == pytest.approx(40.0 + number, abs=0.05)
        assert found.interval_s is not None
        assert found.interval_s[0] <= 40.0 + number <= found.interval_s[1]


def test_speed__strange_or_constant_logs_are_refused(
    motion: Motion, rng: np.random.Generator
) -> None:
    t_s = np.arange(0, 60, 0.05)
    for values in (3600 + rng.normal(0, 12, len(t_s)), 2500 + 900 * np.sin(t_s * 2.2)):
        log = Series("engine_rpm", t_s, values)
        found = rpm_clock_offset_from_speed(motion.t_s[::100], motion.speed_mps[::100], log)
        assert not found.determined
    still = np.zeros(len(motion.t_s[::100]))
    assert not rpm_clock_offset_from_speed(motion.t_s[::100], still, log_of(motion)).determined


def test_job__made_clips(tmp_path: Path) -> None:
    """The clip's coded sound, through the container and the coder, against the log's file."""
    from overlay.demo.clip import write_clip
    from overlay.footage import read_sound

    course = simulate(BUILD_B.vehicle, Drive())
    clip = tmp_path / "run.mp4"
    frame = np.zeros((64, 64, 3), np.uint8)
    frames = [frame] * int(course.duration_s * 10)
    write_clip(clip, frames, soundtrack(course, SoundSpec()), rate_hz=10)
    sound = read_sound(clip)
    assert sound is not None
    found = rpm_clock_offset(rpm_from_sound(sound), log_of(course, clock_offset_s=33.3))
    assert found.offset_s == pytest.approx(33.3, abs=0.005)
