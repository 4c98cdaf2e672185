"""Tests and intervals against published examples and a reference library."""

import math

import numpy as np
import pytest

from overlay.compare.equivalence import equivalent, two_one_sided
from overlay.compare.holm import holm
from overlay.compare.spread import floored
from overlay.compare.welch import (
    Sample,
    describe,
    pooled,
    power,
    runs_for_power,
    satterthwaite,
    welch,
)
from overlay.errors import UndeterminedError, UsageError

# Student's sleep data as shipped with R (datasets::sleep): extra hours, two drugs.
SLEEP_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SLEEP_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]


def test_welch__r_sleep() -> None:
    """R's t.test(extra ~ group, sleep); the interval is computed, not printed there."""
    r = welch(describe(SLEEP_1), describe(SLEEP_2))
    assert r.t == pytest.approx(-1.86081346748685, rel=1e-13)
    assert r.df == pytest.approx(17.7764735161785, rel=1e-13)
    assert r.p == pytest.approx(0.0793941401873583, rel=1e-12)
    assert (round(r.low, 5), round(r.high, 5)) == (-3.36548, 0.20548)


def test_t__nist_auto83b() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.3, AUTO83B: miles per gallon, US and Japanese cars."""
    us, japan = Sample(249, 20.14458, 6.41470), Sample(79, 30.48101, 6.10771)
    same = pooled(us, japan)
    assert (round(same.t, 5), same.df) == (-12.62059, 326)
    assert round(welch(us, japan).t, 5) == -12.94627


def test_welch__nag_g07ca() -> None:
    """NAG Library manual, g07ca example: unequal variances.

    The second deviation is 4.2083 in the example's data (from memory); 4.208 gives t = 2.5923.
    """
    r = welch(Sample(4, 25.0, 0.8185), Sample(8, 21.0, 4.2083))
    assert (round(r.t, 4), round(r.df, 4), round(r.p, 4)) == (2.5922, 7.9925, 0.0320)
    assert (round(r.low, 4), round(r.high, 4)) == (0.4410, 7.5590)


def test_power__r_power_t_test() -> None:
    """R documentation, power.t.test(n = 100, delta = 1, sd = 2.5)."""
    assert round(power(100, 1.0, 2.5), 7) == 0.8036466


def test_runs_for_power__table() -> None:
    """Computed regression values at 80 % power, level 0.05."""
    assert [runs_for_power(d) for d in (0.5, 0.8, 1, 1.5, 2)] == [64, 26, 17, 9, 6]


def test_equivalence__published_inputs() -> None:
    """Inputs from a published worked example, margins in pooled deviations; figures computed."""
    first, second = Sample(95, 5.25, 0.95), Sample(89, 5.22, 0.83)
    sd = math.sqrt((94 * 0.95**2 + 88 * 0.83**2) / 182)
    e = equivalent(first, second, 0.48 * sd, equal_spread=True)
    assert (round(e.t_low, 3), round(e.t_high, 3), round(e.p, 5)) == (3.481, -3.026, 0.00142)


def test_statistics__agree_with_statsmodels(rng: np.random.Generator) -> None:
    """The statsmodels package as an independent reference."""
    weightstats = pytest.importorskip("statsmodels.stats.weightstats")
    multitest = pytest.importorskip("statsmodels.stats.multitest")
    for n_a, n_b, spread in ((3, 5, 2.0), (2, 2, 1.0), (7, 4, 0.3)):
        a, b = rng.normal(0, 1, n_a), rng.normal(0.3, spread, n_b)
        mine = welch(describe(a.tolist()), describe(b.tolist()))
        t, p, df = weightstats.ttest_ind(a, b, usevar="unequal")
        assert (mine.t, mine.p, mine.df) == pytest.approx((t, p, df), rel=1e-9)
        means = weightstats.CompareMeans.from_data(a, b)
        low, high = means.tconfint_diff(0.05, usevar="unequal")
        assert (mine.low, mine.high) == pytest.approx((low, high), rel=1e-9)
        p = weightstats.ttost_ind(a, b, -1.5, 1.5, usevar="unequal")[0]
        both = equivalent(describe(a.tolist()), describe(b.tolist()), 1.5)
        assert both.p == pytest.approx(p, rel=1e-9)
    p_values = rng.uniform(size=9)
    reference = multitest.multipletests(p_values, method="holm")[1]
    assert holm(p_values.tolist()) == pytest.approx(reference.tolist(), rel=1e-12)
    smp = pytest.importorskip("statsmodels.stats.power")
    found = smp.TTestIndPower().power(0.8, 10, 0.025, alternative="larger")
    assert power(10, 0.8) == pytest.approx(found, rel=1e-9)


def test_floored__no_floor_changes_nothing() -> None:
    assert floored(0.1, 5, 0.0) == (0.1, 4.0)
    spread, dof = floored(0.1, 5, 1e-3)
    assert (spread, dof) == pytest.approx((0.1, 4.0), rel=1e-3)


@pytest.mark.parametrize("n", [2, 3, 6])
def test_floored__matches_numeric_posterior(n: int) -> None:
    """Moments of the cut-off posterior, integrated on a grid."""
    sd, floor = 0.05, 0.04
    x = np.linspace(1e-6, 1, 200_001)
    density = x ** ((n - 1) / 2 - 1) * np.exp(-(n - 1) / 2 * (sd / floor) ** 2 * x)
    first, second = (float(np.sum(density * x**k) / np.sum(density)) for k in (1, 2))
    spread, dof = floored(sd, n, floor)
    assert spread == pytest.approx(floor / math.sqrt(first), rel=5e-3)
    assert dof == pytest.approx(2 * first**2 / (second - first**2), rel=2e-2)


def test_floored__runs_that_agree_by_luck() -> None:
    for n in (2, 3, 10):
        spread, dof = floored(0.0, n, 0.05)
        assert spread >= 0.05
        assert dof > n - 1


def test_satterthwaite__known_part() -> None:
    variance, df = satterthwaite([(4.0, 3.0), (5.0, math.inf)])
    assert (variance, df) == (9.0, pytest.approx(81 / (16 / 3)))
    assert satterthwaite([(1.0, math.inf)]) == (1.0, math.inf)


def test_statistics__refuse_what_cannot_be() -> None:
    one = describe([1.0])
    with pytest.raises(UndeterminedError, match="at least two"):
        welch(one, describe(SLEEP_1))
    with pytest.raises(UndeterminedError, match="no spread"):
        welch(Sample(3, 1.0, 0.0), Sample(3, 2.0, 0.0))
    for wrong in ([], [math.nan]):
        with pytest.raises(UsageError):
            describe(wrong)
    with pytest.raises(UsageError, match="margin"):
        two_one_sided(0.1, 0.1, 4, 0.0)
    with pytest.raises(UsageError, match="level"):
        welch(describe(SLEEP_1), describe(SLEEP_2), level=1.0)
    with pytest.raises(UsageError):
        holm([1.2])
    with pytest.raises(UndeterminedError, match="1000 runs"):
        runs_for_power(0.01)
