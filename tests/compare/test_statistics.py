"""The tests that decide verdicts, against published examples and reference libraries."""

import math

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad

from overlay.compare.equations import NOT_APART, TOO_FEW, Account, laid_out
from overlay.compare.further import chance_of, runs_wanted
from overlay.compare.holm import holm
from overlay.compare.mixed import ACCOUNTS, difference_of, floored, is_confounded, mean_of
from overlay.errors import UndeterminedError, UsageError

PLAIN = (Account(),)  # equal spreads, no drift: the pooled t test
STEADY = (Account(trends=((1e8, 1.0),)),)  # a drift of whatever size: regression on the order


def scaled(n: int, mean: float, sd: float) -> np.ndarray:
    """n values with exactly that mean and standard deviation."""
    values = np.sin(np.arange(n) * 2.1)
    values = (values - values.mean()) / values.std(ddof=1)
    return mean + sd * values


def test_difference__nist_auto83b() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.3, AUTO83B: miles per gallon, US and Japanese cars."""
    both = np.concatenate([scaled(249, 20.14458, 6.41470), scaled(79, 30.48101, 6.10771)])
    of_b = [False] * 249 + [True] * 79
    found = difference_of(both[None], laid_out(of_b, range(328)), accounts=PLAIN)
    t = found.centre[0] / found.error[0]
    assert (round(float(t[0, 0]), 5), found.dof[0][0, 0]) == (12.62059, 326)


def test_difference__two_groups_as_scipy(rng: np.random.Generator) -> None:
    a, b = rng.normal(6, 0.05, 4), rng.normal(5.8, 0.05, 3)
    found = difference_of(
        np.concatenate([a, b])[None], laid_out([False] * 4 + [True] * 3, range(7)), accounts=PLAIN
    )
    known = stats.ttest_ind(b, a)
    assert found.p_differ()[0] == pytest.approx(known.pvalue, rel=1e-6)
    low, high = found.interval()
    assert (low[0], high[0]) == pytest.approx(tuple(known.confidence_interval()), rel=1e-6)


def test_difference__r_sleep_pooled() -> None:
    """Student's sleep data as shipped with R (datasets::sleep), t.test(..., var.equal = TRUE).

    t = -1.8608, df = 18, p = 0.07919, 95 % -3.363874 to 0.203874 (first less second, from memory).
    """
    first = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    second = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    both = np.array([first + second])
    found = difference_of(both, laid_out([False] * 10 + [True] * 10, range(20)), accounts=PLAIN)
    low, high = found.interval()
    assert (round(low[0], 6), round(high[0], 6)) == (-0.203874, 3.363874)
    assert round(float(found.p_differ()[0]), 5) == 0.07919


def test_difference__steady_drift_is_regression(rng: np.random.Generator) -> None:
    """Ordinary least squares on build and order, by statsmodels."""
    sm = pytest.importorskip("statsmodels.api")
    of_b = np.array([0, 1, 1, 0, 0, 1, 1, 0])
    order = np.arange(8)
    y = 6 + 0.03 * order - 0.2 * of_b + rng.normal(0, 0.03, 8)
    known = sm.OLS(y, np.column_stack([np.ones(8), of_b, order])).fit()
    found = difference_of(y[None], laid_out(of_b.astype(bool).tolist(), order), accounts=STEADY)
    assert found.centre[0][0, 0] == pytest.approx(known.params[1], rel=1e-5)
    # One slope that is as good as free takes a degree of freedom that the sum of squares lacks.
    assert found.error[0][0, 0] == pytest.approx(known.bse[1] * math.sqrt(5 / 6), rel=1e-5)


def test_difference__walk_and_unlike_spreads_are_gls(rng: np.random.Generator) -> None:
    """Generalised least squares with the covariance written out, by statsmodels."""
    sm = pytest.importorskip("statsmodels.api")
    of_b = np.array([0, 1, 0, 1, 1, 0])
    order = np.array([1, 2, 4, 5, 7, 8])
    y = 6 - 0.2 * of_b + rng.normal(0, 0.03, 6)
    covariance = np.diag(np.where(of_b, 2.0, 0.5))
    covariance = covariance + 0.7 * np.minimum.outer(order, order)
    known = sm.GLS(y, np.column_stack([np.ones(6), of_b]), sigma=covariance).fit()
    account = Account(spreads=((4.0, 1.0),), walks=((0.7, 1.0),))
    found = difference_of(y[None], laid_out(of_b.astype(bool).tolist(), order), accounts=[account])
    assert found.centre[0][0, 0] == pytest.approx(known.params[1], rel=1e-9)
    assert found.error[0][0, 0] == pytest.approx(known.bse[1], rel=1e-9)
    assert found.p_differ()[0] == pytest.approx(known.pvalues[1], rel=1e-6)


def test_difference__ratios_weigh_by_restricted_likelihood() -> None:
    """Two equal priors: their weights are as the likelihoods of the error contrasts."""
    y = np.array([6.0, 5.7, 6.1, 5.9, 6.3, 6.05])
    of_b = [False, True] * 3
    walks = ((0.0, 1.0), (1.0, 1.0))
    found = difference_of(y[None], laid_out(of_b, range(6)), accounts=[Account(walks=walks)])
    fixed = np.column_stack([np.ones(6), of_b])
    contrasts = np.linalg.svd(fixed)[0][:, 2:]
    z = contrasts.T @ y
    marginal = []
    for step, _ in walks:
        r = contrasts.T @ (np.eye(6) + step * np.minimum.outer(range(6), range(6))) @ contrasts
        # Multivariate t with the scale integrated out under a prior flat in its logarithm.
        marginal.append((z @ np.linalg.solve(r, z)) ** -2 / math.sqrt(np.linalg.det(r)))
    known = np.array(marginal) / sum(marginal)
    assert found.weight[0][0] == pytest.approx(known, rel=1e-9)


def test_difference__equivalence_as_statsmodels(rng: np.random.Generator) -> None:
    weightstats = pytest.importorskip("statsmodels.stats.weightstats")
    a, b = rng.normal(0, 1, 6), rng.normal(0.1, 1, 7)
    found = difference_of(
        np.concatenate([a, b])[None], laid_out([False] * 6 + [True] * 7, range(13)), accounts=PLAIN
    )
    known = weightstats.ttost_ind(b, a, -1.5, 1.5, usevar="pooled")[0]
    assert found.p_alike(1.5)[0] == pytest.approx(known, rel=1e-6)


def test_difference__many_at_once_as_one_by_one(rng: np.random.Generator) -> None:
    values, of_b = rng.normal(6, 0.05, (5, 6)), [False, True] * 3
    floors = np.array([0.0, 0.01, 0.02, 0.05, 0.2])
    together = difference_of(values, laid_out(of_b, range(6)), floor=floors)
    low, high = together.interval()
    for i in range(5):
        alone = difference_of(values[i : i + 1], laid_out(of_b, range(6)), floor=floors[i])
        assert together.p_differ()[i] == pytest.approx(float(alone.p_differ()[0]), rel=1e-9)
        ends = tuple(float(end[0]) for end in alone.interval())
        assert (low[i], high[i]) == pytest.approx(ends, rel=1e-9)


def test_difference__interval_ends_where_p_is_the_level(rng: np.random.Generator) -> None:
    values = rng.normal(6, 0.05, (1, 8))
    found = difference_of(
        values, laid_out([False, True, True, False] * 2, range(8)), floor=0.02, shared=0.01
    )
    for end in found.interval(0.05):
        assert found.p_differ(float(end[0]))[0] == pytest.approx(0.05, abs=1e-6)


def test_difference__shared_part_is_known() -> None:
    """What a build's runs share widens the interval and does not average out."""
    values = 6 + 0.001 * np.array([[0, 1, -1, 0, 1, -1, 0.0, 1]])
    found = difference_of(values, laid_out([False, True] * 4, range(8)), shared=0.1)
    low, high = found.interval()
    assert (high[0] - low[0]) / 2 == pytest.approx(1.959964 * 0.1, rel=0.01)


