"""What the evidence says at one place: mixtures, widths, and how well places are told apart."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import scipy.stats
from scipy.optimize import brentq

from overlay.sync.estimate import agreement, margin
from overlay.sync.evidence import gather, starting_noise, starting_point
from overlay.sync.fit import fitted, unit_weights
from overlay.sync.same_run import Parts, gain_wander, one_way
from overlay.sync.verdict import _student, gain_error_s, mixture_interval, smoothing_prior
from tests.sync.scenes import launch, log_of, motion_of, two_launches


@pytest.mark.parametrize(
    ("means", "sigmas", "shares"),
    [([1.0], [0.1], [1.0]), ([0.0, 3.0, 0.5], [1.0, 0.2, 0.4], [0.5, 0.2, 0.3])],
)
def test_mixture__interval_holds_95_percent(means, sigmas, shares):
    normals = scipy.stats.norm(np.array(means), np.array(sigmas))
    known = [
        brentq(lambda x, p=p: float(normals.cdf(x) @ shares) - p, -20, 20) for p in (0.025, 0.975)
    ]
    found = mixture_interval(np.array(means), np.array(sigmas), np.array(shares))
    assert found == pytest.approx(known, abs=2e-3 * max(sigmas))


def test_student__widening_is_that_of_the_t_distribution():
    for freedom in (3.0, 7.5, 200.0):
        known = scipy.stats.t.ppf(0.975, freedom) / scipy.stats.norm.ppf(0.975)
        assert _student(freedom) == pytest.approx(known, rel=1e-6)
    assert _student(0.5) == _student(3.0)


def test_smoothing__prior_is_even_up_to_eight_tenths_of_a_second():
    """One sigma of 0.15 s beyond costs half a log unit."""
    found = smoothing_prior(np.array([0.0, 0.3, 0.8, 0.95, 1.1]))
    assert found == pytest.approx([0.0, 0.0, 0.0, -0.5, -2.0])


def test_parts__chi_square_allows_each_part_a_spread_of_its_own():
    """Shifts against one first part: their covariance gains spread^2 (I + 11')."""
    parts = Parts(np.array([0.1, -0.2]), np.array([[0.01, 0.002], [0.002, 0.02]]))
    whole = parts.covariance + 0.05**2 * np.array([[2, 1], [1, 2]])
    known = parts.shifts_s @ np.linalg.inv(whole) @ parts.shifts_s
    assert parts.chi_square(0.05) == pytest.approx(known)
    assert Parts(np.zeros(0), np.zeros((0, 0))).chi_square(0.1) == 0.0


def scored(score, support=0.0):
    return SimpleNamespace(score=score, support=support)


def test_margin__is_in_sigmas():
    """Log likelihoods 8 apart are sqrt(2 * 8) = 4 sigmas apart."""
    assert margin([scored(100.0), scored(92.0), scored(10.0)]) == pytest.approx(4.0)
    assert margin([scored(100.0, support=12.5)]) == pytest.approx(5.0)
    assert margin([scored(1.0, support=-3.0)]) == 0.0


@pytest.fixture(scope="module")
def both():
    rng = np.random.default_rng(3)
    speed = log_of(two_launches, rng, start_s=-2.0, end_s=20.0)
    evidence = gather(motion_of(two_launches, rng), speed, 0.9)
    point = starting_point(evidence, 0.9, 0.3)
    fit = fitted(evidence, point, starting_noise(evidence), unit_weights(evidence))
    return evidence, fit, speed


def test_agreement__is_the_correlation_with_the_log_moved_back(both):
    evidence, _, speed = both
    found = SimpleNamespace(evidence=evidence, total_s=0.9)
    there = np.interp(evidence.motion_t_s + 0.9, speed.t_s, speed.values)
    assert agreement(found, speed) == pytest.approx(np.corrcoef(evidence.motion, there)[0, 1])
    assert agreement(SimpleNamespace(evidence=evidence, total_s=99.0), speed) == 0.0
    part = speed.between(4.0, 9.0)
    inside = (evidence.motion_t_s >= part.t_s[0] - 0.9) & (
        evidence.motion_t_s <= part.t_s[-1] - 0.9
    )
    known = np.corrcoef(evidence.motion[inside], there[inside])[0, 1]
    assert agreement(found, part) == pytest.approx(known)


def test_gain_error__wanders_in_the_error_that_goes_with_the_speed_alone(both):
    """A gain error of e about its mean by squared speed: its root mean square, in closed form."""
    evidence, fit, _ = both
    ramp = np.linspace(-0.03, 0.05, evidence.gain_basis.shape[1])
    bent = replace(fit, point=replace(fit.point, gain_error=np.r_[ramp, 0.01]))
    weight = (evidence.motion - fit.point.offset) ** 2
    error = evidence.gain_basis @ ramp
    mean = np.sum(weight * error) / np.sum(weight)
    known = np.sqrt(np.sum(weight * (error - mean) ** 2) / np.sum(weight))
    assert gain_wander(evidence, bent) == pytest.approx(known)
    # Beyond the usual wander of 4/3 of the drift it moves the total by 2 s for each unit.
    excess = known - 4 / 3 * evidence.gain_errors.drift
    assert excess > 0
    assert not one_way(evidence, bent)
    assert gain_error_s(evidence, bent) == pytest.approx(2.0 * excess)


def test_gain_error__of_a_lone_launch_counts_for_more(rng):
    curve = launch(at_s=2.0)
    evidence = gather(motion_of(curve, rng, length_s=8.0), log_of(curve, rng, end_s=12.0), 0.9)
    evidence = replace(evidence, gain_bend=0.03)
    point = starting_point(evidence, 0.9, 0.3)
    fit = fitted(evidence, point, starting_noise(evidence), unit_weights(evidence))
    assert one_way(evidence, fit)
    steady = replace(fit, point=replace(fit.point, gain_error=np.zeros(evidence.errors)))
    assert gain_error_s(evidence, steady) == pytest.approx(2.0 * 0.03)
