"""What a rounded log tells, against scipy's truncated normal distribution and dense algebra."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.linalg
import scipy.stats

from overlay.series import Series
from overlay.sync.estimate import either, estimate_offset
from overlay.sync.evidence import gather, starting_noise, starting_point
from overlay.sync.fit import log_freedom, tuned
from overlay.sync.model import Alignment
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


def _cut_off(log: Series) -> Series:
    return replace(log, values=np.floor(np.maximum(log.values, 0.0) / MPH + 1e-9) * MPH)


@pytest.fixture(scope="module")
def lone_launches() -> dict[str, list[Alignment]]:
    """Launches logged once a second in whole mph that were cut off, by what is said of that."""
    found: dict[str, list[Alignment]] = {"nearest": [], "down": [], "unknown": []}
    for seed in range(4):
        rng = np.random.default_rng(seed)
        curve = launch(at_s=2.0, vmax=14.0, rise_s=3.5)
        motion = motion_of(curve, rng, length_s=9.0, sigma_mps=0.25)
        log = _cut_off(log_of(curve, rng, rate_hz=1.0, start_s=-3.3, end_s=12.0))
        for said, ones in found.items():
            ones.append(estimate_offset(motion, log, same_clock=True, rounding=said))
    return found


def test_rounding__figures_cut_off_show_a_launch_late_unless_that_is_said(lone_launches):
    # Half a mile an hour less is reached half a mile an hour later, at 4 to 2 m/s^2.
    totals = {k: np.array([f.total_offset_s for f in ones]) for k, ones in lone_launches.items()}
    later = totals["nearest"] - totals["down"]
    assert np.all(later > 0.5 * (MPH / 2) / 4.0)
    assert np.all(later < 1.5 * (MPH / 2) / 2.0)
    assert abs(np.mean(totals["down"]) - 0.9) < abs(np.mean(totals["nearest"]) - 0.9)
    assert totals["unknown"] == pytest.approx((totals["nearest"] + totals["down"]) / 2)


def test_rounding__where_it_is_not_known_the_interval_holds_both(lone_launches):
    for near, down, both in zip(*lone_launches.values(), strict=True):
        assert near.interval_s and down.interval_s and both.interval_s
        low = max(near.interval_s[0], down.interval_s[0])
        high = min(near.interval_s[1], down.interval_s[1])
        assert both.interval_s[0] < low and high < both.interval_s[1]
        assert both.readout_lag_interval_s == both.interval_s
        assert (near.raised_mps, near.raised_sigma_mps) == (0.0, 0.0)
        assert (down.raised_mps, down.raised_sigma_mps) == (pytest.approx(MPH / 2, rel=1e-4), 0.0)
        assert both.raised_mps == both.raised_sigma_mps == pytest.approx(MPH / 4, rel=1e-4)


@pytest.mark.parametrize("cut_off", [False, True])
def test_rounding__figures_that_follow_at_once_are_as_late_as_the_receiver(rng, cut_off):
    """Of v = 14 (1 - exp(-(t - 2) / 3.5)), 0.5 s late, a display shows k from k, or k - 1/2, on."""
    step_mps, delay_s = 1.0, 0.5
    motion = motion_of(launch(at_s=2.0, vmax=14.0, rise_s=3.5), rng, length_s=9.0, sigma_mps=0.05)
    k = np.arange(1, 12)
    passed_mps = step_mps * (k if cut_off else k - 0.5)
    at_s = 2.0 + delay_s - 3.5 * np.log(1 - passed_mps / 14.0)
    t_s = np.concatenate([np.arange(-3.0, 2.5, 0.25), at_s])
    shown = np.concatenate([np.zeros(len(t_s) - len(k)), step_mps * (k - 0.5)])  # between figures
    log = Series("speed_mps", t_s, shown, step=0.0)
    late = {
        said: estimate_offset(motion, log, same_clock=True, rounding=said)
        for said in ("nearest", "down", "unknown")
    }
    right = late["down" if cut_off else "nearest"]
    assert right.total_offset_s == pytest.approx(delay_s, abs=0.02)
    # Half a step more is passed half a step later: taking one for the other is off that way.
    other = late["nearest" if cut_off else "down"]
    later_s = (other.total_offset_s - delay_s) * (1 if cut_off else -1)
    assert 0.5 * (step_mps / 2) / 4.0 < later_s < 1.5 * (step_mps / 2) / 1.0
    assert late["unknown"].interval_s[0] < delay_s < late["unknown"].interval_s[1]
    assert not any("steps" in note for note in right.notes)


def test_rounding__a_fine_log_is_taken_as_it_is(rng):
    log = log_of(two_launches, rng, step_mps=0.1)
    motion = motion_of(two_launches, rng)
    found = estimate_offset(motion, log, rounding="unknown")
    assert found.raised_mps == 0.0
    assert found == estimate_offset(motion, log, rounding="nearest")


def test_rounding__refused_by_one_account_is_refused():
    no, yes = Alignment(False, reason="why", raised_mps=0.2), Alignment(True, 0.5, (0.4, 0.6))
    for found in (either(no, yes), either(yes, no)):
        assert not found.determined
        assert found.reason == "why"


def test_either__is_the_mixture_of_two_normals():
    # By ndtr: half of N(0, 1) and half of N(3, 1) have 2.5 % below -1.6450 (tables of the normal
    # distribution: 5 % of the lower one lie below -1.6449, and next to none of the upper one).
    one, other = Alignment(True, 0.0, (-1.96, 1.96)), Alignment(True, 3.0, (1.04, 4.96))
    low, high = either(one, other).interval_s
    assert (low, high) == (pytest.approx(-1.645, abs=0.01), pytest.approx(4.645, abs=0.01))


def test_widened__by_the_root_of_the_sum_of_squares():
    found = Alignment(
        True, 1.0, (0.7, 1.3), readout_lag_s=1.0, readout_lag_interval_s=(0.7, 1.3)
    ).widened(0.4 / 1.959964)
    assert found.interval_s == (pytest.approx(0.5), pytest.approx(1.5))
    assert found.readout_lag_interval_s == found.interval_s
    assert Alignment(False).widened(1.0) == Alignment(False)
