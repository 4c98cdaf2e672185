"""How far runs of one build scatter, never taken to be less than their own measurement's.

The spread of n values holds the runs' own scatter and the measurement's. A few values can agree
by luck, better than they were measured. With the measurement variance f^2 as a floor and a prior
flat in log(variance) above it, the precision 1/variance has a gamma posterior with shape
(n - 1)/2 and rate (n - 1) s^2 / 2, cut off at 1/f^2. Its first two moments give back a spread
and degrees of freedom for Student's t; without a floor these are s and n - 1 exactly, and where
the floor rules, the degrees of freedom rise because the variance is then nearly known.
"""

from __future__ import annotations

import math

from overlay.errors import UsageError

_NEGLIGIBLE = 1e-9


def floored(sd: float, n: int, floor: float) -> tuple[float, float]:
    """Spread and degrees of freedom to judge by, with measurement uncertainty as a floor.

    Parameters
    ----------
    sd : float
        Standard deviation of the values, >= 0.
    n : int
        Number of values, >= 2.
    floor : float
        Root mean square of the values' own standard uncertainties, >= 0, same unit.

    Returns
    -------
    spread, dof : float
        `spread` is at least `floor`.

    Examples
    --------
    >>> floored(0.1, 5, 0.0)
    (0.1, 4.0)
    >>> spread, dof = floored(0.01, 3, 0.05)
    >>> spread > 0.05, dof > 2
    (True, True)
    """
    if n < 2 or not (sd >= 0 and floor >= 0):
        raise UsageError(f"spread {sd:g} of {n} values over a floor of {floor:g}: out of range")
    if floor == 0:
        return sd, n - 1.0
    first, second = _moments((n - 1) / 2, (n - 1) / 2 * (sd / floor) ** 2)
    spread = floor / math.sqrt(first)
    return spread, 2 * first**2 / (second - first**2)


def _moments(shape: float, rate: float) -> tuple[float, float]:
    """E[x] and E[x^2] of a gamma variable cut off at 1."""
    from scipy.special import gammainc

    if rate < _NEGLIGIBLE:
        return shape / (shape + 1), shape / (shape + 2)
    mass = gammainc(shape, rate)
    first = shape / rate * gammainc(shape + 1, rate) / mass
    second = shape * (shape + 1) / rate**2 * gammainc(shape + 2, rate) / mass
    return float(first), float(second)
