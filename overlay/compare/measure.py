"""Uncertainty of measured values after the GUM (JCGM 100:2008), with a shared part kept apart.

The runs of a day share receiver and clock, so an error of the lag enters each run's split with
the same sign and does not average out. What it is worth for a difference of two builds:

* Launch and goal taken from the same corrected log lie on the same axis. A lag that is wrong by
  d shifts both by d and cancels within each split already.
* Where the picture has a share w in the launch (see `overlay.runs.model.Launch`), the split of
  that run is wrong by w d. With the same w in both builds the difference is free of d; with
  different shares (w_A - w_B) d is left. That is what full correlation (the default) gives:
  ``|c_A - c_B|`` for common parts c = w u(d).
* A wrong share of smoothing in the lag, with the sum right, bends the curve: to first order the
  speed is wrong by tau u(tau) times the jerk. A goal passed at steady acceleration does not move
  by it. It differs between builds only as far as their jerk does, and no timing error describes
  it; where it matters give it as part of each run's own sigma, or as a common part with a
  correlation below 1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from overlay.compare.welch import satterthwaite, t_quantile
from overlay.errors import UsageError
from overlay.timebase import FloatArray


@dataclass(frozen=True)
class Measured:
    """A value with its standard uncertainty.

    Attributes
    ----------
    value : float
    sigma : float
        Standard uncertainty without the common part, same unit, >= 0.
    dof : float
        Effective degrees of freedom of `sigma`; infinite where it is known.
    common_sigma : float
        Standard uncertainty of the part common to the day (the lag's share), >= 0.
    """

    value: float
    sigma: float
    dof: float = math.inf
    common_sigma: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and self.sigma >= 0 and self.common_sigma >= 0):
            raise UsageError(
                f"value {self.value} with uncertainties {self.sigma} and {self.common_sigma}: "
                "must be finite, the uncertainties not below 0"
            )

    @property
    def total_sigma(self) -> float:
        """Both parts together, as for the value taken by itself."""
        return math.hypot(self.sigma, self.common_sigma)

    def interval(self, level: float = 0.05) -> tuple[float, float]:
        """Two-sided coverage interval at 1 - level, both parts included.

        Examples
        --------
        >>> low, high = Measured(10.0, 1.0).interval()
        >>> round(low, 2), round(high, 2)
        (8.04, 11.96)
        """
        half = expanded(self.parts(), level).half
        return self.value - half, self.value + half

    def parts(self) -> tuple[tuple[float, float], ...]:
        """Uncertainty components as (sigma, dof)."""
        return (self.sigma, self.dof), (self.common_sigma, math.inf)


@dataclass(frozen=True)
class Expanded:
    """Combined uncertainty, its effective degrees of freedom and the half width it gives."""

    sigma: float
    dof: float
    half: float


def expanded(
    parts: Sequence[tuple[float, float]], level: float = 0.05, *, whole_dof: bool = False
) -> Expanded:
    """Combine independent components and expand by Student's t (JCGM 100:2008, annex G).

    Parameters
    ----------
    parts : sequence of (sigma, dof)
        Standard uncertainty components, already times their sensitivities.
    whole_dof : bool
        Round effective degrees of freedom down to a whole number, as G.4.1 advises for tables.

    Examples
    --------
    JCGM 100:2008 example H.1, an end gauge, components in nm:

    >>> e = expanded([(25, 18), (9.7, 25.6), (2.9, 50), (16.7, 2)], 0.01, whole_dof=True)
    >>> round(e.sigma), e.dof, round(e.half)
    (32, 16.0, 93)
    """
    variance, dof = satterthwaite([(sigma**2, dof) for sigma, dof in parts])
    if whole_dof and math.isfinite(dof):
        dof = float(max(math.floor(dof), 1))
    sigma = math.sqrt(variance)
    return Expanded(sigma, dof, t_quantile(dof, 1 - level / 2) * sigma if sigma > 0 else 0.0)


def propagate(sensitivities: FloatArray, covariance: FloatArray) -> float:
    """Standard uncertainty of a function of correlated inputs (JCGM 100:2008, 5.2.2, eq. 13).

    Parameters
    ----------
    sensitivities : ndarray, shape (n,)
        Partial derivatives at the estimates.
    covariance : ndarray, shape (n, n)

    Examples
    --------
    Ten resistors of 1 kohm calibrated against one standard (JCGM 100:2008, 5.2.2, example):
    their sum's uncertainty is ten times 0.1 ohm, not sqrt(10) times.

    >>> round(propagate(np.ones(10), np.full((10, 10), 0.01)), 6)
    1.0
    """
    c = np.asarray(sensitivities, dtype=np.float64)
    return math.sqrt(max(float(c @ covariance @ c), 0.0))


def difference(first: Measured, second: Measured, *, common_correlation: float = 1.0) -> Measured:
    """First less second, their common parts correlated.

    Parameters
    ----------
    common_correlation : float, -1 to 1
        Of the two common parts: 1 for runs that share receiver, clock and lag (they cancel as
        far as they are equal), 0 for different days or receivers (they add in quadrature).

    Returns
    -------
    Measured
        `common_sigma` holds what is left of the common parts.

    Examples
    --------
    >>> d = difference(Measured(5.0, 0.03, 4, 0.02), Measured(4.7, 0.04, 4, 0.02))
    >>> round(d.value, 3), round(d.sigma, 3), d.common_sigma
    (0.3, 0.05, 0.0)
    """
    left = left_over(first.common_sigma, second.common_sigma, common_correlation)
    parts = [(first.sigma**2, first.dof), (second.sigma**2, second.dof)]
    variance, dof = satterthwaite(parts)
    return Measured(first.value - second.value, math.sqrt(variance), dof, left)


def left_over(first: float, second: float, correlation: float) -> float:
    """What a difference keeps of two correlated common parts (JCGM 100:2008, eq. 16)."""
    if not -1 <= correlation <= 1:
        raise UsageError(f"correlation {correlation:g}: must be from -1 to 1")
    variance = first**2 + second**2 - 2 * correlation * first * second
    return math.sqrt(max(variance, 0.0))
