"""A number as it is told: with unit, source, and an interval or the reason why there is none."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from overlay.timebase import FloatArray


@dataclass(frozen=True)
class Figure:
    """One number.

    Attributes
    ----------
    name : str
    value : float
    unit : str
        Empty for a ratio.
    source : str
        What it comes from: runs, sheet, formula.
    low, high : float or None
        95 % interval.
    why : str
        Why there is none.
    limit : float or None
        What is stated or usual as a limit, in the same unit.
    limit_from : str
        Whose limit it is.
    """

    name: str
    value: float
    unit: str
    source: str
    low: float | None = None
    high: float | None = None
    why: str = ""
    limit: float | None = None
    limit_from: str = ""


def drawn(name: str, values: FloatArray, unit: str, source: str) -> Figure:
    """A figure from draws: their median and the middle 95 %; draws that are NaN are left out."""
    low, middle, high = np.nanquantile(values, (0.025, 0.5, 0.975))
    return Figure(name, float(middle), unit, source, float(low), float(high))
