"""The RPM log's clock, from sound and from speed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from scipy.signal import lfilter

from overlay.demo.recorder import Receiver, RevCounter, record_revs, record_speed
from overlay.demo.scenario import BUILD_B
from overlay.demo.soundtrack import RATE_HZ, SoundSpec, soundtrack
from overlay.demo.vehicle import Drive, Motion, simulate
from overlay.engine.clock import TAIL, _log_t, fit_offset, rpm_clock_offset
from overlay.engine.clock_speed import _mixture, densest, rpm_clock_offset_from_speed
from overlay.engine.sound_rpm import SoundRpm, rpm_from_sound
from overlay.engine.tuning import BY_SPEED
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


# -- its parts ---------------------------------------------------------------------------------


def test_log_t__is_the_density_of_students_t_up_to_a_constant() -> None:
    residual = np.linspace(-3, 3, 13)
    for spread in (0.05, 0.4):
        off = _log_t(residual, spread) - scipy.stats.t(TAIL, scale=spread).logpdf(residual)
        assert off == pytest.approx(np.full(13, off[0]))
        assert off[0] == pytest.approx(-scipy.stats.t(TAIL).logpdf(0.0))


def swing(t_s: np.ndarray) -> np.ndarray:  # type: ignore[type-arg]
    """Engine speed that swings by 800 rpm about 3000 in 4 s."""
    return np.asarray(3000 + 800 * np.sin(np.pi / 2 * t_s))


def swinging(noise: np.ndarray, colour: float = 0.0) -> tuple[float, float]:  # type: ignore[type-arg]
    """Offset and sigma found for a log of `swing`, 7.3 s late, with noise in it."""
    t_s = np.arange(0.0, 0.1 * len(noise) - 0.05, 0.1)
    if colour:
        noise = np.sqrt(1 - colour**2) * lfilter([1.0], [1.0, -colour], noise)

    def predicted(offset: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:  # type: ignore[type-arg]
        at = t_s - offset
        slope = 400 * np.pi * np.cos(np.pi / 2 * at)
        return swing(at), slope, np.zeros(len(at))

    found = fit_offset(Series("engine_rpm", t_s, swing(t_s - 7.3) + noise), predicted, 7.15)
    assert found is not None
    return found


@pytest.mark.parametrize("colour", [0.0, 0.4])
def test_fit__sigma_is_how_far_offsets_scatter(rng: np.random.Generator, colour: float) -> None:
    """Of white noise, sigma / sqrt(sum of squared slopes): 40 / (400 pi sqrt(100)) = 3.2 ms.

    What follows itself by r from sample to sample has (1 + r) / (1 - r) of that variance.
    """
    found = np.array([swinging(rng.normal(0, 40, 200), colour) for _ in range(150)])
    known_s = 40 / (400 * np.pi * 10) * np.sqrt((1 + colour) / (1 - colour))
    assert np.mean(found[:, 0]) == pytest.approx(7.3, abs=4 * known_s / np.sqrt(150))
    assert np.std(found[:, 0]) == pytest.approx(known_s, rel=0.2)
    assert np.median(found[:, 1]) == pytest.approx(known_s, rel=0.25)


def test_fit__wild_samples_count_little_and_few_are_not_enough(rng: np.random.Generator) -> None:
    noise = rng.normal(0, 20, 200)
    noise[::19] += 1500
    assert swinging(noise)[0] == pytest.approx(7.3, abs=0.006)
    log = Series("engine_rpm", np.arange(5.0), np.arange(5.0) + 1)
    assert fit_offset(log, lambda _: (log.values, log.values, log.values), 0.0) is None


def test_densest__is_the_middle_of_the_crowded_third() -> None:
    """Slip only lifts: six of 18 lie within 0.05 of 2, the others spread out above."""
    values = np.r_[np.linspace(1.95, 2.05, 6), 2.4 + 0.3 * np.arange(12)]
    assert densest(values[::-1]) == pytest.approx(2.0)


def test_speed__mixture_is_a_density_of_core_and_slip() -> None:
    at = np.linspace(-8, 8, 1601)
    for spread in (0.02, 0.3):
        density = np.exp(_mixture(at, spread))
        core = 0.85 * scipy.stats.norm(0, spread).pdf(at) * np.sqrt(2 * np.pi)
        wide = 0.15 * scipy.stats.norm(0, BY_SPEED.chance_spread).pdf(at) * np.sqrt(2 * np.pi)
        assert density == pytest.approx(core + wide + 1e-9)


@pytest.mark.parametrize("rpm_per_mps", [180.0, 420.0])
def test_speed__of_a_drive_that_holds_in_closed_form(rpm_per_mps: float) -> None:
    """Revs at a constant times 4 + 8 sin^2, 12.34 s late by the log's clock; slip at two places."""
    t_s = np.arange(0.0, 20.0, 0.05)
    speed = 4 + 8 * np.sin(0.31 * t_s) ** 2
    log_s = np.arange(8.0, 36.0, 0.1)
    revs = rpm_per_mps * (4 + 8 * np.sin(0.31 * (log_s - 12.34)) ** 2)
    revs = np.where((log_s > 15) & (log_s < 16), 1.3 * revs, revs)
    found = rpm_clock_offset_from_speed(t_s, speed, Series("engine_rpm", log_s, revs))
    assert found.offset_s == pytest.approx(12.34, abs=0.004)
    assert found.interval_s is not None
    low, high = found.interval_s
    assert (low + high) / 2 == pytest.approx(found.offset_s)
    # With nothing left to scatter, the model's own share is all of it.
    assert (high - low) / 2 == pytest.approx(1.959964 * BY_SPEED.model_sigma_s, rel=0.35)
    assert found.logger_delay_up_to_s == pytest.approx(0.05)
