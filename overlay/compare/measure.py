"""Uncertainty of measured values after the GUM (JCGM 100:2008)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import ndtri, stdtrit


@dataclass(frozen=True)
class Expanded:
    """Combined uncertainty, its effective degrees of freedom and the half width it gives."""

    sigma: float
    dof: float
    half: float


def t_quantile(df: float, probability: float) -> float:
    """Quantile of Student's t; the normal one for infinite `df`."""
    return float(ndtri(probability) if math.isinf(df) else stdtrit(df, probability))


def expanded(
    parts: Sequence[tuple[float, float]], level: float = 0.05, *, whole_dof: bool = False
) -> Expanded:
    """Combine independent components and expand by Student's t (JCGM 100:2008, annex G).

    Effective degrees of freedom by the Welch-Satterthwaite formula (G.4.1, G.2b).

    Parameters
    ----------
    parts : sequence of (sigma, dof)
        Standard uncertainty components, already times their sensitivities; `dof` > 0 may be
        infinite.
    whole_dof : bool
        Round effective degrees of freedom down to a whole number, as G.4.1 advises for tables.

    Examples
    --------
    JCGM 100:2008 example H.1, an end gauge, components in nm:

    >>> e = expanded([(25, 18), (9.7, 25.6), (2.9, 50), (16.7, 2)], 0.01, whole_dof=True)
    >>> round(e.sigma), e.dof, round(e.half)
    (32, 16.0, 93)
    """
    variance = math.fsum(sigma**2 for sigma, _ in parts)
    unsure = math.fsum(sigma**4 / dof for sigma, dof in parts)
    dof = variance**2 / unsure if unsure > 0 else math.inf
    if whole_dof and math.isfinite(dof):
        dof = float(max(math.floor(dof), 1))
    sigma = math.sqrt(variance)
    return Expanded(sigma, dof, t_quantile(dof, 1 - level / 2) * sigma if sigma > 0 else 0.0)