def test_difference__steady_drift_is_not_taken_for_the_build() -> None:
    """Nothing but a drift, each order: the interval holds 0."""
    for of_b in ([0, 1, 0, 1, 0, 1], [0, 0, 0, 1, 1, 1, 0], [0, 1, 1, 0, 1, 0]):
        values = 0.05 * np.arange(len(of_b))[None] + 0.001 * np.cos(np.arange(len(of_b)))[None]
        low, high = difference_of(
            values, laid_out([bool(b) for b in of_b], range(len(of_b)))
        ).interval()
        assert low[0] < 0 < high[0]


@pytest.mark.parametrize("drift", ["none", "steady", "walk"])
@pytest.mark.parametrize("order", ["ababab", "aabba", "abbaabba"])
def test_difference__false_findings(order: str, drift: str, rng: np.random.Generator) -> None:
    """At most 5 % and not all too few; tests/benchmarks/accuracy/days.py has the long account."""
    days, of_b = 1000, [letter == "b" for letter in order]
    values = rng.normal(0, 0.05, (days, len(of_b)))
    if drift == "steady":
        values = values + 0.02 * np.arange(len(of_b))
    elif drift == "walk":
        values = values + np.cumsum(rng.normal(0, 0.02, values.shape), axis=1)
    p = difference_of(values, laid_out(of_b, range(len(of_b))), floor=0.02).p_differ()
    assert 0.005 <= np.mean(p <= 0.05) <= 0.05 + 2 * math.sqrt(0.05 * 0.95 / days)


