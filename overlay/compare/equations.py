"""The equations of the mixed model for a day's runs: what an account and a layout give together.

Memory grows with the number of runs, not with its square.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_solve_banded, cholesky_banded

from overlay.errors import UndeterminedError
from overlay.timebase import FloatArray

Weighted = tuple[tuple[float, float], ...]  # (value, weight)
Drifts = list[tuple[float, FloatArray]]  # (variance, columns of shape (n, c) that have it each)
NOT_APART = "what else differed between the runs went wholly with the build"
TOO_FEW = "too few runs for all that differed between them"
MOST_JUMPS = 12  # places at which a jump is looked for, spread over a longer day


@dataclass(frozen=True)
class Account:
    """One account of a day: ratios to the run's own variance, each with its weight."""

    spreads: Weighted = ((1.0, 1.0),)  # variance of b's runs over that of a's
    # Variance of the steady drift from one run to the next, of the walk's step, and of the jump,
    # which is as likely at one run as at another.
    trends: Weighted = ((0.0, 1.0),)
    walks: Weighted = ((0.0, 1.0),)
    jumps: Weighted = ((0.0, 1.0),)


@dataclass(frozen=True)
class RunOrder:
    """Which of a day's runs were of which build, and what else may make them differ."""

    of_b: tuple[bool, ...]
    places: tuple[float, ...]  # of each run in the order driven
    # What else may make runs differ, such as the way driven (1 or -1); allowed for in full.
    columns: tuple[tuple[float, ...], ...]
    days: tuple[int, ...]  # day of each run: drifts do not reach from one to another

    def fixed(self) -> FloatArray:
        """Columns of the mean, the difference and whatever else is not the sum of others."""
        kept = [np.ones(len(self.of_b))]
        for column in self.columns:
            more = [*kept, np.array(column)]
            kept = more if np.linalg.matrix_rank(np.array(more)) == len(more) else kept
        whole = np.stack([kept[0], np.array(self.of_b, dtype=np.float64), *kept[1:]], axis=1)
        if np.linalg.matrix_rank(whole) < whole.shape[1]:
            raise UndeterminedError(NOT_APART)
        if len(whole) <= whole.shape[1]:
            raise UndeterminedError(TOO_FEW)
        return whole


def laid_out(
    of_b: Sequence[bool],
    places: Sequence[float],
    *,
    columns: Sequence[Sequence[float]] = (),
    days: Sequence[int] = (),
) -> RunOrder:
    """The layout of runs, all on one day unless `days` are given."""
    return RunOrder(
        tuple(map(bool, of_b)),
        tuple(map(float, places)),
        tuple(tuple(map(float, column)) for column in columns),
        tuple(days) or (0,) * len(of_b),
    )


@dataclass(frozen=True, eq=False)
class Design:
    """Generalised least squares for each of g choices of ratios, without an (n, n) matrix.

    Henderson's mixed model equations (Biometrics 31 (1975) 423-447, from memory): with the
    covariance P + Z C Z' of n runs, the columns W = [X, Z] and M the inverse of W' P^-1 W with
    C^-1 added at Z, the residual sum of squares of y is y' P^-1 y less u' M u, u = W' P^-1 y.
    """

    log_prior: FloatArray  # shape (g,)
    scatters: tuple[_Scatter, ...]  # P of each choice of spread and walk
    scatter: npt.NDArray[np.int_]  # (g,): the index of each choice's P
    columns: FloatArray  # (g, m, n): W' P^-1
    inner: FloatArray  # (g, m, m): M
    dof: int

    def squares(self, y: FloatArray) -> FloatArray:
        """Residual sum of squares, shape (k, g), of figures of shape (k, n)."""
        whole = np.stack([np.sum(y.T * one.solved(y.T), axis=0) for one in self.scatters])
        along = self.columns @ y.T
        explained = np.sum(along * (self.inner @ along), axis=1)
        return np.asarray(np.maximum(whole[self.scatter] - explained, 0.0).T)

    @property
    def estimate(self) -> FloatArray:
        """Weights of the values in the difference, shape (g, n)."""
        return np.asarray((self.inner[:, 1:2] @ self.columns)[:, 0])

    @property
    def variance(self) -> FloatArray:
        """Of the difference, in run variances, shape (g,)."""
        return self.inner[:, 1, 1]


