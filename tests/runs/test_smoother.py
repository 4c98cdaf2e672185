"""The smoother against known truth: coverage, lag removed, gaps, both ends."""

from dataclasses import replace

import numpy as np
import pytest

from overlay.errors import InputError, UsageError
from overlay.runs.smoother import _pieces, smooth
from overlay.runs.statespace import jerk_covariance, transition
from overlay.runs.tuning import SMOOTHER
from overlay.series import Series

from .scene import approach, received, truth_of


def smoothed(log, **options):
    known = {"delay_s": 1.0, "smoothing_s": 0.3, "timing_sigma_s": 0.01}
    return smooth(log, **{**known, **options})


def test_statespace__matches_the_matrix_exponential_of_scipy():
    # Van Loan's integral (IEEE TAC 23, 1978; from memory) with scipy.linalg.expm as reference.
    from scipy.linalg import expm

    tau, h = 0.3, 0.17
    a = np.zeros((4, 4))
    a[0, 1] = a[1, 2] = 1.0
    a[3, 1], a[3, 3] = 1 / tau, -1 / tau
    noise = np.zeros((4, 4))
    noise[2, 2] = 1.0
    big = expm(np.block([[-a, noise], [np.zeros((4, 4)), a.T]]) * h)
    f = big[4:, 4:].T
    assert np.allclose(transition(np.array(h), tau), f, atol=1e-12)
    assert np.allclose(jerk_covariance(np.array(h), tau), f @ big[:4, 4:], atol=1e-12)


@pytest.mark.parametrize("ramp_s", [0.0, 0.2])
def test_smooth__intervals_cover_speed_and_distance(ramp_s, rng):
    inside = {"speed": [], "distance": []}
    for _ in range(25):
        truth = approach(float(rng.uniform(8, 18)), float(rng.uniform(2, 5)), ramp_s)
        noise = float(rng.choice([0.05, 0.1]))
        log = received(truth, rng, rate_hz=float(rng.choice([5.0, 10.0])), noise_mps=noise)
        k = smoothed(log, end_s=10.0)
        run = (k.t_s > 0.05) & (k.t_s < 10)
        t = k.t_s[run]
        speed_error = np.abs(k.speed_mps[run] - truth.speed_at(t))
        inside["speed"].append(np.mean(speed_error <= 1.96 * k.speed_sigma_mps[run]))
        distance_error = np.abs(k.distance_m[run] - truth.distance_at(t))
        inside["distance"].append(np.mean(distance_error <= 1.96 * k.distance_sigma_m[run]))
    # Errors within one run hang together, so 25 runs pin the share to about 2 in 100 only; the
    # benchmark with hundreds of runs holds the bar of 93 to 97.
    assert 0.91 <= np.mean(inside["speed"]) <= 0.99
    assert 0.88 <= np.mean(inside["distance"]) <= 0.99


def test_smooth__removes_the_lag_of_a_ramp(rng):
    # A ramp of 3 m/s^2 through D = 0.5 s and tau = 0.3 s reads 3 * 0.8 = 2.40 m/s low.
    truth = truth_of(lambda t: np.where(t < 5, 3.0, 0.0))
    log = received(truth, rng, delay_s=0.5, smoothing_s=0.3, noise_mps=0.02, end_s=8.0)
    raw = np.interp(4.0, log.t_s, log.values)
    assert truth.speed_at(np.array(4.0)) - raw == pytest.approx(2.40, abs=0.1)
    k = smooth(log, delay_s=0.5, smoothing_s=0.3, timing_sigma_s=0.0)
    assert np.interp(4.0, k.t_s, k.speed_mps) == pytest.approx(12.0, abs=0.06)


