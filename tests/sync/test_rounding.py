"""What a rounded log tells, against scipy's truncated normal distribution and dense algebra."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.linalg
import scipy.stats

from overlay.sync.evidence import gather, starting_noise, starting_point
from overlay.sync.fit import log_freedom, tuned
from overlay.sync.rounding import cut, unrounded, variances
from overlay.sync.spline import Rows
from tests.sync.scenes import launch, log_of, motion_of, two_launches

MPH = 0.44704


@pytest.mark.parametrize(
    ("mean", "sigma", "low", "high"),
    [(0.0, 1.0, -1.0, 1.0), (3.1, 0.2, 2.7, 3.2), (0.4, 0.05, 0.2, 0.6), (5.0, 0.7, 8.0, 8.5)],
)
def test_cut__mean_and_variance_of_a_truncated_normal(mean, sigma, low, high):
    c = cut(*(np.array([x]) for x in (mean, sigma, low, high)))
    a, b = (low - mean) / sigma, (high - mean) / sigma
    kept = scipy.stats.truncnorm(a, b, loc=mean, scale=sigma)
    assert mean + sigma**2 * c.pull[0] == pytest.approx(kept.mean(), rel=1e-6)
    wanted = kept.var() if kept.var() < 0.9999 * sigma**2 else 0.9999 * sigma**2
    assert sigma**2 - sigma**4 * c.told[0] == pytest.approx(wanted, rel=1e-5)


def test_cut__far_outside_stays_finite():
    far = cut(np.array([50.0, -50.0]), np.ones(2), np.zeros(2), np.ones(2))
    assert np.all(np.isfinite(far.pull))
    assert far.pull[0] < -5 < 5 < far.pull[1]


def test_variances__as_by_the_dense_inverse(rng):
    size, band = 40, 4
    root = np.tril(rng.normal(size=(size, size)))
    root[np.subtract.outer(np.arange(size), np.arange(size)) > band] = 0.0
    np.fill_diagonal(root, 3.0)
    matrix = root @ root.T
    lower = np.array([np.append(np.diagonal(matrix, -k), np.zeros(k)) for k in range(band + 1)])
    factor = scipy.linalg.cholesky_banded(lower, lower=True)
    first = rng.integers(0, size - 3, 25)
    rows = Rows(first, rng.normal(size=(25, 4)))
    dense = np.zeros((25, size))
    for k in range(4):
        dense[np.arange(25), first + k] = rows.values[:, k]
    wanted = np.einsum("ij,jk,ik->i", dense, np.linalg.inv(matrix), dense)
    assert variances(factor, rows) == pytest.approx(wanted, rel=1e-9)


def _fit(rng, curve, **log):
    evidence = gather(motion_of(curve, rng), log_of(curve, rng, step_mps=MPH, **log), 0.9)
    return evidence, tuned(evidence, starting_point(evidence, 0.9, 0.3), starting_noise(evidence))


@pytest.mark.parametrize("sigma_mps", [0.05, 0.15])
def test_unrounded__finds_the_noise_before_rounding(rng, sigma_mps):
    found = []
    for _ in range(5):
        evidence, fit = _fit(rng, two_launches, sigma_mps=sigma_mps)
        assert fit.noise.log_mps >= MPH / np.sqrt(12)  # rounding taken for noise hides it
        found.append(unrounded(evidence, fit)[1].noise.log_mps)
    assert np.mean(found) == pytest.approx(sigma_mps, rel=0.3)


def test_unrounded__tells_more_than_rounding_taken_for_noise(rng):
    shares = []
    for _ in range(5):
        evidence, fit = _fit(rng, launch())
        shares.append(unrounded(evidence, fit)[1].shift_sigma_s / fit.shift_sigma_s)
    assert np.mean(shares) < 0.95


def test_unrounded__a_figure_in_its_middle_tells_less_than_one_at_its_edge(rng):
    evidence, fit = _fit(rng, launch())
    now, fit = unrounded(evidence, fit)
    moving = evidence.log > 0
    off = np.abs(evidence.log - now.log)[moving] / MPH
    size = (fit.noise.log_mps * now.log_scale)[moving]
    assert np.all(off < 0.8)
    assert np.all(size >= 0.99 * fit.noise.log_mps)
    near, far = np.argsort(off)[:10], np.argsort(off)[-10:]
    assert np.median(size[near]) > 1.3 * np.median(size[far])


def test_unrounded__standing_is_exact_but_for_noise_and_creeping_is_not(rng):
    evidence, fit = _fit(rng, launch(at_s=4.0))
    now, fit = unrounded(evidence, fit)
    first = int(np.flatnonzero(evidence.log > 0)[0])
    assert np.all(now.log[: first - 4] == 0.0)
    assert now.log_scale[first - 4] == pytest.approx(1.0)
    assert now.log_scale[first - 1] > 1.2


def test_log_freedom__rounding_is_noise_of_known_size(rng):
    evidence, fit = _fit(rng, launch(), rate_hz=1.0)
    now, fit = unrounded(evidence, fit)
    plain = log_freedom(replace(now, log_known=False), fit)
    assert log_freedom(now, fit) > 3 * plain
    loud = replace(fit, noise=replace(fit.noise, log_mps=20 * MPH))
    assert log_freedom(now, loud) < 1.1 * log_freedom(replace(now, log_known=False), loud)
