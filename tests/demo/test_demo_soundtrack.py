"""The sound follows the engine."""

import numpy as np
import pytest

from overlay.demo.soundtrack import RATE_HZ, SoundSpec, firing_phase, soundtrack
from overlay.demo.vehicle import DemoVehicle, Drive, simulate
from tests.simulation import motion_from_speed


@pytest.mark.parametrize("fundamental", [0.6, 0.0])
def test_sound__single_four_stroke_fires_once_in_two_turns(fundamental):
    """Firing rate is rpm / 120 (elementary): all strong lines are its multiples."""
    cart = DemoVehicle()
    speed = 4000 / 60 * cart.metres_per_turn  # 4000 rpm: 33.33 Hz
    run = motion_from_speed(np.array([0.0, 8.0]), np.array([speed, speed]))
    spec = SoundSpec(fundamental=fundamental, whistle=0)
    sound = soundtrack(run, spec)[:, 0]
    n = len(sound)
    power = np.abs(np.fft.rfft(sound * np.hanning(n))) ** 2
    rate = np.fft.rfftfreq(n, 1 / RATE_HZ)
    scores = {}
    for rpm in np.arange(1500, 5001, 5):
        lines = np.arange(1, 13) * rpm / 120
        at = np.searchsorted(rate, lines)
        scores[rpm] = np.mean(np.log(power[at] + power[at - 1] + power[at + 1] + 1e-9))
    assert max(scores, key=scores.get) == pytest.approx(4000, abs=5)
    first = power[np.abs(rate - 4000 / 120) < 0.5].max()
    third = power[np.abs(rate - 4000 / 40) < 0.5].max()
    assert (first < 0.02 * third) == (fundamental == 0)


def test_firing_phase__is_the_integral_of_the_firing_rate():
    run = simulate(DemoVehicle(), Drive())
    t = np.linspace(0.5, run.duration_s - 0.5, 300)
    rate = (firing_phase(run, t + 0.01) - firing_phase(run, t - 0.01)) / 0.02
    np.testing.assert_allclose(rate * 120, run.at("engine_rpm", t), rtol=0.01)


def test_wind__grows_with_speed():
    spec = SoundSpec(engine=0, tyres=0, whistle=0)
    levels = []
    for speed in (4.0, 8.0):
        run = motion_from_speed(np.array([0.0, 4.0]), np.array([speed, speed]))
        levels.append(soundtrack(run, spec).std())
    assert 3 < levels[1] / levels[0] < 5  # the square of the speed, less a little floor noise


def test_whistle__sounds_before_the_launch():
    run = simulate(DemoVehicle(), Drive())
    loud, mute = (soundtrack(run, SoundSpec(whistle=w)) for w in (1.0, 0.0))
    where = np.flatnonzero(np.abs(loud - mute).max(1) > 0.01) / RATE_HZ
    assert run.launch_s - 0.8 < where[0] < where[-1] < run.launch_s


def test_sound__stays_in_range_and_repeats_for_the_same_seed():
    run = simulate(DemoVehicle(), Drive())
    one, two = (soundtrack(run, SoundSpec(drive=4)) for _ in range(2))
    np.testing.assert_array_equal(one, two)
    assert one.shape == (int(run.duration_s * RATE_HZ), 2)
    assert np.abs(one).max() <= 1