def test_difference__accounts_are_both_heeded(rng: np.random.Generator) -> None:
    values, of_b = rng.normal(0, 0.05, (20, 6)), [False, True] * 3
    both = difference_of(values, laid_out(of_b, range(6))).p_differ()
    single = [
        difference_of(values, laid_out(of_b, range(6)), accounts=[one]).p_differ()
        for one in ACCOUNTS
    ]
    assert both == pytest.approx(np.max(single, axis=0))


def test_floored__no_floor_changes_nothing() -> None:
    variance, dof, _ = floored(np.array([0.04]), 4, np.array([0.0]))
    assert (variance[0], dof[0]) == (0.01, 4.0)
    variance, dof, _ = floored(np.array([0.04]), 4, np.array([1e-3]))
    assert (variance[0], dof[0]) == pytest.approx((0.01, 4.0), rel=1e-3)


@pytest.mark.parametrize("dof", [1, 2, 5])
def test_floored__matches_numeric_posterior(dof: int) -> None:
    """Moments of the cut-off posterior, integrated on a grid."""
    squares, floor = dof * 0.05**2, 0.04
    x = (np.arange(400_000) + 0.5) / 400_000  # precision in units of the floor's
    density = x ** (dof / 2 - 1) * np.exp(-squares / 2 / floor**2 * x)
    first, second = (float(np.sum(density * x**k) / np.sum(density)) for k in (1, 2))
    variance, freedom, _ = floored(np.array([squares]), dof, np.array([floor]))
    assert variance[0] == pytest.approx(floor**2 / first, rel=5e-3)
    assert freedom[0] == pytest.approx(2 * first**2 / (second - first**2), rel=2e-2)


@pytest.mark.parametrize("floor", [0.05, 0.4])
def test_floored__weight_is_the_integral_over_the_variances(floor: float) -> None:
    """Of v^-(n/2+1) exp(-S/2v) above the floor, by quadrature (QUADPACK)."""
    squares, dof = 0.3, 5
    seen = math.log(
        quad(lambda v: v ** -(dof / 2 + 1) * math.exp(-squares / 2 / v), floor**2, 60)[0]
    )
    _, _, weight = floored(np.array([squares]), dof, np.array([floor]))
    assert float(weight[0]) == pytest.approx(seen, abs=1e-3)


@pytest.mark.parametrize(("runs", "share"), [(6, 0.5), (60, 0.02), (500, 1e-6), (500, 0.9)])
def test_floored__many_runs_that_scatter_little(runs: int, share: float) -> None:
    # Second route: moments of u = floor^2 / variance by quadrature (scipy.integrate), whose density
    # on 0 to 1 goes as u^(dof/2 - 1) exp(-rate u).
    dof, floor = runs - 2, 0.05
    squares = share * dof * floor**2
    rate = max(squares / (2 * floor**2), 1e-4)
    total, first, second = (
        quad(lambda u, k=k: u ** (dof / 2 - 1 + k) * math.exp(-rate * u), 0, 1, points=[0.9])[0]
        for k in range(3)
    )
    variance, freedom, weight = floored(np.array([squares]), dof, np.array([floor]))
    assert variance[0] == pytest.approx(floor**2 * total / first, rel=1e-6)
    spread = second / total - (first / total) ** 2
    assert freedom[0] == pytest.approx(2 * (first / total) ** 2 / spread, rel=1e-3)
    assert np.isfinite(weight[0])


