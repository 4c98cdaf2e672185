"""A number as it is told: with unit, source, and an interval or the reason why there is none."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from overlay.timebase import FloatArray
from overlay.units import Z95


@dataclass(frozen=True)
class Figure:
    """One number."""

    name: str
    value: float
    unit: str  # empty for a ratio
    source: str  # what it comes from: runs, sheet, formula
    # 95 % interval.
    low: float | None = None
    high: float | None = None
    why: str = ""  # why there is none
    limit: float | None = None  # what is stated or usual as a limit, in the same unit
    limit_from: str = ""  # whose limit it is

    @property
    def digits(self) -> int:
        """Decimals that are shown."""
        size = abs(self.value)
        return 0 if size >= 100 else 1 if size >= 20 else 2

    @property
    def is_below_zero(self) -> bool:
        """Whether all of the interval is below 0 as it is shown: one that rounds to 0 is not."""
        return self.high is not None and round(self.high, self.digits) < 0

    @property
    def is_above_zero(self) -> bool:
        """Whether all of it is above."""
        return self.low is not None and round(self.low, self.digits) > 0


def drawn(name: str, values: FloatArray, unit: str, source: str) -> Figure:
    """A figure from draws: their median and the middle 95 %; draws that are NaN are left out."""
    low, middle, high = np.nanquantile(values, (0.025, 0.5, 0.975))
    return Figure(name, float(middle), unit, source, float(low), float(high))


@dataclass(frozen=True)
class Known:
    """An input and its standard uncertainty, in the same unit."""

    value: float
    sigma: float = 0.0


def spread(of: Callable[..., float], *inputs: Known) -> tuple[float, float]:
    """What a formula gives, and the half width of its 95 % interval.

    Law of propagation for uncorrelated inputs, with slopes from central differences of one
    standard uncertainty (JCGM 100:2008, 5.1.2 and 5.1.3 note 2).

    Examples
    --------
    >>> spread(lambda a, b: a * b, Known(3.0, 0.1), Known(5.0))
    (15.0, 0.979982)
    """
    values = [one.value for one in inputs]

    def moved(place: int, by: float) -> float:
        return of(*[value + by * (i == place) for i, value in enumerate(values)])

    parts = [
        (moved(i, one.sigma) - moved(i, -one.sigma)) / 2
        for i, one in enumerate(inputs)
        if one.sigma
    ]
    return of(*values), round(Z95 * math.hypot(*parts), 12)


def reckoned(
    name: str,
    unit: str,
    source: str,
    of: Callable[..., float],
    inputs: Sequence[Known],
    limit: tuple[float | None, str] = (None, ""),
) -> Figure:
    """A figure from a formula, with the interval that its inputs give it."""
    value, half = spread(of, *inputs)
    return Figure(name, value, unit, source, value - half, value + half, "", *limit)
