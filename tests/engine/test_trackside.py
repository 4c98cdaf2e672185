"""A second camera's clock by sound, against sound carried through the air by the tests themselves.

The way of the sound is solved by fixed-point iteration for each sample that arrives, from where
the vehicle was when it left: the textbook account of a moving source (delay, Doppler, loudness as
1 / distance).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from overlay.demo.scenario import BUILD_A, BUILD_B
from overlay.demo.soundtrack import RATE_HZ, SoundSpec, soundtrack
from overlay.demo.vehicle import DemoVehicle, Drive, Motion, simulate
from overlay.engine.trackside import Apart, clocks_apart, speed_of_sound_mps
from overlay.footage.model import Sound
from overlay.timebase import FloatArray

FREE = replace(BUILD_B.vehicle, limiter_rpm=5100.0)  # turns up to its lift
AIR_MPS = 331.3 + 0.606 * 15.0  # textbook line for dry air at 15 degrees Celsius


@dataclass(frozen=True, eq=False)
class Filmed:
    """A run, and what the camera on board heard."""

    motion: Motion
    on_board: Sound

    def apart(self, beside: Sound) -> Apart:
        return clocks_apart(self.on_board, beside, self.motion.t_s, self.motion.distance_m)


@pytest.fixture(scope="module")
def filmed() -> Filmed:
    motion = simulate(FREE, Drive())
    return Filmed(motion, Sound(soundtrack(motion, SoundSpec()), RATE_HZ, 0.0))


def beside(
    motion: Motion, place_m: float, aside_m: float, clock_s: float, *, noise: float = 1 / 20
) -> Sound:
    """What a camera hears whose clock shows `clock_s` more than the one on board.

    It is the same engine, each stroke as irregular, without the wind at the camera on board.
    """
    engine = soundtrack(motion, SoundSpec(wind=0, tyres=0.3, whistle=0)).mean(axis=1)
    way = motion.t_s, motion.distance_m
    return carried(engine, way, place_m, aside_m, clock_s, noise=noise)


def carried(
    engine: FloatArray,
    way: tuple[FloatArray, FloatArray],
    place_m: float,
    aside_m: float,
    clock_s: float,
    *,
    noise: float = 1 / 20,
) -> Sound:
    """A sound at 48 kHz as it arrives beside the way (seconds, metres) that its source goes."""
    length_s = len(engine) / RATE_HZ
    arrives_s = np.arange(int((length_s + max(clock_s, 0) + 1) * RATE_HZ)) / RATE_HZ - clock_s
    left_s = arrives_s.copy()
    for _ in range(40):
        away_m = np.hypot(np.interp(left_s, *way) - place_m, aside_m)
        left_s = arrives_s - away_m / AIR_MPS
    heard = np.interp(left_s, np.arange(len(engine)) / RATE_HZ, engine, left=0, right=0)
    rng = np.random.default_rng(5)
    heard = heard * 10 / away_m + rng.normal(0, noise * np.std(engine), len(heard))
    return Sound(heard[:, None].astype(np.float32), RATE_HZ, 0.0)


def test_speed_of_sound__of_the_textbook() -> None:
    assert speed_of_sound_mps(0.0) == 331.3
    assert speed_of_sound_mps(20.0) == pytest.approx(343.4, abs=0.1)  # 343 m/s in any handbook


@pytest.mark.parametrize(
    ("place_m", "aside_m", "clock_s", "widest_s"),
    [
        (0.0, 5.0, 2.37, 0.14),
        (40.0, 6.0, -0.8, 0.07),  # passed: place and clock are told apart
        (100.0, 10.0, 3.1, 0.35),
        (-15.0, 3.0, 0.5, 0.14),
    ],
)
def test_clocks_apart__however_far_the_camera_stands(
    filmed: Filmed, place_m: float, aside_m: float, clock_s: float, widest_s: float
) -> None:
    found = filmed.apart(beside(filmed.motion, place_m, aside_m, clock_s))
    assert found.offset_s is not None, found.reason
    assert found.interval_s is not None
    low, high = found.interval_s
    assert low < clock_s < high
    assert abs(found.offset_s - clock_s) < 0.06  # the sound is up to 0.3 s on its way
    assert high - low < widest_s
    assert found.camera_m == pytest.approx(place_m, abs=15)


def test_clocks_apart__a_sound_that_starts_late_in_its_clip_is_on_that_clips_time(
    filmed: Filmed,
) -> None:
    sound = beside(filmed.motion, 0.0, 5.0, 1.0)
    cut = Sound(sound.samples[RATE_HZ // 2 :], RATE_HZ, 0.5)
    one, other = filmed.apart(sound), filmed.apart(cut)
    assert one.offset_s is not None
    assert other.offset_s == pytest.approx(one.offset_s, abs=0.02)


def test_clocks_apart__says_doppler(filmed: Filmed) -> None:
    """Driving away lowers the note to c / (c + v), coming raises it to c / (c - v)."""
    top_mps = float(np.max(filmed.motion.speed_mps))
    away = filmed.apart(beside(filmed.motion, 0.0, 5.0, 0.0))
    assert away.lowest == pytest.approx(AIR_MPS / (AIR_MPS + top_mps), abs=0.003)
    assert away.highest < 1.001
    coming = filmed.apart(beside(filmed.motion, 120.0, 5.0, 0.0))
    assert coming.highest == pytest.approx(AIR_MPS / (AIR_MPS - top_mps), abs=0.003)
    assert coming.lowest > 0.999


@pytest.mark.parametrize("vehicle", [FREE, BUILD_B.vehicle])
def test_clocks_apart__another_run_is_refused(vehicle: DemoVehicle) -> None:
    motion = simulate(vehicle, Drive())
    filmed = Filmed(motion, Sound(soundtrack(motion, SoundSpec()), RATE_HZ, 0.0))
    assert filmed.apart(beside(motion, 0.0, 5.0, 1.0)).offset_s is not None
    for other, drive in (
        (BUILD_A.vehicle, Drive()),
        (vehicle, Drive(opening_s=0.4, headwind_mps=1.0, power=0.98)),
        (vehicle, Drive(opening_s=0.2, headwind_mps=0.5)),
    ):
        found = filmed.apart(beside(simulate(other, drive), 0.0, 5.0, 1.0))
        assert found.offset_s is None
        assert "did not hear the same run" in (found.reason or "")


def test_clocks_apart__noise_silence_and_a_moment_are_refused(filmed: Filmed) -> None:
    rng = np.random.default_rng(2)
    noise = Sound(rng.normal(0, 0.1, (12 * RATE_HZ, 1)).astype(np.float32), RATE_HZ, 0.0)
    assert filmed.apart(noise).offset_s is None
    silent = filmed.apart(Sound(np.zeros((12 * RATE_HZ, 1), np.float32), RATE_HZ, 0.0))
    assert silent.offset_s is None and "silent" in (silent.reason or "")
    short = filmed.apart(Sound(noise.samples[:RATE_HZ], RATE_HZ, 0.0))
    assert short.offset_s is None and "lasts under 4 s" in (short.reason or "")
    long = filmed.apart(Sound(np.tile(noise.samples, (16, 1)), RATE_HZ, 0.0))
    assert long.offset_s is None and "lasts over 180 s" in (long.reason or "")
