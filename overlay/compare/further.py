"""How many further runs would tell: the predictive probability of a decision.

The spread seen in a few runs is itself a rough estimate, so putting it into a power formula
names too few runs. Here the unknown means and spread are drawn from what the runs so far say of
them, further runs are drawn from those, and the whole test is made again on all runs together:
the share of draws that end decided is the probability of a decision (predictive power, or
assurance; Spiegelhalter, Freedman and Blackburn, Controlled Clinical Trials 7 (1986) 8-17, from
memory). The draws are the same for the same input.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from overlay.compare.measure import left_over
from overlay.timebase import FloatArray

WANTED = 0.8
MOST_FURTHER = 100  # beyond this no club day answers it
ONE_RUN_START = 2  # further runs of each build that make a first judgement possible
_DRAWS = 2000
# A third of the way from the prior 1/sd to the 1/sd^3 of Jeffreys' rule for two means and a
# spread; our own choice between the two, so that the named numbers decide as often as they say
# (tests/benchmarks/accuracy/days.py).
_PRIOR_SHAPE = 1 / 3


@dataclass(frozen=True)
class Group:
    """Runs of one build so far: count (>= 2), mean, spread, measurement floor, common part."""

    n: int
    mean: float
    sd: float
    floor: float
    common_sigma: float


@dataclass(frozen=True, eq=False)
class _Draws:
    """Possible truths and the luck of further runs, shape (draws,) or (2, draws)."""

    sd: FloatArray
    mean: FloatArray
    luck_mean: FloatArray
    luck_spread: FloatArray
    common: float


def further_runs(
    a: Group,
    b: Group,
    *,
    margin: float,
    level: float = 0.05,
    common_correlation: float = 1.0,
    wanted: float = WANTED,
) -> int | None:
    """Fewest further runs of each build that decide with probability `wanted`.

    Decided means real or no difference worth noticing, at `level`, on all runs together.

    Returns
    -------
    int or None
        None if even `MOST_FURTHER` runs of each build would not do.
    """
    draws = _drawn(a, b, left_over(a.common_sigma, b.common_sigma, common_correlation))

    def enough(more: int) -> bool:
        return bool(np.mean(_decided(a, b, draws, more, margin, level)) >= wanted)

    low, high = 0, 1
    while not enough(high):
        if high >= MOST_FURTHER:
            return None
        low, high = high, min(2 * high, MOST_FURTHER)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def _drawn(a: Group, b: Group, common: float) -> _Draws:
    """Draw what may be true, given the runs so far.

    One spread serves both builds here: same vehicle, driver and track. This is for planning
    only; the tests never assume it. The prior of the spread is flat in its logarithm but for
    `_PRIOR_SHAPE`.
    """
    from scipy.special import gammainc, gammaincinv

    rng = np.random.default_rng(1947)
    dof = a.n + b.n - 2
    shape = dof / 2 + _PRIOR_SHAPE
    uniform = rng.uniform(size=_DRAWS)
    squares = (a.n - 1) * a.sd**2 + (b.n - 1) * b.sd**2
    floor2 = (a.floor**2 + b.floor**2) / 2
    if squares <= 1e-9 * floor2 * dof:
        precision: Any = uniform ** (1 / shape) / floor2
    elif floor2 > 0:
        most = gammainc(shape, squares / (2 * floor2))
        precision = gammaincinv(shape, uniform * most) * 2 / squares
    else:
        precision = gammaincinv(shape, uniform) * 2 / squares
    sd = 1 / np.sqrt(np.maximum(precision, 1e-30))
    normal = rng.standard_normal((4, _DRAWS))
    mean = np.array([a.mean, b.mean])[:, None] + normal[:2] * sd / np.sqrt([[a.n], [b.n]])
    luck_spread = rng.uniform(size=(2, _DRAWS))
    return _Draws(sd, mean, normal[2:], luck_spread, common)


def _decided(
    a: Group, b: Group, draws: _Draws, more: int, margin: float, level: float
) -> npt.NDArray[np.bool_]:
    """Whether each draw ends decided after `more` further runs of each build."""
    from scipy.special import gammaincinv, stdtr

    means, variances, dofs = [], [], []
    for i, group in enumerate((a, b)):
        new_mean = draws.mean[i] + draws.luck_mean[i] * draws.sd / math.sqrt(more)
        within: Any = 0.0
        if more > 1:
            within = 2 * gammaincinv((more - 1) / 2, draws.luck_spread[i]) * draws.sd**2
        n = group.n + more
        apart = new_mean - group.mean
        squares = (group.n - 1) * group.sd**2 + within + group.n * more / n * apart**2
        means.append((group.n * group.mean + more * new_mean) / n)
        variances.append(np.maximum(squares / (n - 1), group.floor**2) / n)
        dofs.append(n - 1)
    total = variances[0] + variances[1] + draws.common**2
    dof = total**2 / (variances[0] ** 2 / dofs[0] + variances[1] ** 2 / dofs[1])
    error, apart = np.sqrt(total), np.abs(means[1] - means[0])
    real = stdtr(dof, -apart / error) <= level / 2
    alike = stdtr(dof, (apart - margin) / error) <= level
    decided: npt.NDArray[np.bool_] = real | alike
    return decided
