"""The difference of two builds from runs in the order driven: a mixed linear model.

A run's value is its build's mean, plus a drift over the day, plus the run's own scatter::

    y_i = mean + difference [i is of b] + trend p_i + walk(p_i) + jump [p_i >= p] + scatter_i

with p_i the place of the run in the day's order. What else is common to several runs has a column
of its own: the way driven, and in a season the day and other builds. The scatter of a build has a
variance of its own; its ratio to the other build's is unknown, so five ratios share the weight.
The trend is there or not. Three accounts of the day are given: with neither walk nor jump, with a
walk (warmth, wind and track wander from run to run), and with one jump at an unknown run (a
shower, a tyre, a new driver). What is said must hold by all: the largest p-value counts, and the
interval spans them. The first is the most careful for blocks of one build, the others for
alternating builds or for a day that changed where the build did; which it was, a handful of runs
cannot say.

Given the ratios of variances the model is generalised least squares, and the difference has
Student's t distribution. Within an account the ratios are weighted by their restricted
likelihood (Harville, Biometrika 61 (1974) 383-385, from memory); the
equations are in :mod:`overlay.compare.equations`.

The run's variance is never taken to be less than the measurement's: a few values can agree by
luck, better than they were measured. With a floor f^2 and a prior flat in log(variance) above it,
1/variance has a gamma posterior cut off at 1/f^2; its first two moments give the variance and
degrees of freedom to judge by. Without a floor these are the ordinary ones.

The shares of false findings and the coverage are in tests/benchmarks/accuracy/days.py.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import gammainc, gammaln, hyp1f1, stdtr, stdtrit

from overlay.compare.equations import Account, Design, RunOrder, Weighted, design_of
from overlay.errors import UndeterminedError, UsageError
from overlay.timebase import FloatArray

# Same cart, driver and track: spreads seldom differ more than fivefold, and mostly far less.
SPREADS: Weighted = tuple((s**2, w) for s, w in ((0.2, 2), (1 / 2.2, 3), (1, 4), (2.2, 3), (5, 2)))
TRENDS: Weighted = ((0.0, 1.0), (1.0, 1.0))
ACCOUNTS = (
    Account(SPREADS, TRENDS),
    Account(SPREADS, TRENDS, ((0.1, 1.0), (0.5, 1.0), (2.5, 1.0))),
    Account(SPREADS, TRENDS, jumps=((25.0, 1.0),)),
)
_HALVINGS = 40  # of the bracket of an interval's end
_LEAST, _TINY = 1e-12, 1e-200
_LEAST_RATE = 1e-4  # below it the floor rules alone, and the incomplete gamma underflows


@dataclass(frozen=True, eq=False)
class Difference:
    """What the runs say of b less a, for k figures at once."""

    # shape (k, g): One mixture of Student's t an account.
    centre: tuple[FloatArray, ...]
    error: tuple[FloatArray, ...]
    dof: tuple[FloatArray, ...]
    weight: tuple[FloatArray, ...]

    def _below(self, account: int, x: FloatArray) -> FloatArray:
        t = (x[:, None] - self.centre[account]) / self.error[account]
        found: FloatArray = np.sum(self.weight[account] * stdtr(self.dof[account], t), axis=1)
        return np.clip(found, 0.0, 1.0)

    def p_differ(self, from_value: float = 0.0) -> FloatArray:
        """Two-sided p-value for a difference from a value, shape (k,)."""
        x = np.full(len(self.centre[0]), from_value)
        tails = [self._below(i, x) for i in range(len(self.centre))]
        return np.asarray(np.max([2 * np.minimum(p, 1 - p) for p in tails], axis=0))

    def p_alike(self, margin: float) -> FloatArray:
        """p-value of two one-sided tests for a difference within ± margin, shape (k,).

        Schuirmann, J. Pharmacokinetics and Biopharmaceutics 15 (1987) 657-680 (from memory).
        """
        if not margin > 0:
            raise UsageError(f"margin {margin:g}: must be above 0")
        edge = np.full(len(self.centre[0]), margin)
        accounts = range(len(self.centre))
        low = [self._below(i, -edge) for i in accounts]
        high = [1 - self._below(i, edge) for i in accounts]
        return np.asarray(np.max([*low, *high], axis=0))

    def interval(self, level: float = 0.05) -> tuple[FloatArray, FloatArray]:
        """Two-sided interval at 1 - level, shape (k,) each, wide enough for every account."""
        ends = [
            (self._quantile(i, level / 2), self._quantile(i, 1 - level / 2))
            for i in range(len(self.centre))
        ]
        return np.min([low for low, _ in ends], axis=0), np.max([high for _, high in ends], axis=0)

    def centred(self, level: float = 0.05) -> tuple[FloatArray, FloatArray]:
        """Middle and half width of that interval."""
        low, high = self.interval(level)
        return (low + high) / 2, (high - low) / 2

    def _quantile(self, account: int, share: float) -> FloatArray:
        # A mixture's quantile lies between those of its parts.
        ends = self.centre[account] + self.error[account] * stdtrit(self.dof[account], share)
        low, high = np.min(ends, axis=1), np.max(ends, axis=1)
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            under = self._below(account, middle) < share
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        return np.asarray((low + high) / 2)


def difference_of(
    values: FloatArray,
    layout: RunOrder,
    *,
    floor: FloatArray | float = 0.0,
    shared: FloatArray | float = 0.0,
    accounts: Sequence[Account] = ACCOUNTS,
) -> Difference:
    """Judge b against a.

    Parameters
    ----------
    values : ndarray, shape (k, n)
        k figures of the same n runs.
    floor : ndarray, shape (k,), or float
        Root mean square of the runs' standard uncertainties; the scatter is never less.
    shared : ndarray, shape (k,), or float
        Standard uncertainty of the difference that runs of one build share with each other only.

    Raises
    ------
    UndeterminedError
        If a build has fewer than two runs, nothing scatters and no uncertainty is given, the
        columns leave too few runs, or a column goes wholly with the build.

    Examples
    --------
    The pooled t test is the case of equal spreads without drift, here NIST's figures for b less
    a of 4 and 3 values:

    >>> from overlay.compare.equations import laid_out
    >>> times = np.array([[6.00, 6.05, 5.95, 6.02, 5.60, 5.66, 5.55]])
    >>> runs = laid_out([False] * 4 + [True] * 3, range(7))
    >>> d = difference_of(times, runs, accounts=[Account()])
    >>> round(float(d.centre[0][0, 0]), 4), float(d.dof[0][0, 0])
    (-0.4017, 5.0)
    """
    y, b = np.atleast_2d(np.asarray(values, dtype=np.float64)), np.array(layout.of_b)
    if min(int(np.sum(b)), int(np.sum(~b))) < 2:
        raise UndeterminedError("each build needs at least two runs to show its spread")
    least = np.broadcast_to(np.asarray(floor, dtype=np.float64), len(y))
    still = (np.ptp(y[:, b], axis=1) == 0) & (np.ptp(y[:, ~b], axis=1) == 0)
    if bool(np.any(still & (least == 0))):
        raise UndeterminedError("the runs show no spread and no uncertainty is given")
    y = y - y.mean(axis=1, keepdims=True)  # for the numbers' sake; differences do not change
    found = [_judged(y, design_of(account, layout), least) for account in accounts]
    parts = [_with_shared(*one, np.broadcast_to(shared, len(y))) for one in found]
    centre, error, dof, weight = zip(*parts, strict=True)
    return Difference(centre, error, dof, weight)


def mean_of(
    values: FloatArray, floor: float, ways: Sequence[int] = ()
) -> tuple[float, float, float]:
    """Mean of one build's runs, its standard uncertainty and degrees of freedom.

    Of runs driven both ways each way counts half, whatever the number of its runs. Uncertainty
    and degrees of freedom are NaN where no two runs went the same way.

    Examples
    --------
    >>> mean, _, dof = mean_of(np.array([5.0, 6.0, 6.2]), 0.0, [1, -1, -1])
    >>> round(mean, 3), dof
    (5.55, 1.0)
    """
    way = np.asarray(ways) if len(ways) else np.ones(len(values))
    groups = [values[way == one] for one in dict.fromkeys(way.tolist())]
    mean = float(np.mean([group.mean() for group in groups]))
    free = len(values) - len(groups)
    if free < 1:
        return mean, math.nan, math.nan
    squares = sum(float(np.sum((group - group.mean()) ** 2)) for group in groups)
    variance, dof, _ = floored(np.array([squares]), free, np.array([floor]))
    share = sum(1 / len(group) for group in groups) / len(groups) ** 2
    return mean, math.sqrt(float(variance[0]) * share), float(dof[0])


def is_confounded(of_b: Sequence[bool], places: Sequence[float]) -> bool:
    """Whether all runs of one build came before all of the other.

    Examples
    --------
    >>> is_confounded([False, False, True, True], [1, 2, 3, 4])
    True
    >>> is_confounded([False, True, True, False], [1, 2, 3, 4])
    False
    """
    b = [p for p, flag in zip(places, of_b, strict=True) if flag]
    a = [p for p, flag in zip(places, of_b, strict=True) if not flag]
    return not (a and b) or max(a) < min(b) or max(b) < min(a)


def floored(
    squares: FloatArray, dof: float, floor: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Variance, degrees of freedom and log-likelihood from a sum of squares above a floor.

    Parameters
    ----------
    squares : ndarray
        Residual sum of squares, >= 0.
    dof : float
        Its degrees of freedom, > 0.
    floor : ndarray
        Least standard deviation, >= 0; broadcast against `squares`.

    Examples
    --------
    >>> variance, dof, _ = floored(np.array([0.04]), 4, np.array([0.0]))
    >>> round(float(variance[0]), 6), float(dof[0])
    (0.01, 4.0)
    """
    shape = dof / 2
    floor2 = np.broadcast_to(np.asarray(floor, dtype=np.float64) ** 2, squares.shape)
    has = floor2 > 0
    safe2 = np.where(has, floor2, 1.0)
    rate = np.maximum(squares / (2 * safe2), _LEAST_RATE)
    mass, *more = (_log_gammainc(shape + k, rate) for k in range(3))
    first = shape / rate * np.exp(more[0] - mass)
    second = shape * (shape + 1) / rate**2 * np.exp(more[1] - mass)
    variance = np.where(has, safe2 / first, squares / dof)
    freedom = np.where(has, 2 / np.maximum(second / first**2 - 1, _LEAST), dof)
    # The integral of the likelihood over the variances above the floor.
    log_floored = mass - shape * np.log(rate * safe2)
    plain = -shape * np.log(np.maximum(squares / 2, _LEAST**2))
    return variance, freedom, np.where(has, log_floored, plain) + gammaln(shape)


def _log_gammainc(shape: float, rate: FloatArray) -> FloatArray:
    """Log of the regularised incomplete gamma function (DLMF 8.5.1 where it is tiny)."""
    plain = gammainc(shape, rate)
    series = np.log(hyp1f1(1.0, shape + 1, np.where(plain < _TINY, rate, 0.0)))
    series += shape * np.log(rate) - rate - gammaln(shape + 1)
    return np.where(plain < _TINY, series, np.log(np.maximum(plain, _TINY)))


def _judged(
    y: FloatArray, design: Design, floor: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Centre, error, degrees of freedom and weight for each figure and choice of ratios."""
    variance, dof, log_likelihood = floored(design.squares(y), design.dof, floor[:, None])
    log_weight = design.log_prior + log_likelihood
    weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    return y @ design.estimate.T, np.sqrt(variance * design.variance), dof, weight


def _with_shared(
    centre: FloatArray, error: FloatArray, dof: FloatArray, weight: FloatArray, shared: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """A further known part of the error (Welch-Satterthwaite, JCGM 100:2008 G.4.1)."""
    whole = np.hypot(error, shared[:, None])
    return centre, whole, dof * (whole / np.maximum(error, _LEAST)) ** 4, weight