def test_floored__runs_that_agree_by_luck() -> None:
    for dof in (1, 2, 9):
        variance, freedom, _ = floored(np.array([0.0]), dof, np.array([0.05]))
        assert variance[0] >= 0.05**2
        assert freedom[0] > dof


def test_mean_of__as_scipy(rng: np.random.Generator) -> None:
    values = rng.normal(6, 0.1, 5)
    low, high = stats.t.interval(0.95, 4, values.mean(), stats.sem(values))
    mean, sigma, dof = mean_of(values, 0.0)
    assert (mean, dof) == (pytest.approx(values.mean()), 4)
    assert stats.t.ppf(0.975, dof) * sigma == pytest.approx((high - low) / 2)


def test_mean_of__both_ways_as_statsmodels(rng: np.random.Generator) -> None:
    """The intercept of a regression on the way (1 or -1) is the mean of the ways' means."""
    api = pytest.importorskip("statsmodels.api")
    ways = [1, 1, 1, -1, -1]
    values = rng.normal(6, 0.1, 5) + 0.4 * np.array(ways)
    known = api.OLS(values, np.column_stack([np.ones(5), ways])).fit()
    mean, sigma, dof = mean_of(values, 0.0, ways)
    assert (mean, sigma, dof) == pytest.approx((known.params[0], known.bse[0], 3))
    lone = mean_of(np.array([5.0, 6.0]), 0.0, [1, -1])
    assert lone[0] == 5.5
    assert math.isnan(lone[1]) and math.isnan(lone[2])


def test_difference__both_ways_as_statsmodels(rng: np.random.Generator) -> None:
    """A way that costs 0.4 s leaves the difference as a regression with the way gives it."""
    api = pytest.importorskip("statsmodels.api")
    ways, of_b = [1, -1, 1, 1, -1, 1, -1], [0, 0, 1, 1, 1, 0, 1]
    y = rng.normal(6, 0.05, 7) - 0.3 * np.array(of_b) - 0.4 * np.array(ways)
    known = api.OLS(y, np.column_stack([np.ones(7), of_b, ways])).fit()
    found = difference_of(
        y[None], laid_out(list(map(bool, of_b)), range(7), columns=[ways, [1] * 7]), accounts=PLAIN
    )
    assert found.dof[0][0, 0] == 4
    assert found.centre[0][0, 0] == pytest.approx(known.params[1])
    assert found.error[0][0, 0] == pytest.approx(known.bse[1])
    assert found.p_differ()[0] == pytest.approx(known.pvalues[1])


def test_difference__days_as_fixed_effects_in_statsmodels(rng: np.random.Generator) -> None:
    """Builds 0 and 1 on the first day, 0 and 2 on the second: 2 against 1 through 0."""
    api = pytest.importorskip("statsmodels.api")
    day, build = np.repeat([0, 1], 6), np.array([0, 1, 0, 1, 1, 0, 0, 2, 2, 0, 2, 0])
    y = rng.normal(6, 0.03, 12) + 0.5 * day - 0.1 * (build == 1) - 0.3 * (build == 2)
    table = np.column_stack([np.ones(12), build == 2, day, build == 0]).astype(float)
    known = api.OLS(y, table).fit()
    found = difference_of(
        y[None],
        laid_out(
            (build == 2).tolist(),
            [*range(6), *range(6)],
            columns=table[:, 2:].T.tolist(),
            days=day.tolist(),
        ),
        accounts=PLAIN,
    )
    assert found.dof[0][0, 0] == 8
    assert found.centre[0][0, 0] == pytest.approx(known.params[1])
    assert found.p_differ()[0] == pytest.approx(known.pvalues[1])


