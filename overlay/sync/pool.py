"""Pooling the runs of a day that share receiver and clock, and testing that the lag is constant."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from overlay.sync.model import Alignment
from overlay.units import Z95

CONSTANT_P = 0.05


@dataclass(frozen=True)
class Pooled:
    """One lag for several runs."""

    lag_s: float  # Weighted mean
    # 95 % interval of the mean; widened when the runs differ by more than their intervals
    interval_s: tuple[float, float]
    runs: int  # How many were pooled
    # Test that all runs have one lag
    chi_square: float
    p_value: float
    constant: bool  # Whether the test finds no change (p >= 0.05)
    # Standard deviation of the lag from run to run beyond measurement; 0 when constant
    spread_s: float
    note: str  # In words


def _values(alignments: Sequence[Alignment]) -> list[tuple[float, float]]:
    """Lag and sigma of each usable run: the readout lag where known for all, else the total."""
    usable = [a for a in alignments if a.determined and a.interval_s is not None]
    lags = all(a.readout_lag_s is not None for a in usable)
    found = []
    for a in usable:
        value = a.readout_lag_s if lags else a.total_offset_s
        interval = a.readout_lag_interval_s if lags else a.interval_s
        if value is not None and interval is not None:
            found.append((value, (interval[1] - interval[0]) / (2 * Z95)))
    return found


def _p(value: float) -> str:
    return "p < 0.001" if value < 0.001 else f"p = {value:.3f}"


def pool(alignments: Sequence[Alignment]) -> Pooled | None:
    """Pool runs that share receiver and clock; None when no run is determined.

    Takes the readout lag where every determined run has one, else the total offset (then the
    runs must share the log's clock and one footage clock).

    Notes
    -----
    Inverse-variance mean with Cochran's Q as the test of constancy; where it fails, the
    between-run variance of DerSimonian and Laird 1986 widens the mean, with Student's t for
    its few degrees of freedom (Hartung and Knapp 2001). Stated from memory.

    Examples
    --------
    >>> one = Alignment(determined=True, total_offset_s=1.0, interval_s=(0.9, 1.1))
    >>> two = Alignment(determined=True, total_offset_s=1.1, interval_s=(1.0, 1.2))
    >>> both = pool([one, two])
    >>> round(both.lag_s, 3), both.constant
    (1.05, True)
    """
    found = _values(alignments)
    if not found:
        return None
    value = np.array([v for v, _ in found])
    variance = np.maximum(np.array([s for _, s in found]), 1e-6) ** 2
    weight = 1 / variance
    mean = float(weight @ value / np.sum(weight))
    q = float(weight @ (value - mean) ** 2)
    free = len(found) - 1
    if free == 0:
        half = Z95 * math.sqrt(float(variance[0]))
        return Pooled(mean, (mean - half, mean + half), 1, 0.0, 1.0, True, 0.0, "one run only")
    from scipy.stats import chi2, t

    p_value = float(chi2.sf(q, free))
    if p_value >= CONSTANT_P:
        half = Z95 / math.sqrt(float(np.sum(weight)))
        note = f"{len(found)} runs agree on one lag (p = {p_value:.2f})"
        return Pooled(mean, (mean - half, mean + half), len(found), q, p_value, True, 0.0, note)
    scale = float(np.sum(weight) - np.sum(weight**2) / np.sum(weight))
    between = max((q - free) / scale, 0.0)
    weight = 1 / (variance + between)
    mean = float(weight @ value / np.sum(weight))
    error = float(weight @ (value - mean) ** 2) / (free * float(np.sum(weight)))
    half = float(t.ppf(0.975, free)) * math.sqrt(error)
    note = (
        f"the lag differs between runs ({_p(p_value)}, {math.sqrt(between):.3f} s from run "
        "to run): each run keeps its own"
    )
    spread = math.sqrt(between)
    return Pooled(mean, (mean - half, mean + half), len(found), q, p_value, False, spread, note)
