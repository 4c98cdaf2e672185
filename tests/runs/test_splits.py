"""Splits against closed forms and published worked examples."""

from dataclasses import replace

import numpy as np
import pytest

from overlay.errors import UsageError
from overlay.runs.launch import find_launch
from overlay.runs.model import Launch
from overlay.runs.smoother import smooth
from overlay.runs.splits import braking, default_goals, parse_goal, splits, top_speed
from overlay.series import Series
from overlay.units import ROLLOUT_M

from .scene import constant_accel, fixture_kinematics, received, truth_of

# v = 15(1 - exp(-t/3)): distance -> time and speed, by root finding in closed form (computed with
# scipy, a regression value, not a published one).
CLOSED_FORM = {
    "0.3048 m": (0.35608, 1.67879),
    "18.288 m": (3.17974, 9.80272),
    "30.48 m": (4.32159, 11.44797),
    "50 m": (5.91577, 12.91216),
    "100.584 m": (9.58260, 14.38501),
    "10 m/s": (3.29584, 10.0),
}


@pytest.mark.parametrize(("rate_hz", "within_s"), [(100.0, 0.001), (10.0, 0.010)])
def test_splits__closed_form_fixture(rate_hz, within_s):
    kinematics = fixture_kinematics(rate_hz)
    found = splits(kinematics, Launch(0.0, 0.0, None), [parse_goal(g) for g in CLOSED_FORM])
    for split, (time_s, speed_mps) in zip(found, CLOSED_FORM.values(), strict=True):
        assert split.time_s == pytest.approx(time_s, abs=within_s)
        assert split.speed_mps == pytest.approx(speed_mps, abs=5 * within_s)


@pytest.mark.parametrize(("rate_hz", "within_s"), [(100.0, 0.001), (10.0, 0.010)])
def test_splits__closed_form_fixture_through_the_smoother_and_launch(rate_hz, within_s):
    t = np.arange(-2.0, 11.0, 1 / rate_hz) + 0.004
    log = Series("speed_mps", t, 15 * -np.expm1(-np.maximum(t, 0.0) / 3))
    kinematics = smooth(log, delay_s=0.0, smoothing_s=0.0, timing_sigma_s=0.0)
    launch = find_launch(kinematics)
    assert launch is not None
    assert launch.at_s == pytest.approx(0.0, abs=within_s)
    for split, (time_s, _) in zip(
        splits(kinematics, launch, [parse_goal(g) for g in CLOSED_FORM]),
        CLOSED_FORM.values(),
        strict=True,
    ):
        assert split.time_s == pytest.approx(time_s, abs=within_s)


@pytest.mark.parametrize(("accel", "time_s"), [(2, 0.552), (3, 0.451), (4, 0.390), (5, 0.349)])
def test_rollout__constant_acceleration(accel, time_s):
    # Initial vehicle movement of 0.3048 m: SAE J1491 JUL2006, section 3.3; times sqrt(2 s / a).
    launch = find_launch(constant_accel(accel))
    assert launch is not None
    assert launch.rollout_at_s == pytest.approx(time_s, abs=6e-4)


def test_splits__dragster_of_a_textbook():
    # OpenStax, College Physics, section 2.5: a dragster at 26.0 m/s^2 covers 402 m in 5.56 s and
    # passes it at 145 m/s.
    kinematics = constant_accel(26.0)
    (split,) = splits(kinematics, find_launch(kinematics), [parse_goal("402 m")])
    assert split.time_s == pytest.approx(5.56, abs=0.005)
    assert split.speed_mps == pytest.approx(145, abs=0.5)


def test_splits__dragster_mean_acceleration_of_a_textbook():
    # OpenStax, College Physics, section 2.4 problems: 145 m/s in 4.45 s is 32.6 m/s^2.
    kinematics = constant_accel(32.6)
    (split,) = splits(kinematics, find_launch(kinematics), [parse_goal("145 m/s")])
    assert split.time_s == pytest.approx(4.45, abs=0.005)


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("60 ft", 18.288),
        ("330 ft", 100.584),
        ("660 ft", 201.168),
        ("1000 ft", 304.8),
        ("0.125 mi", 201.168),
        ("220 yd", 201.168),
        ("0.2 km", 200.0),
    ],
)
def test_parse_goal__published_distances(text, metres):
    # International foot, 1959: 0.3048 m exactly; a yard is 3 ft, a mile 5280 ft.
    assert parse_goal(text).value == pytest.approx(metres, abs=1e-9)


@pytest.mark.parametrize("text", ["", "60", "m", "-5 m", "0 m", "60 parsec", "60 m later", "nan m"])
def test_parse_goal__refuses(text):
    with pytest.raises(UsageError):
        parse_goal(text)


