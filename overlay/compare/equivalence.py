"""Two one-sided tests: is a difference provably smaller than a margin?

Schuirmann, J. Pharmacokinetics and Biopharmaceutics 15 (1987) 657-680 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

from overlay.compare.welch import Sample, pooled, t_upper_tail, welch
from overlay.errors import UsageError


@dataclass(frozen=True)
class Equivalence:
    """Two one-sided tests against -margin and +margin.

    Attributes
    ----------
    t_low, t_high : float
        Statistics against -margin (large and positive when alike) and +margin (negative).
    df : float
    p : float
        The larger of the two one-sided p-values; small means provably within the margin.
    """

    t_low: float
    t_high: float
    df: float
    p: float


def two_one_sided(
    difference: float, standard_error: float, df: float, margin: float
) -> Equivalence:
    """Test whether a difference lies within ±margin, from its error and degrees of freedom.

    Raises
    ------
    UsageError
        If margin or standard error is not above 0.
    """
    if not (margin > 0 and standard_error > 0):
        raise UsageError(
            f"margin {margin:g} with standard error {standard_error:g}: both must be above 0"
        )
    t_low = (difference + margin) / standard_error
    t_high = (difference - margin) / standard_error
    p = max(t_upper_tail(t_low, df), t_upper_tail(-t_high, df))
    return Equivalence(t_low, t_high, df, p)


def equivalent(
    first: Sample, second: Sample, margin: float, *, equal_spread: bool = False
) -> Equivalence:
    """Test whether two groups' means differ by less than `margin`.

    Examples
    --------
    >>> e = equivalent(Sample(20, 5.0, 0.1), Sample(20, 5.01, 0.1), 0.1)
    >>> e.p < 0.05
    True
    """
    test = (pooled if equal_spread else welch)(first, second)
    return two_one_sided(test.difference, test.standard_error, test.df, margin)