def test_difference__a_drift_stays_within_its_day(rng: np.random.Generator) -> None:
    """A day's steady drift of its own, whatever its size: regression with a slope a day."""
    api = pytest.importorskip("statsmodels.api")
    day, place = np.repeat([0, 1], 6), np.tile(np.arange(6.0), 2)
    of_b = np.array([0, 1, 1, 0, 0, 1] * 2)
    y = rng.normal(6, 0.03, 12) + np.where(day, -0.2, 0.1) * place - 0.2 * of_b
    slopes = [np.where(day == d, place - 2.5, 0.0) for d in (0, 1)]
    known = api.OLS(y, np.column_stack([np.ones(12), of_b, day, *slopes])).fit()
    found = difference_of(
        y[None],
        laid_out(
            of_b.astype(bool).tolist(), place.tolist(), columns=[day.tolist()], days=day.tolist()
        ),
        accounts=STEADY,
    )
    assert found.centre[0][0, 0] == pytest.approx(known.params[1], rel=1e-4)


def test_difference__what_cannot_be_told_apart_is_refused() -> None:
    y, of_b = np.array([[6.0, 6.1, 5.5, 5.6, 6.05]]), [False, False, True, True, False]
    with pytest.raises(UndeterminedError, match=NOT_APART):
        difference_of(y, laid_out(of_b, range(5), columns=[[1, 1, -1, -1, 1]]))
    with pytest.raises(UndeterminedError, match=TOO_FEW):
        difference_of(
            y,
            laid_out(of_b, range(5), columns=[[1, -1, 1, -1, 1], np.arange(5.0), [0, 1, 4, 9, 6]]),
        )


def test_holm__as_statsmodels_and_weighted(rng: np.random.Generator) -> None:
    multitest = pytest.importorskip("statsmodels.stats.multitest")
    p_values = rng.uniform(size=9)
    reference = multitest.multipletests(p_values, method="holm")[1]
    assert holm(p_values.tolist()) == pytest.approx(reference.tolist(), rel=1e-12)
    # By hand: 0.045/0.9 * 1 = 0.05 first, then what is left is the other's whole level.
    assert holm([0.045, 0.05], [0.9, 0.1]) == pytest.approx((0.05, 0.05))
    assert holm([0.06, 0.004], [0.9, 0.1]) == pytest.approx((0.06, 0.04))


def test_holm__weights_keep_the_level(rng: np.random.Generator) -> None:
    p = rng.uniform(size=(4000, 4))
    wrong = [min(holm(row.tolist(), [0.9, 0.04, 0.03, 0.03])) <= 0.05 for row in p]
    assert np.mean(wrong) <= 0.05 + 2 * math.sqrt(0.05 * 0.95 / 4000)


def test_chance__below_the_plain_test_and_rising() -> None:
    """Allowing for drift and unlike spread costs power against statsmodels' plain t test."""
    smp = pytest.importorskip("statsmodels.stats.power")
    plain = smp.TTestIndPower().power(1.5, 6, 0.05)
    mine = chance_of(6, 1.5, 1.0)
    assert 0.6 * plain < mine < plain
    assert chance_of(3, 7.5, 1.0, level=0.045) >= 0.85  # 0.15 s at 0.02 s scatter
    assert chance_of(3, 1.5, 1.0) < chance_of(4, 1.5, 1.0) < mine
    wanted = runs_wanted(1.5, 1.0)
    assert wanted is not None
    assert chance_of(wanted, 1.5, 1.0) >= 0.8 > chance_of(wanted - 1, 1.5, 1.0)
    assert runs_wanted(0.01, 1.0) is None


def test_confounded() -> None:
    assert is_confounded([True, True, False, False], [1, 2, 3, 4])
    assert not is_confounded([True, True, False, False], [1, 4, 3, 2])


def test_statistics__refuse_what_cannot_be() -> None:
    with pytest.raises(UndeterminedError, match="at least two"):
        difference_of(np.ones((1, 3)), laid_out([False, True, True], range(3)))
    with pytest.raises(UndeterminedError, match="no spread"):
        difference_of(np.ones((1, 4)), laid_out([False, True] * 2, range(4)))
    with pytest.raises(UsageError, match="margin"):
        difference_of(np.eye(4), laid_out([False, True] * 2, range(4))).p_alike(0.0)
    with pytest.raises(UsageError):
        holm([1.2])
    with pytest.raises(UsageError, match="weights"):
        holm([0.2], [0.0])