def test_rollout__leaves_out_its_own_time_and_distance():
    kinematics = constant_accel(4.0)
    launch = find_launch(kinematics)
    plain, rolled = splits(kinematics, launch, [parse_goal("20 m"), parse_goal("20 m rollout")])
    began_s = np.sqrt(2 * ROLLOUT_M / 4)
    assert plain.time_s == pytest.approx(np.sqrt(10), abs=1e-3)
    assert rolled.time_s == pytest.approx(np.sqrt(2 * (20 + ROLLOUT_M) / 4) - began_s, abs=1e-3)


def test_splits__reasons():
    kinematics = fixture_kinematics(100.0)
    launch = Launch(0.0, 0.0, None)
    assert "not reached" in splits(kinematics, launch, [parse_goal("20 m/s")])[0].reason
    (beyond,) = splits(kinematics, launch, [parse_goal("5 to 20 m/s")])
    top_mps = float(kinematics.speed_mps.max())
    assert beyond.reason == f"not reached: the most is {top_mps:.1f} m/s"
    assert "no launch" in splits(kinematics, None, [parse_goal("5 m/s")])[0].reason
    assert "0.3048" in splits(kinematics, launch, [parse_goal("5 m rollout")])[0].reason
    gap = replace(kinematics, known=(kinematics.t_s < 3) | (kinematics.t_s > 3.5))
    assert "gap" in splits(gap, launch, [parse_goal("10 m/s")])[0].reason
    assert splits(gap, launch, [parse_goal("5 m/s")])[0].time_s is not None


def test_splits__lag_error_common_to_launch_and_goal_cancels_unless_the_picture_has_a_say():
    kinematics = replace(fixture_kinematics(100.0), timing_sigma_s=0.02)
    goals = [parse_goal("10 m/s")]
    logged = splits(kinematics, Launch(0.0, 0.01, None), goals)[0]
    seen = splits(kinematics, Launch(0.0, 0.01, None, picture_share=0.8), goals)[0]
    assert logged.timing_sigma_s == 0.0
    assert seen.timing_sigma_s == pytest.approx(0.016)
    assert seen.sigma_s == pytest.approx(logged.sigma_s)


def test_splits__gum_sum_of_speed_and_launch():
    # JCGM 100:2008, 5.1.2: u^2 = (u_v / a)^2 + u_launch^2 for independent inputs.
    kinematics = fixture_kinematics(100.0)
    kinematics = replace(kinematics, speed_sigma_mps=np.full(len(kinematics.t_s), 0.05))
    (split,) = splits(kinematics, Launch(0.0, 0.02, None), [parse_goal("10 m/s")])
    accel = 5 * np.exp(-3.29584 / 3)
    assert split.sigma_s == pytest.approx(np.hypot(0.05 / accel, 0.02), rel=0.01)


def test_default_goals__ascend_in_each_unit():
    for unit in ("mph", "km/h", "m/s", "kn", "ft/s"):
        goals = default_goals(unit)
        assert {goal.kind for goal in goals} == {"speed", "distance"}


def test_top_speed_and_braking__kinematics_of_a_stop(rng):
    # From v the stop at a takes v^2 / (2 a): OpenStax, College Physics, section 2.5.
    truth = truth_of(lambda t: np.where(t < 5, 3.0, np.where(t < 8.75, -4.0, 0.0)))
    log = received(truth, rng, noise_mps=0.05, end_s=11.0)
    kinematics = smooth(log, delay_s=1.0, smoothing_s=0.3, timing_sigma_s=0.0)
    peak, stop = top_speed(kinematics), braking(kinematics)
    assert peak is not None
    assert peak.speed_mps == pytest.approx(15.0, abs=0.4)
    assert stop is not None
    assert stop.distance_m == pytest.approx(15**2 / 8, abs=1.5)
    assert stop.mean_decel_mps2 == pytest.approx(4.0, abs=0.4)


def test_braking__none_without_a_stop():
    assert braking(fixture_kinematics(100.0)) is None


def test_splits__between_speeds_and_distances_at_constant_acceleration():
    """(v2 - v1) / a and sqrt(2 s / a), OpenStax College Physics, 2.5; a trap is metres a second."""
    kinematics = constant_accel(3.0)
    launch = find_launch(kinematics)
    assert launch is not None
    goals = [parse_goal(text) for text in ("3 to 9 m/s", "5 to 12 m", "trap 5 to 12 m")]
    speeds, lengths, trap = splits(kinematics, launch, goals)
    leg_s = (24**0.5 - 10**0.5) / 3**0.5
    assert speeds.time_s == pytest.approx(2.0, abs=2e-3)
    assert lengths.time_s == pytest.approx(leg_s, abs=2e-3)
    assert trap.time_s == pytest.approx(leg_s, abs=2e-3)
    assert (lengths.timing_sigma_s, lengths.soft_sigma_s) == (0.0, 0.0)


