"""The ground alone: how far springs may shift it, and drives that the whole picture cannot tell."""

from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from overlay.demo.vehicle import DemoVehicle, Drive, simulate
from overlay.motion.ground import TUNING, _gain_errors, pitch_response
from overlay.motion.model import AMONG_THINGS, OPEN_GROUND
from overlay.sync.estimate import estimate_offset
from tests.benchmarks.accuracy.footage import record
from tests.benchmarks.accuracy.score import Film
from tests.cluttered_scene import CLUTTERED, cluttered_frames, smaller

T_S = np.arange(0.0, 16.0, 0.05)
# Stands, pulls away to 12, brakes, stands: in camera heights a second.
RATE = np.interp(T_S, [3.0, 8.0, 10.0, 13.0], [0.0, 12.0, 12.0, 0.0])
ACCEL = np.gradient(RATE, T_S)
ALL = np.ones(len(T_S), dtype=bool)


@pytest.mark.parametrize("softness", [-0.004, 0.0, 0.004])
def test_pitch_response__slope_of_pitch_over_acceleration(softness, rng) -> None:
    noise = rng.normal(0, 0.001, len(T_S))
    found, sigma = pitch_response(T_S, RATE, softness * ACCEL + 0.05 + noise)
    assert abs(found - softness) < 0.0004
    assert 0 < sigma < 0.0006


def test_pitch_response__too_short() -> None:
    assert pitch_response(T_S[:20], RATE[:20], RATE[:20]) is None


def test_gain_errors__by_how_much_the_vehicle_pitches() -> None:
    stiff = _gain_errors(T_S, RATE, 0.0001 * ACCEL, ALL)
    half = _gain_errors(T_S, RATE, 0.5 * TUNING.soft_springs * ACCEL, ALL)
    soft = _gain_errors(T_S, RATE, 2 * TUNING.soft_springs * ACCEL, ALL)
    assert stiff.lag_s == TUNING.stiff_lag_s
    assert half.lag_s == pytest.approx(AMONG_THINGS.lag_s / 2, rel=0.15)
    assert half.drift == pytest.approx(AMONG_THINGS.drift / 2, rel=0.15)
    assert soft.lag_s == AMONG_THINGS.lag_s
    assert stiff.drift > OPEN_GROUND.drift


def test_gain_errors__a_drive_without_a_stop_cannot_tell() -> None:
    assert _gain_errors(T_S, RATE + 5.0, 0.0001 * ACCEL, ALL) == AMONG_THINGS


def test_shaking_camera_that_reads_row_by_row__answer_of_narrow_interval() -> None:
    """What shakes at firing frequency bends rows; corners on the ground still tell the speed."""
    rng = np.random.default_rng(7)
    motion = simulate(DemoVehicle(), Drive(go_s=1.5, lift_at_m=30.0))
    place = replace(CLUTTERED["shaking single"], frame_rate_hz=20.0)
    frames = list(cluttered_frames(place, motion, rng))
    film = Film(partial(smaller, frames), lambda: frames)
    log, true_s = record(motion, rng, rate_hz=10.0)
    found = estimate_offset(film.ground, log)
    low, high = found.interval_s
    assert low < true_s < high
    assert high - low < 0.12
    assert abs(found.total_offset_s - true_s) < 0.04