@dataclass(frozen=True, eq=False)
class _Scatter:
    """Covariance of the runs' own scatter and a walk: tridiagonal for steps from run to run."""

    order: npt.NDArray[np.intp]  # shape (n,): the runs by day and place
    is_first: npt.NDArray[np.bool_]  # (n,): whether that is the day's first
    root: FloatArray  # (2, n): Cholesky factor, upper form of LAPACK's band storage

    def solved(self, values: FloatArray) -> FloatArray:
        """The inverse covariance times values of shape (n, k)."""
        steps = values[self.order]
        steps[1:] -= np.where(self.is_first[1:, None], 0.0, values[self.order[:-1]])
        found = cho_solve_banded((self.root, False), steps, check_finite=False)
        back = found.copy()
        back[:-1] -= np.where(self.is_first[1:, None], 0.0, found[1:])
        result = np.empty_like(back)
        result[self.order] = back
        return result

    @property
    def log_determinant(self) -> float:
        """Of the covariance."""
        return 2 * float(np.sum(np.log(self.root[1])))


@lru_cache(maxsize=512)
def design_of(account: Account, layout: RunOrder) -> Design:
    """What an account makes of runs laid out so.

    Raises
    ------
    UndeterminedError
        If a column goes wholly with the build, or leaves too few runs.
    """
    fixed, p, day = layout.fixed(), np.array(layout.places), np.array(layout.days)
    days = sorted(set(layout.days))
    middle = np.stack([np.where(day == d, p - p[day == d].mean(), 0.0) for d in days], axis=1)
    later = [(d, place) for d in days for place in np.unique(p[day == d])[1:]]
    if len(later) > MOST_JUMPS:
        rows_kept = np.linspace(0, len(later) - 1, MOST_JUMPS).round().astype(int)
        later = [later[i] for i in rows_kept]
    leaps = [((day == d) & (p >= place)).astype(np.float64)[:, None] for d, place in later]
    scatters: dict[tuple[float, float], _Scatter] = {}
    rows = []
    for choice in product(account.spreads, account.trends, account.walks, account.jumps):
        (ratio, steady, step, leap), weights = zip(*choice, strict=True)
        scatter = scatters.setdefault((ratio, step), _scatter(ratio, step, fixed[:, 1], p, day))
        found = [[(leap, one)] for one in leaps] if leap and leaps else [[]]
        share, index = math.prod(weights) / len(found), list(scatters).index((ratio, step))
        for drifts in found:
            drifts += [(steady, middle)] if steady else []
            rows.append((index, *_least_squares(scatter, fixed, drifts, share)))
    of, log_prior, columns, inner = zip(*rows, strict=True)
    most = max(map(len, inner))
    wide = np.zeros((len(rows), most, len(p)))
    square = np.zeros((len(rows), most, most))
    for i, (one, other) in enumerate(zip(columns, inner, strict=True)):
        wide[i, : len(one)], square[i, : len(other), : len(other)] = one, other
    found_all = tuple(scatters.values())
    dof = len(fixed) - fixed.shape[1]
    return Design(np.array(log_prior), found_all, np.array(of), wide, square, dof)


def _scatter(
    ratio: float, step: float, of_b: FloatArray, places: FloatArray, day: npt.NDArray[np.int_]
) -> _Scatter:
    """Of runs whose variances are in that ratio, with a walk of that variance a place."""
    order = np.lexsort((places, day))
    is_first = np.diff(day[order], prepend=day.min() - 1) != 0
    own = np.where(of_b > 0, math.sqrt(ratio), 1 / math.sqrt(ratio))[order]
    before = np.where(is_first, 0.0, np.roll(own, 1))
    walked = np.where(is_first, 0.0, np.diff(places[order], prepend=0.0))
    band = np.stack([-before, own + before + step * walked])
    return _Scatter(order, is_first, cholesky_banded(band, check_finite=False))


def _least_squares(
    scatter: _Scatter, fixed: FloatArray, drifts: Drifts, share: float
) -> tuple[float, FloatArray, FloatArray]:
    """One row of a design: log prior with the determinants, weighted columns, inner matrix."""
    whole = np.concatenate([fixed, *(columns for _, columns in drifts)], axis=1)
    variances = [value for value, columns in drifts for _ in range(columns.shape[1])]
    columns = scatter.solved(whole).T
    normal = columns @ whole
    drifting = np.arange(fixed.shape[1], len(normal))
    normal[drifting, drifting] += 1 / np.array(variances)
    determinants = scatter.log_determinant + float(np.linalg.slogdet(normal)[1])
    determinants += float(np.sum(np.log(variances)))
    return math.log(share) - 0.5 * determinants, columns, np.linalg.inv(normal)
