"""The launch instant, from the smoother and from plain kinematics."""

from dataclasses import replace

import numpy as np
import pytest

from overlay.runs.launch import find_launch, is_creeping
from overlay.runs.smoother import smooth

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


def test_is_creeping__a_creep_but_no_clean_or_gradual_start(rng):
    clean, k = launch_of(received(approach(ramp_s=0.4), rng))
    assert not is_creeping(k, clean)
    steady = constant_accel(2.0)
    assert not is_creeping(steady, find_launch(steady))

    def crept(t):
        return np.select([t < 0.5, t < 3.0], [0.8, 0.0], 3.0)

    launch, k = launch_of(received(truth_of(crept), rng))
    assert not is_creeping(constant_accel(4.0), find_launch(constant_accel(4.0)))
    assert launch is not None
    assert launch.rollout_at_s is not None


def test_is_creeping__very_slow_first_foot(rng):
    def crept(t):
        return np.select([t < 0.3, t < 2.5], [0.5, 0.0], 3.0)

    launch, k = launch_of(received(truth_of(crept), rng, noise_mps=0.02))
    assert is_creeping(k, launch)
