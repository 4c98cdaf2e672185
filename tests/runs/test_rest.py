"""Rest, noise and grid of a log."""

import numpy as np
import pytest

from overlay.runs.rest import (
    Span,
    noise_of,
    quantum,
    rest_spans,
    unfolded,
)
from overlay.runs.tuning import REST
from overlay.series import Series


def log_of(values, step_s=0.1):
    values = np.asarray(values, float)
    return Series("speed_mps", np.arange(len(values)) * step_s, values)


@pytest.mark.parametrize("step", [0.05, 1 / 3.6, 0.44704])
@pytest.mark.parametrize("first", [0.0, 1.7])
def test_quantum__is_the_step_of_a_grid_wherever_it_starts(step, first):
    counts = np.array([0, 1, 1, 3, 4, 9, 14, 15, 22, 30])
    assert quantum(log_of(first + counts * step)) == pytest.approx(step, rel=1e-9)


def test_quantum__none_where_values_lie_on_no_grid(rng):
    assert quantum(log_of(rng.uniform(0, 12, 200))) == 0.0
    assert quantum(log_of([0, 0.1, 0.2, 0.35, 0.5])) == 0.0
    assert quantum(log_of([0.0, 1.0, 0.0, 1.0])) == 0.0  # two levels make no grid
    assert (
        quantum(log_of(np.arange(9) * 9e-4)) == 0.0
    )  # finer than any log's last digit that matters
    assert quantum(log_of(np.arange(9) * 1.1e-3)) == pytest.approx(1.1e-3)
    assert quantum(log_of(np.full(9, 3.0))) == 0.0
    assert quantum(log_of([0.0, 0.1, 0.2])) == pytest.approx(0.1)
    assert quantum(log_of([0.0, 0.1, 0.1 + 1e-12, 0.2, 0.3])) == pytest.approx(0.1)


@pytest.mark.parametrize("sigma", [0.03, 0.1, 0.4])
def test_noise__of_white_noise_on_smooth_motion(sigma, rng):
    t = np.arange(600) * 0.1
    v = 9 + 5 * np.sin(0.3 * t) + sigma * rng.standard_normal(600)
    assert noise_of(log_of(v)) == pytest.approx(sigma, rel=0.12)


def test_noise__of_a_grid_is_that_of_rounding_at_least():
    t = np.arange(200) * 0.1
    steady = np.round((5 + 0.3 * t) / 0.5) * 0.5
    assert noise_of(log_of(steady)) >= 0.5 / np.sqrt(12)
    flat = np.concatenate([np.full(60, 6.0), np.full(60, 8.0), np.full(60, 10.0)])
    assert noise_of(log_of(flat)) == pytest.approx(2.0 / np.sqrt(12))


def test_noise__is_never_below_the_floor_and_a_usual_one_at_rest():
    assert noise_of(log_of(3 + 0.1 * np.arange(40) ** 1.001)) == REST.noise_floor_mps
    assert noise_of(log_of(np.full(40, 0.1))) == 0.05
    moving = np.r_[np.zeros(30), np.full(8, 3.0)]  # five third differences are too few
    assert noise_of(log_of(moving)) == 0.05


def test_rest__is_long_enough_or_at_the_start():
    move, still = np.full(20, 5.0), lambda n: np.zeros(n)
    log = log_of(np.r_[still(2), move, still(6), move, still(8), move, still(1)])
    assert rest_spans(log, noise_mps=0.05) == (
        Span(0.0, pytest.approx(0.1)),
        Span(pytest.approx(4.8), pytest.approx(5.5)),
    )
    assert rest_spans(log_of(np.r_[still(1), move]), noise_mps=0.05) == ()
    assert rest_spans(log_of(np.r_[move, still(8)]), noise_mps=0.05) == (
        Span(pytest.approx(2.0), pytest.approx(2.7)),
    )


def test_rest__heeds_a_noisy_log():
    at = REST.speed_mps + 0.05
    log = log_of(np.r_[np.full(20, at), np.full(20, 5.0)])
    assert rest_spans(log, noise_mps=0.05) == ()
    assert rest_spans(log, noise_mps=0.08) == (Span(0.0, pytest.approx(1.9)),)
    edge = log_of(np.r_[np.full(20, REST.speed_mps), np.full(20, 5.0)])
    assert len(rest_spans(edge, noise_mps=0.05)) == 1


def test_unfolded__takes_the_level_of_a_folded_noise_off(rng):
    """The size of a velocity with noise in two directions: its square is larger by 2 sigma^2."""
    true, sigma = np.r_[np.zeros(400), np.linspace(0, 2, 400), np.full(4000, 2.0)], 0.15
    noise = sigma * rng.standard_normal((2, len(true)))
    shown = np.hypot(true + noise[0], noise[1])
    log = log_of(shown)
    found = unfolded(log, (Span(0.0, 39.95),)).values
    assert abs(np.mean(found[:400])) < 0.25 * np.mean(shown[:400])
    assert np.mean(found[800:]) == pytest.approx(2.0, abs=0.008)
    # What it shows at rest is the mean of the squares there, its first and last two values aside.
    excess = np.mean(shown[1:398] ** 2)
    assert found[700] == pytest.approx(np.sqrt(shown[700] ** 2 - excess))
    low = int(np.argmin(shown[:400]))
    assert found[low] == pytest.approx(-np.sqrt(excess - shown[low] ** 2))


def test_unfolded__takes_no_more_off_than_rest_may_show():
    log = log_of(np.r_[np.full(20, 0.6), np.full(20, 4.0)])
    found = unfolded(log, (Span(0.0, 1.9),)).values
    assert found[30] == pytest.approx(np.sqrt(16 - REST.speed_mps**2))


@pytest.mark.parametrize(
    "values",
    [
        np.r_[np.full(10, -0.1), np.full(10, 3.0)],  # signed
        np.r_[np.zeros(12), np.full(10, 3.0)],  # true zeros
        np.r_[np.full(7, 0.2), np.full(10, 3.0)],  # four values of rest are too few
    ],
)
def test_unfolded__leaves_other_receivers_alone(values):
    log = log_of(values)
    rest = Span(0.0, float(log.t_s[np.argmax(values > 1) - 1]))
    assert unfolded(log, (rest,)) is log
    assert unfolded(log, ()) is log
