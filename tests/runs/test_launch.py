"""The launch instant, from the smoother and from plain kinematics."""

from dataclasses import replace

import numpy as np
import pytest

from overlay.runs.launch import find_launch, is_creeping
from overlay.runs.smoother import smooth
from overlay.units import ROLLOUT_M

from .scene import approach, constant_accel, fixture_kinematics, received, truth_of


def launch_of(log, **options):
    k = smooth(log, delay_s=1.0, smoothing_s=0.3, timing_sigma_s=0.02)
    return find_launch(k, **options), k


def test_find_launch__simulated_launches_within_the_stated_doubt(rng):
    errors, sigmas = [], []
    for _ in range(20):
        truth = approach(float(rng.uniform(8, 18)), float(rng.uniform(2, 5)), 0.15)
        launch, _ = launch_of(received(truth, rng, noise_mps=0.05))
        errors.append(launch.at_s)
        sigmas.append(launch.sigma_s)
    assert np.mean(np.abs(errors) < 1.96 * np.array(sigmas)) >= 0.85
    assert abs(np.mean(errors)) < 0.06
    assert np.std(errors) < 0.1


def test_find_launch__no_bias_of_a_threshold_in_plain_kinematics():
    k = replace(fixture_kinematics(100.0), launch_s=None)
    assert find_launch(k).at_s == pytest.approx(0.0, abs=0.005)
    k = replace(constant_accel(1.0), launch_s=None)
    assert find_launch(k).at_s == pytest.approx(0.0, abs=0.02)


def test_find_launch__none_when_moving_from_the_start(rng):
    assert launch_of(received(approach(), rng).between(4.0, 11.0))[0] is None
    k = replace(constant_accel(3.0), launch_s=None)
    late = k.t_s > 2
    cut = replace(
        k, **{f: getattr(k, f)[late] for f in k.__dataclass_fields__ if np.ndim(getattr(k, f))}
    )
    assert find_launch(cut) is None


def test_find_launch__none_when_it_never_moves(rng):
    truth = truth_of(lambda t: np.zeros(len(t)))
    assert launch_of(received(truth, rng))[0] is None


def test_find_launch__picture_onset_is_weighed_in(rng):
    log = received(approach(), rng)
    plain, k = launch_of(log)
    both = find_launch(k, motion_onset_s=0.01, motion_onset_sigma_s=0.01)
    assert abs(both.at_s) < 0.015
    assert both.sigma_s < plain.sigma_s
    assert both.picture_share > 0.5
    assert plain.picture_share == 0.0


def test_find_launch__contradiction_widens_the_doubt(rng):
    k = replace(constant_accel(3.0), launch_sigma_s=0.01)
    torn = find_launch(k, motion_onset_s=1.0, motion_onset_sigma_s=0.01)
    assert torn.sigma_s >= 0.5


def rolled_out_after_s(push_mps2: float, push_s: float) -> float:
    """Time for the first 0.3048 m by a push from rest and then coasting, by the school formulas."""
    speed_mps, pushed_m = push_mps2 * push_s, push_mps2 * push_s**2 / 2
    assert pushed_m < ROLLOUT_M
    return push_s + (ROLLOUT_M - pushed_m) / speed_mps


@pytest.mark.parametrize(
    ("push_mps2", "push_s", "creeps"),
    [(0.5, 0.3, True), (0.8, 0.3, True), (0.8, 0.5, False), (1.5, 0.5, False)],
)
def test_is_creeping__a_push_and_then_waiting(rng, push_mps2, push_s, creeps):
    """A start at 3 m/s^2 needs sqrt(2 * 0.3048 / 3) = 0.451 s for the rollout; from twice that and
    0.4 s more, 1.30 s, it is a creep."""
    taken_s = rolled_out_after_s(push_mps2, push_s)
    assert (taken_s > 2 * np.sqrt(2 * ROLLOUT_M / 3.0) + 0.4) == creeps

    def pushed(t):
        return np.select([t < push_s, t < 2.5], [push_mps2, 0.0], 3.0)

    launch, k = launch_of(received(truth_of(pushed), rng, noise_mps=0.02))
    assert launch is not None
    assert launch.rollout_at_s is not None
    assert is_creeping(k, launch) == creeps


@pytest.mark.parametrize("ramp_s", [0.0, 0.4, 0.5])
def test_is_creeping__a_clutch_that_takes_up_is_none(rng, ramp_s):
    launch, k = launch_of(received(approach(ramp_s=ramp_s), rng))
    assert launch is not None
    assert not is_creeping(k, launch)


@pytest.mark.parametrize("accel_mps2", [1.0, 2.0, 4.0])
def test_is_creeping__an_even_acceleration_is_none_however_slow(accel_mps2):
    steady = constant_accel(accel_mps2)
    launch = find_launch(steady)
    assert launch is not None
    assert launch.rollout_at_s == pytest.approx(np.sqrt(2 * ROLLOUT_M / accel_mps2), abs=0.01)
    assert not is_creeping(steady, launch)


def test_is_creeping__needs_a_rollout_to_judge(rng):
    steady = constant_accel(2.0)
    launch = find_launch(steady)
    assert launch is not None
    assert not is_creeping(steady, replace(launch, rollout_at_s=None))