def test_smooth__a_log_without_lag_passes_through_within_its_noise(rng):
    truth = approach()
    log = received(truth, rng, delay_s=0.0, smoothing_s=0.0, noise_mps=0.05)
    k = smoothed(log, delay_s=0.0, smoothing_s=0.0)
    residual = np.interp(log.t_s, k.t_s, k.speed_mps) - log.values
    moving = log.t_s > 0.5
    assert np.std(residual[moving]) < 0.06
    assert abs(np.mean(residual[moving])) < 0.015
    assert k.speed_noise_mps == pytest.approx(0.05, rel=0.3)


def test_smooth__shifting_the_clock_shifts_nothing(rng):
    log = received(approach(), rng)
    one = smoothed(log, start_s=-1.0, end_s=9.0)
    other = smoothed(log.shifted(1000.0), delay_s=1001.0, start_s=-1.0, end_s=9.0)
    assert np.allclose(one.speed_mps, other.speed_mps, atol=1e-3)
    assert np.array_equal(one.t_s, other.t_s)


def test_smooth__gap_is_unknown_and_doubt_grows_in_it(rng):
    log = received(approach(), rng)
    keep = (log.t_s < 5.0) | (log.t_s > 6.5)
    k = smoothed(Series(log.name, log.t_s[keep], log.values[keep]))
    inside = (k.t_s > 4.1) & (k.t_s < 5.4)
    assert not np.any(k.known[inside])
    assert np.all(k.known[(k.t_s > 1) & (k.t_s < 3.8)])
    before = k.speed_sigma_mps[(k.t_s > 3) & (k.t_s < 3.5)]
    assert np.max(k.speed_sigma_mps[inside]) > 1.3 * np.median(before)


def test_smooth__speed_is_never_negative_and_rest_is_rest(rng):
    truth = truth_of(lambda t: np.where(t < 4, 3.0, np.where(t < 7, -4.0, 0.0)), end_s=16.0)
    k = smoothed(received(truth, rng, end_s=14.0))
    assert np.all(k.speed_mps >= 0)
    assert np.max(k.speed_mps[k.t_s < -1.0]) < 0.02
    assert np.max(k.speed_mps[k.t_s > 9.0]) < 0.05
    assert k.distance_m[-1] == pytest.approx(truth.distance_m[-1], abs=0.5)


def test_smooth__two_launches_in_one_record(rng):
    truth = truth_of(
        lambda t: np.select([t < 3, t < 6, t < 10, t < 13], [3.0, -3.0, 0.0, 2.5], 0.0), end_s=20.0
    )
    k = smoothed(received(truth, rng, end_s=18.0))
    run = (k.t_s > -1) & (k.t_s < 17)
    error = k.speed_mps[run] - truth.speed_at(k.t_s[run])
    assert np.sqrt(np.mean(error**2)) < 0.08
    late = k.distance_m[-1] - np.interp(k.t_s[-1], truth.t_s, truth.distance_m)
    assert abs(late) < 4 * k.distance_sigma_m[-1] + 0.2


def test_smooth__record_that_starts_moving_has_no_launch(rng):
    log = received(approach(), rng).between(4.0, 11.0)
    k = smoothed(log)
    assert k.launch_s is None
    truth = approach()
    run = (k.t_s > k.t_s[0] + 0.5) & (k.t_s < k.t_s[-1] - 0.5)
    assert np.max(np.abs(k.speed_mps - truth.speed_at(k.t_s))[run]) < 0.2


def test_smooth__one_wild_reading_does_not_bend_the_curve(rng):
    log = received(approach(), rng)
    values = log.values.copy()
    values[70] += 3.0
    bent = smoothed(replace(log, values=values))
    straight = smoothed(log)
    assert np.max(np.abs(bent.speed_mps - straight.speed_mps)) < 0.15


def test_smooth__quantised_log_states_at_least_its_step(rng):
    log = received(approach(), rng, noise_mps=0.02)
    coarse = replace(log, values=np.round(log.values / 0.2) * 0.2)
    assert smoothed(coarse).speed_noise_mps >= 0.9 * 0.2 / np.sqrt(12)