def test_splits__between_two_goals_a_late_launch_hardly_matters():
    """A launch found 0.2 s late moves the time from it whole, and one between speeds not at all."""
    kinematics = constant_accel(3.0)
    launch = find_launch(kinematics)
    assert launch is not None
    late = replace(launch, at_s=launch.at_s + 0.2)
    goals = [parse_goal(text) for text in ("9 m/s", "3 to 9 m/s", "5 to 12 m")]
    true, moved = (splits(kinematics, one, goals) for one in (launch, late))
    shifts = [a.time_s - b.time_s for a, b in zip(true, moved, strict=True)]
    assert shifts == pytest.approx([0.2, 0.0, 0.0], abs=5e-3)


def test_splits__between_distances_the_common_error_cancels():
    """Errors gathered before the first distance are in both instants (JCGM 100:2008, eq. 16).

    By hand: variance at the second over v2^2, plus that at the first times 1/v1^2 - 2/(v1 v2).
    """
    k = constant_accel(3.0)
    launch = find_launch(k)
    assert launch is not None
    grown = np.sqrt(np.maximum(k.t_s - launch.at_s, 0.0) * 0.04)
    k = replace(k, distance_sigma_m=grown)
    (split,) = splits(k, launch, [parse_goal("5 to 12 m")])
    t1, t2 = (10 / 3) ** 0.5, (24 / 3) ** 0.5
    v1, v2 = 3 * t1, 3 * t2
    by_hand = 0.04 * t2 / v2**2 + 0.04 * t1 * (1 / v1**2 - 2 / (v1 * v2))
    assert split.sigma_s == pytest.approx(by_hand**0.5, rel=0.01)


@pytest.mark.parametrize("memory_s", [0.4, 2.5])
def test_splits__between_speeds_errors_are_correlated_as_the_distance_says(memory_s):
    """Two errors of sigma s, T seconds of memory apart by d: 2 (s/a)^2 (1 - exp(-d/T)).

    An error with that memory lets the variance of the distance grow by 2 s^2 T a second (of an
    Ornstein-Uhlenbeck process: Gardiner, Handbook of Stochastic Methods, from memory). Before and
    after the two instants the sigma is another, which says nothing of what lies between them.
    """
    k = constant_accel(3.0)
    launch = find_launch(k)
    assert launch is not None
    start_s, end_s = launch.at_s + 1.0, launch.at_s + 3.0
    between = (k.t_s > start_s - 0.02) & (k.t_s < end_s + 0.02)
    k = replace(
        k,
        speed_sigma_mps=np.where(between, 0.2, 1.7),
        distance_sigma_m=np.sqrt(2 * 0.2**2 * memory_s * np.maximum(k.t_s - launch.at_s, 0.0)),
    )
    (split,) = splits(k, launch, [parse_goal("3 to 9 m/s")])
    by_hand = 2 * (0.2 / 3) ** 2 * (1 - np.exp(-2.0 / memory_s))
    assert split.sigma_s == pytest.approx(by_hand**0.5, rel=0.02)


def test_braking__none_where_the_log_has_a_gap_in_it():
    truth = truth_of(lambda t: np.where(t < 5, 3.0, np.where(t < 8.75, -4.0, 0.0)))
    log = received(truth, np.random.default_rng(5), noise_mps=0.02, end_s=11.0)
    k = smooth(log, delay_s=1.0, smoothing_s=0.3, timing_sigma_s=0.0)
    assert braking(k) is not None
    for gap_s in (5.8, 8.3):
        assert braking(replace(k, known=k.known & (np.abs(k.t_s - gap_s) > 0.15))) is None


@pytest.mark.parametrize(
    "text", ["20 to 10 m", "0 to 10 m", "trap 20 m", "trap 5 to 10 mph", "5 to 10 m rollout"]
)
def test_parse_goal__refuses_what_has_no_length(text):
    with pytest.raises(UsageError, match="split"):
        parse_goal(text)


@pytest.mark.parametrize(("held_s", "is_rising"), [(0.0, True), (4.0, False)])
def test_top_speed__says_whether_it_was_still_rising(held_s, is_rising):
    """2 m/s^2 to 8 m/s, held or not, then braking."""
    t = np.arange(-2.0, 12.0, 0.02)
    rise = np.clip(2 * t, 0.0, 8.0)
    fall = np.clip(8 - 4 * (t - 4.0 - held_s), 0.0, 8.0)
    kinematics = replace(constant_accel(3.0), launch_s=None, launch_sigma_s=None)
    n = len(t)
    kinematics = replace(
        kinematics,
        t_s=t,
        speed_mps=np.minimum(rise, fall),
        accel_mps2=np.gradient(np.minimum(rise, fall), t),
        distance_m=np.cumsum(np.minimum(rise, fall)) * 0.02,
        speed_sigma_mps=np.full(n, 0.03),
        accel_sigma_mps2=np.full(n, 0.1),
        distance_sigma_m=np.full(n, 0.03),
        known=np.ones(n, dtype=bool),
    )
    peak = top_speed(kinematics)
    assert peak is not None
    assert peak.is_accelerating == is_rising
