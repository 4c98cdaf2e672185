"""Frozen time series with a unit: what logs give and every later stage takes."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from overlay.errors import InputError
from overlay.timebase import FloatArray


@dataclass(frozen=True, eq=False)
class Series:
    """One measured quantity over time."""

    name: str  # What it is, with the unit, such as ``speed_mps`` or ``engine_rpm``
    # shape (n,): times in seconds on the clock of whoever measured, strictly increasing, finite
    t_s: FloatArray
    values: FloatArray  # shape (n,): finite values in the unit of the name
    # shape (n,), or None: standard uncertainty of each value in the same unit, where it is known
    sigma: FloatArray | None = None
    # What the values are rounded to, in the same unit: 0 where they are not, as those that were
    # just being passed at their times; None where the values themselves show it
    step: float | None = field(default=None, kw_only=True)

    def __post_init__(self) -> None:
        if self.t_s.ndim != 1 or self.t_s.shape != self.values.shape:
            raise InputError(
                f"{self.name}: {self.t_s.shape} times but {self.values.shape} values; "
                "one time belongs to each value"
            )
        if not (bool(np.all(np.isfinite(self.t_s))) and bool(np.all(np.isfinite(self.values)))):
            raise InputError(f"{self.name}: times and values must be finite numbers")
        if len(self.t_s) > 1 and bool(np.any(np.diff(self.t_s) <= 0)):
            raise InputError(f"{self.name}: times must increase strictly")
        if self.sigma is not None and self.sigma.shape != self.values.shape:
            raise InputError(f"{self.name}: one uncertainty belongs to each value")

    def __len__(self) -> int:
        return len(self.t_s)

    @property
    def duration_s(self) -> float:
        """Seconds from the first value to the last; 0 for fewer than two values."""
        return float(self.t_s[-1] - self.t_s[0]) if len(self.t_s) > 1 else 0.0

    @property
    def median_step_s(self) -> float:
        """Median time between values in seconds; NaN with fewer than two values."""
        return float(np.median(np.diff(self.t_s))) if len(self.t_s) > 1 else float("nan")

    def at(self, t_s: FloatArray) -> FloatArray:
        """Values at other times by linear interpolation; NaN outside the record.

        Examples
        --------
        >>> s = Series("speed_mps", np.array([0.0, 1.0]), np.array([2.0, 4.0]))
        >>> s.at(np.array([0.5, 2.0])).tolist()
        [3.0, nan]
        """
        return np.interp(t_s, self.t_s, self.values, left=np.nan, right=np.nan)

    def between(self, start_s: float, end_s: float) -> Series:
        """The part with ``start_s <= t <= end_s``; may be empty."""
        keep = (self.t_s >= start_s) & (self.t_s <= end_s)
        sigma = None if self.sigma is None else self.sigma[keep]
        return replace(self, t_s=self.t_s[keep], values=self.values[keep], sigma=sigma)

    def shifted(self, by_s: float) -> Series:
        """The same values at times later by `by_s` (earlier when negative)."""
        return replace(self, t_s=self.t_s + by_s)

    def gaps(self, longer_than_s: float) -> list[tuple[float, float]]:
        """Start and end of each stretch without values that is longer than `longer_than_s`."""
        where = np.flatnonzero(np.diff(self.t_s) > longer_than_s)
        return [(float(self.t_s[i]), float(self.t_s[i + 1])) for i in where]


def stretches(flags: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First index of each stretch of True, and the index after its last.

    Examples
    --------
    >>> stretches(np.array([True, False, True, True]))
    [(0, 1), (2, 4)]
    """
    edges = np.flatnonzero(np.diff(np.r_[False, flags, False].astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]
