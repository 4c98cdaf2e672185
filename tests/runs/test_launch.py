"""The launch instant, from the smoother and from plain kinematics."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

from overlay.runs.launch import find_launch, first_crossing, is_creeping
from overlay.runs.smoother import smooth
from overlay.units import ROLLOUT_M

from .scene import approach, constant_accel, fixture_kinematics, received, truth_of


def launch_of(log, **options):
    k = smooth(log, delay_s=1.0, smoothing_s=0.3, timing_sigma_s=0.02)
    return find_launch(k, **options), k


def test_find_launch__simulated_launches_are_covered_as_claimed(rng):
    """Of 40 intervals of 95 %, as many hold the truth as chance allows in 99 of 100 such tests; and
    errors are between half of their sigmas and a quarter more, so that twice or half of either
    shows."""
    errors, sigmas = [], []
    for _ in range(40):
        truth = approach(float(rng.uniform(8, 18)), float(rng.uniform(2, 5)), 0.15)
        launch, _ = launch_of(received(truth, rng, noise_mps=0.05, end_s=6.0))
        errors.append(launch.at_s)
        sigmas.append(launch.sigma_s)
    ratio = np.array(errors) / sigmas
    assert np.count_nonzero(np.abs(ratio) < 1.96) >= binom.ppf(0.01, 40, 0.95)
    assert 0.45 < np.sqrt(np.mean(ratio**2)) < 1.25
    assert abs(np.mean(errors)) < 0.04
    assert np.std(errors) < 0.09


@pytest.mark.parametrize("apart_s", [-0.1, 0.06])
def test_find_launch__onset_is_weighed_by_inverse_variance(apart_s):
    """JCGM 100:2008, 5.1.2, worked by hand: the log's 0.03 and 0.04 s make 0.05, the picture's 0.1:
    shares 0.8 and 0.2, and the launch's own 0.03 s with 0.8, the picture's with 0.2."""
    k = replace(constant_accel(3.0), launch_sigma_s=0.03, timing_sigma_s=0.04)
    launch = find_launch(
        k, motion_onset_s=apart_s, motion_onset_sigma_s=0.1, motion_onset_soft_sigma_s=0.06
    )
    assert launch.picture_share == pytest.approx(0.2)
    assert launch.at_s == pytest.approx(0.2 * apart_s)
    assert launch.sigma_s == pytest.approx(np.hypot(0.8 * 0.03, 0.2 * 0.1))
    # The share of the log is all softness: hypot of both.
    assert launch.soft_sigma_s == pytest.approx(np.hypot(0.2 * 0.06, 0.8 * 0.03))
    usual = find_launch(k, motion_onset_s=apart_s)
    assert usual.picture_share == pytest.approx(0.5)  # 0.05 s unless said otherwise


def test_find_launch__widens_only_beyond_three_sigmas():
    k = replace(constant_accel(3.0), launch_sigma_s=0.03, timing_sigma_s=0.04)
    limit = 3 * np.hypot(0.05, 0.1)
    near, far = (
        find_launch(k, motion_onset_s=s * limit, motion_onset_sigma_s=0.1) for s in (0.99, 1.01)
    )
    assert near.sigma_s == pytest.approx(np.hypot(0.8 * 0.03, 0.2 * 0.1))
    assert far.sigma_s == pytest.approx(1.01 * limit / 2)
    # What starts share is never more than the whole uncertainty.
    soft = find_launch(
        k, motion_onset_s=0.0, motion_onset_sigma_s=0.1, motion_onset_soft_sigma_s=9.0
    )
    assert soft.soft_sigma_s == soft.sigma_s


def test_find_launch__rollout_is_the_root_of_twice_the_distance():
    """0.3048 m from rest at 3 m/s^2 take sqrt(2 * 0.3048 / 3) = 0.451 s (elementary)."""
    launch = find_launch(constant_accel(3.0))
    assert launch.rollout_at_s == pytest.approx(0.4508, abs=2e-4)
    late = find_launch(replace(constant_accel(3.0), launch_s=1.0))  # v = 3 m/s there
    assert late.rollout_at_s == pytest.approx(1 + (-3 + np.sqrt(9 + 6 * ROLLOUT_M)) / 3, abs=2e-4)
    assert find_launch(constant_accel(3.0, end_s=0.4)).rollout_at_s is None


def test_find_launch__line_carried_back_states_its_noise(rng):
    """The parabola through t(v) of an even 2 m/s^2: the noise over the acceleration."""
    k = constant_accel(2.0)
    sigma = np.full(len(k.t_s), 0.05)
    k = replace(k, launch_s=None, speed_sigma_mps=sigma)
    launch = find_launch(k)
    assert launch.at_s == pytest.approx(0.0, abs=1e-6)
    assert launch.sigma_s == pytest.approx(0.05 / 2, rel=1e-3)
    assert find_launch(replace(k, speed_mps=0.9 * np.clip(k.speed_mps, 0, 1))) is None
    first = k.t_s >= -0.01
    cut = {f: getattr(k, f)[first] for f in k.__dataclass_fields__ if np.ndim(getattr(k, f))}
    assert find_launch(replace(k, **cut)).at_s == pytest.approx(0.0, abs=1e-6)


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


@pytest.mark.parametrize(("taken_s", "creeps"), [(1.29, False), (1.32, True)])
def test_is_creeping__from_twice_the_clean_time_and_0_4_s(taken_s, creeps):
    """At 3 m/s^2 a clean start needs 0.451 s: 2 * 0.451 + 0.4 = 1.302 s."""
    steady = constant_accel(3.0)
    launch = replace(find_launch(steady), rollout_at_s=taken_s)
    assert is_creeping(steady, launch) == creeps
    slowing = replace(steady, accel_mps2=-steady.accel_mps2)
    assert not is_creeping(slowing, launch)
    # The best acceleration of the next three seconds counts, not that of later ones.
    jerk_s = 1.5 if creeps else 1.29
    launch = replace(launch, rollout_at_s=jerk_s)
    later = replace(steady, accel_mps2=np.where(steady.t_s > jerk_s + 3.05, 30.0, 3.0))
    assert is_creeping(later, launch) == creeps


def test_is_creeping__needs_a_rollout_to_judge(rng):
    steady = constant_accel(2.0)
    launch = find_launch(steady)
    assert launch is not None
    assert not is_creeping(steady, replace(launch, rollout_at_s=None))


@pytest.mark.parametrize(
    ("value", "from_s", "at_s"),
    [
        (1.25, 0.0, 1.0625),  # between grid points, in closed form: t = (value + 3) / 4
        (3.0, 0.0, 1.5),  # on one
        (-9.0, 0.0, 0.0),  # before the first
        (3.0, 2.2, 2.25),  # there already at the first grid point from then on
        (3.0, 1.6, 1.75),
        (99.0, 0.0, None),
        (3.0, 9.0, None),
    ],
)
def test_first_crossing__of_a_line(value, from_s, at_s):
    t = np.arange(13) / 4
    found = first_crossing(t, 4 * t - 3, value, from_s)
    assert found == (None if at_s is None else pytest.approx(at_s, abs=1e-12))


def test_first_crossing__of_a_course_that_falls_and_rises_again():
    """Up through 2 at 1 s, down through it at 3 s, up again at 5 s."""
    t = np.arange(61) / 10
    course = np.interp(t, [0, 2, 4, 6], [0, 4, 0, 4])
    crossed = [first_crossing(t, course, 2.0, at) for at in (0.0, 0.95, 1.5, 3.05, 4.0)]
    assert crossed == pytest.approx([1.0, 1.0, 1.5, 5.0, 5.0])