def test_smooth__input_is_not_changed(rng):
    log = received(approach(), rng)
    before = log.values.copy()
    smoothed(log)
    assert np.array_equal(log.values, before)


def test_smooth__refuses_what_it_cannot_use(rng):
    log = received(approach(), rng)
    with pytest.raises(InputError, match="belong together"):
        smoothed(log, start_s=500.0, end_s=510.0)
    with pytest.raises(UsageError):
        smoothed(log, smoothing_s=-0.1)
    with pytest.raises(UsageError):
        smoothed(log, rate_hz=0.0)
    with pytest.raises(UsageError):
        smoothed(log, start_s=5.0, end_s=4.0)


def test_smooth__grid_is_even_and_reaches_past_the_end(rng):
    log = received(approach(), rng, end_s=6.0)
    k = smoothed(log, start_s=-0.5, end_s=4.003, rate_hz=50.0)
    assert k.t_s[0] == -0.5
    assert 4.003 <= k.t_s[-1] < 4.023
    np.testing.assert_allclose(np.diff(k.t_s), 0.02)
    assert k.timing_sigma_s == 0.01
    whole = smoothed(log)
    assert whole.t_s[0] == pytest.approx(log.t_s[0] - 1.0)
    assert -1e-9 < whole.t_s[-1] - (log.t_s[-1] - 1.0) < 0.01 + 1e-9
    exact = smoothed(log, start_s=0.0, end_s=4.0)
    assert len(exact.t_s) == 401


def test_smooth__known_as_far_as_the_log_and_one_step(rng):
    log = received(approach(), rng, end_s=6.0)
    k = smoothed(log, start_s=-4.0, end_s=8.0)
    first, last = log.t_s[0] - 1.0, log.t_s[-1] - 1.0
    inside = (k.t_s >= first - 0.0999) & (k.t_s <= last + 0.0999)
    outside = (k.t_s < first - 0.1001) | (k.t_s > last + 0.1001)
    assert np.all(k.known[inside])
    assert not np.any(k.known[outside])


@pytest.mark.parametrize(("left_out", "known"), [(1, True), (2, False)])
def test_smooth__a_gap_is_over_two_and_a_half_steps(rng, left_out, known):
    log = received(approach(), rng, end_s=6.0)
    keep = np.ones(len(log), dtype=bool)
    keep[50 : 50 + left_out] = False
    k = smoothed(Series(log.name, log.t_s[keep], log.values[keep]))
    middle = (log.t_s[49] + log.t_s[50 + left_out]) / 2 - 1.0
    assert k.known[np.argmin(np.abs(k.t_s - middle))] == known


def test_smooth__the_readings_at_both_ends_of_a_gap_are_known():
    """On the grid's own instants, so that an end one instant off shows: readings at 4 and 6 s."""
    t = np.arange(-20, 121) / 10
    values = 2.0 * np.clip(t, 0.0, 5.0)
    keep = (t <= 4.0) | (t >= 6.0)
    k = smooth(
        Series("speed_mps", t[keep], values[keep]),
        delay_s=0.0,
        smoothing_s=0.0,
        timing_sigma_s=0.0,
        start_s=-2.0,
        end_s=12.0,
    )
    np.testing.assert_allclose(k.t_s[~k.known], np.arange(401, 600) / 100)


def test_smooth__a_reading_with_a_wide_sigma_of_its_own_counts_little(rng):
    log = received(approach(), rng, end_s=6.0)
    sigma = np.full(len(log), 0.05)
    values = log.values.copy()
    values[60:63] += 0.6
    sigma[60:63] = 5.0
    told = smoothed(replace(log, values=values, sigma=sigma))
    plain = smoothed(log)
    assert np.max(np.abs(told.speed_mps - plain.speed_mps)) < 0.12


