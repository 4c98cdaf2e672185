"""How many further runs would tell: the predictive probability of a decision.

The spread seen in a few runs is itself a rough estimate, so putting it into a power formula
names too few runs. Here the unknown means and spread are drawn from what the runs so far say of
them, further runs are drawn from those, driven in turns, and the whole is judged again on all
runs together: the share of draws that end decided is the probability of a decision (predictive
power, or assurance; Spiegelhalter, Freedman and Blackburn, Controlled Clinical Trials 7 (1986)
8-17, from memory). The draws are the same for the same input.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.special import gammainc, gammaincinv

from overlay.compare.equations import RunOrder, laid_out
from overlay.compare.mixed import ACCOUNTS, difference_of
from overlay.timebase import FloatArray

WANTED = 0.8
STEPS = (1, 2, 3, 4, 5, 6, 8, 10, 14, 20)  # beyond the last no club day answers it
ONE_RUN_START = 2  # further runs of each build that make a first judgement possible
_DRAWS, _PLAN_DRAWS = 200, 1000
# Of builds driven in turns the account of a day with a jump says the same, and takes longest.
PLANNED = ACCOUNTS[:2]
# A third of the way from the prior 1/sd to the 1/sd^3 of Jeffreys' rule for two means and a
# spread; our own choice between the two.
_PRIOR_SHAPE = 1 / 3


@dataclass(frozen=True, eq=False)
class Driven:
    """Runs so far: values, build and place of each; measurement floor; what a build shares.

    `ways` (1 or -1 each) is empty where all went the same way.
    """

    values: FloatArray
    of_b: tuple[bool, ...]
    places: tuple[float, ...]
    floor: float
    shared: float
    ways: tuple[int, ...] = ()

    @property
    def layout(self) -> RunOrder:
        """With what the comparison allows for besides the builds."""
        return laid_out(self.of_b, self.places, columns=(self.ways,) if self.ways else ())

    def levelled(self) -> Driven:
        """As if all runs had gone one way: the effect of the way taken out by least squares."""
        if len(set(self.ways)) < 2:
            return self
        table = np.column_stack([np.ones(len(self.values)), self.of_b, self.ways]).astype(float)
        effect = float(np.linalg.lstsq(table, self.values)[0][2])
        return replace(self, values=self.values - effect * np.array(self.ways), ways=())


def further_runs(so_far: Driven, *, margin: float, level: float = 0.05) -> int | None:
    """Fewest further runs of each build, in turns, that decide with probability `WANTED`.

    Decided means real or no difference that matters, at `level`, on all runs together.

    Returns
    -------
    int or None
        None if even the last of `STEPS` would not do.
    """
    so_far = so_far.levelled()
    rng = np.random.default_rng(1947)
    means, sd = _truths(so_far, rng)
    luck = rng.standard_normal((2, _DRAWS, STEPS[-1]))
    return next(
        (n for n in STEPS if _decided(so_far, means, sd, luck, n, margin, level) >= WANTED),
        None,
    )


def turns(more: int) -> tuple[bool, ...]:
    """Whether b is driven, in turns that a steady drift does not favour: a b b a a b ...

    Examples
    --------
    >>> "".join("ab"[b] for b in turns(3))
    'abbaab'
    """
    return tuple(bool(i % 2) != bool(i // 2 % 2) for i in range(2 * more))


def _truths(so_far: Driven, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Draw means, shape (2, draws), and the spread, shape (draws,), that may be true.

    One spread serves both builds here: same vehicle, driver and track. This is for planning
    only; the tests never assume it.
    """
    b = np.array(so_far.of_b)
    groups = [so_far.values[~b], so_far.values[b]]
    shape = (len(b) - 2) / 2 + _PRIOR_SHAPE
    squares = sum(float(np.sum((g - g.mean()) ** 2)) for g in groups)
    uniform = rng.uniform(size=_DRAWS)
    precision: Any
    if squares <= 1e-6 * so_far.floor**2 * len(b):
        precision = uniform ** (1 / shape) / so_far.floor**2
    else:
        most = gammainc(shape, squares / (2 * so_far.floor**2)) if so_far.floor else 1.0
        precision = gammaincinv(shape, uniform * most) * 2 / squares
    sd = 1 / np.sqrt(np.maximum(precision, 1e-30))
    normal = rng.standard_normal((2, _DRAWS))
    means = [g.mean() + z * sd / math.sqrt(len(g)) for g, z in zip(groups, normal, strict=True)]
    return np.array(means), sd


def _decided(
    so_far: Driven,
    means: FloatArray,
    sd: FloatArray,
    luck: FloatArray,
    more: int,
    margin: float,
    level: float,
) -> float:
    """Share of the draws that end decided after `more` further runs of each build."""
    new_b = turns(more)
    new = np.empty((_DRAWS, 2 * more))
    for b in (False, True):
        columns = [i for i, flag in enumerate(new_b) if flag == b]
        new[:, columns] = means[int(b)][:, None] + sd[:, None] * luck[int(b)][:, :more]
    old = np.broadcast_to(so_far.values, (_DRAWS, len(so_far.values)))
    last = max(so_far.places)
    after = difference_of(
        np.hstack([old, new]),
        laid_out(
            (*so_far.of_b, *new_b), (*so_far.places, *(last + 1 + i for i in range(2 * more)))
        ),
        floor=so_far.floor,
        shared=so_far.shared,
        accounts=PLANNED,
    )
    is_told = (after.p_differ() <= level) | (after.p_alike(margin) <= level)
    return float(np.mean(is_told))


def chance_of(runs: int, difference: float, sd: float, *, level: float = 0.05) -> float:
    """Chance that so many runs of each build, in turns, find a true difference.

    Parameters
    ----------
    runs : int
        Of each build, >= 2.
    difference, sd : float
        True difference and scatter of the runs, same unit, `sd` > 0.
    """
    of_b = turns(runs)
    rng = np.random.default_rng(1947)
    values = np.array(of_b) * difference + sd * rng.standard_normal((_PLAN_DRAWS, 2 * runs))
    found = difference_of(values, laid_out(of_b, range(2 * runs)), accounts=PLANNED)
    middle = sum(found.centre[0].T * found.weight[0].T)
    return float(np.mean((found.p_differ() <= level) & (middle * difference > 0)))


def runs_wanted(difference: float, sd: float, *, level: float = 0.05) -> int | None:
    """Fewest runs of each build that find a true difference with probability `WANTED`."""
    counts: Sequence[int] = range(2, STEPS[-1] + 1)
    return next((n for n in counts if chance_of(n, difference, sd, level=level) >= WANTED), None)