def test_smooth__distance_goes_on_over_a_rest_with_its_variance(rng):
    """Two equal hops with a rest between: 3 s up at 3 m/s^2 and 3 s down again, 27 m."""
    truth = truth_of(
        lambda t: np.select(
            [t < 3, t < 6, t < 9, t < 12, t < 15], [3.0, -3.0, 0.0, 3.0, -3.0], 0.0
        ),
        end_s=20.0,
    )
    variance = []
    for _ in range(6):
        k = smoothed(received(truth, rng, end_s=18.0))
        marks = [float(np.interp(t, k.t_s, k.distance_m)) for t in (-1.0, 7.5, 17.0)]
        assert np.diff(marks) == pytest.approx([27.0, 27.0], abs=0.25)
        variance.append(np.interp([7.5, 17.0], k.t_s, k.distance_sigma_m**2))
        between = (k.t_s > 6.8) & (k.t_s < 8.5)  # it stands, and is known to, at rest as at the end
        assert np.max(k.speed_sigma_mps[between]) < SMOOTHER.still_mps
        if len(variance) == 1:
            assert np.all(np.diff(k.distance_m) > -1e-3)
    one, both = np.mean(variance, axis=0)
    assert both == pytest.approx(2 * one, rel=0.15)


def test_smooth__a_brake_is_no_smooth_curve(rng):
    """Where the brakes come on, the acceleration jumps from 1 to -5 m/s^2; the errors of 12 runs
    about the jump stay within what is claimed."""
    ratio = []
    for _ in range(12):
        truth = truth_of(lambda t: np.select([t < 5, t < 8], [2.5, -5.0], 0.0), end_s=10.0)
        k = smoothed(received(truth, rng, end_s=8.0))
        near = (k.t_s > 4.5) & (k.t_s < 5.5)
        error = k.speed_mps[near] - truth.speed_at(k.t_s[near])
        ratio.append(np.mean((error / k.speed_sigma_mps[near]) ** 2))
    assert 0.3 < np.mean(ratio) < 2.0


def test_smooth__is_the_same_when_the_time_starts_elsewhere_and_scales_with_speed(rng):
    """The launch moves with the clock, to the millisecond, and not with the grid."""
    log = received(approach(), rng, end_s=6.0)
    one = smoothed(log)
    later = smoothed(log.shifted(7.0))
    assert later.launch_s == pytest.approx(one.launch_s + 7.0, abs=1e-3)
    assert later.launch_sigma_s == pytest.approx(one.launch_sigma_s, rel=1e-2)
    finer = smoothed(log, rate_hz=200.0)
    np.testing.assert_allclose(finer.speed_mps[::2][: len(one.t_s)], one.speed_mps, atol=1e-6)


def test_smooth__four_readings_are_enough_and_three_are_not(rng):
    log = received(approach(), rng, rate_hz=1.0, end_s=9.0)
    part = Series(log.name, log.t_s[5:9], log.values[5:9])
    assert np.all(np.isfinite(smoothed(part).speed_mps))
    with pytest.raises(InputError, match="3 readings"):
        smoothed(Series(log.name, log.t_s[5:8], log.values[5:8]))


def test_pieces__each_launch_is_looked_for_in_the_rest_before_it(rng):
    """Hops from 0, 8 and 16 s on with 1.5 s of rest between: the search begins in that rest."""
    truth = truth_of(lambda t: np.where(t % 8 < 3.25, 2.0, np.where(t % 8 < 6.5, -2.0, 0.0)), 24.0)
    log = received(truth, rng, delay_s=0.0, smoothing_s=0.0, end_s=22.0)
    pieces = _pieces(log, np.arange(-200, 2200) / 100)
    assert len(pieces) == 3
    for start_s, rest_s, piece in zip((0.0, 8.0, 16.0), (2.0, 1.6, 1.6), pieces, strict=True):
        assert piece.launch is not None
        assert start_s - rest_s <= piece.launch.start_s < start_s
        assert start_s < piece.launch.end_s < start_s + 0.6
        assert piece.readings.t_s[1] >= piece.launch.start_s
