"""Uniform cubic B-splines as narrow rows: each value touches a few neighbouring coefficients.

The basis functions are the cardinal cubic B-splines (de Boor, A Practical Guide to Splines).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from overlay.timebase import FloatArray

IntArray = npt.NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Grid:
    """Evenly spaced knots."""

    # Time of the first knot and the spacing, seconds
    start_s: float
    step_s: float
    intervals: int  # Spaces between knots; there are ``intervals + 3`` coefficients

    @property
    def size(self) -> int:
        """How many coefficients there are."""
        return self.intervals + 3

    @property
    def end_s(self) -> float:
        """Time of the last knot."""
        return self.start_s + self.step_s * self.intervals


@dataclass(frozen=True, eq=False)
class Rows:
    """A matrix whose rows are zero but for `width` neighbouring entries."""

    first: IntArray  # shape (n,): column of the first entry of each row
    values: FloatArray  # shape (n, width): the entries

    def __len__(self) -> int:
        return len(self.first)

    def times(self, x: FloatArray) -> FloatArray:
        """Product with a vector, shape (n,)."""
        columns = self.first[:, None] + np.arange(self.values.shape[1])
        columns = np.minimum(columns, len(x) - 1)  # entries past the end are zero
        product: FloatArray = np.einsum("ij,ij->i", self.values, x[columns])
        return product

    def scaled(self, factor: FloatArray | float) -> Rows:
        """Each row times its factor."""
        factors = np.broadcast_to(np.asarray(factor, dtype=np.float64), (len(self),))
        return Rows(self.first, self.values * factors[:, None])


def basis(grid: Grid, t_s: FloatArray, order: int = 0) -> Rows:
    """Rows that give the spline (order 0), its first or its second derivative at times.

    Times outside the grid are taken at its nearest end.

    Examples
    --------
    >>> rows = basis(Grid(0.0, 0.5, 4), np.array([0.3, 1.7]))
    >>> rows.values.sum(axis=1).round(12).tolist()
    [1.0, 1.0]
    """
    u = np.clip((t_s - grid.start_s) / grid.step_s, 0.0, grid.intervals - 1e-9)
    first = u.astype(np.intp)
    f = u - first
    if order == 0:
        parts = ((1 - f) ** 3, 3 * f**3 - 6 * f**2 + 4, -3 * f**3 + 3 * f**2 + 3 * f + 1, f**3)
        scale = 1 / 6
    elif order == 1:
        parts = (-((1 - f) ** 2), 3 * f**2 - 4 * f, -3 * f**2 + 2 * f + 1, f**2)
        scale = 0.5 / grid.step_s
    else:
        parts = (1 - f, 3 * f - 2, 1 - 3 * f, f)
        scale = 1 / grid.step_s**2
    return Rows(first, np.stack(parts, axis=1) * scale)


def added(pieces: list[tuple[Rows, FloatArray | float]]) -> Rows:
    """Sum of row sets, each times a factor; rows grow as wide as they must."""
    first = np.min([rows.first for rows, _ in pieces], axis=0)
    width = max(
        int(np.max(rows.first - first, initial=0)) + rows.values.shape[1] for rows, _ in pieces
    )
    values = np.zeros((len(first), width))
    index = np.arange(len(first))
    for rows, factor in pieces:
        shift = rows.first - first
        part = rows.scaled(factor).values
        for k in range(part.shape[1]):
            values[index, shift + k] += part[:, k]
    return Rows(first, values)


@dataclass(frozen=True, eq=False)
class MeanRows:
    """Rows that give the means of ``w + tau dw/dt`` and of its derivative over spans."""

    # Of w and of its first two derivatives; the same columns
    mean: Rows
    slope: Rows
    bend: Rows
    # The same of the value before each, laid out in the columns of its own row
    mean_before: Rows
    slope_before: Rows
    bend_before: Rows

    @staticmethod
    def over(
        grid: Grid, t_s: FloatArray, span_s: FloatArray, joined: npt.NDArray[np.bool_]
    ) -> MeanRows:
        """Means over a span round each time; `joined` values follow the one before.

        That of w is Simpson's rule, exact for a cubic; that of its derivative is exact always.
        """
        half = span_s / 2
        before, at, after = (basis(grid, t_s + k * half) for k in (-1, 0, 1))
        mean = added([(before, 1 / 6), (at, 2 / 3), (after, 1 / 6)])
        slope = added([(before, -1 / span_s), (at, 0.0), (after, 1 / span_s)])
        first, last = (basis(grid, t_s + k * half, 1) for k in (-1, 1))
        bend = added([(first, -1 / span_s), (at, 0.0), (last, 1 / span_s)])
        mean, mean_before = beside_previous(mean, joined)
        slope, slope_before = beside_previous(slope, joined)
        bend, bend_before = beside_previous(bend, joined)
        return MeanRows(mean, slope, bend, mean_before, slope_before, bend_before)

    def speed(self, smoothing_s: float) -> tuple[Rows, FloatArray]:
        """Rows of the mean speed for one smoothing, and the entries of the rows before."""
        rows = Rows(self.mean.first, self.mean.values + smoothing_s * self.slope.values)
        return rows, self.mean_before.values + smoothing_s * self.slope_before.values

    def acceleration(self, smoothing_s: float) -> tuple[Rows, FloatArray]:
        """Rows of the mean acceleration, and the entries of the rows before."""
        rows = Rows(self.mean.first, self.slope.values + smoothing_s * self.bend.values)
        return rows, self.slope_before.values + smoothing_s * self.bend_before.values


def beside_previous(rows: Rows, joined: npt.NDArray[np.bool_]) -> tuple[Rows, Rows]:
    """Rows and those before each, both in columns that hold both; zero where not joined."""
    if not len(rows):
        return rows, rows
    first = np.where(joined, np.roll(rows.first, 1), rows.first)
    before = Rows(first, np.roll(rows.values, 1, axis=0) * joined[:, None])
    return added([(rows, 1.0), (before, 0.0)]), added([(rows, 0.0), (before, 1.0)])


def banded_gram(rows: Rows, weight: FloatArray, size: int, band: int) -> FloatArray:
    """Weighted normal matrix in lower banded form, shape (band + 1, size).

    The rows' first columns must not decrease.
    """
    gram = np.zeros((band + 1, size + band + 1))  # wide rows at the end reach past it
    if not len(rows):
        return gram[:, :size]
    left, right = _pairs(rows.values.shape[1])
    products = (weight[:, None] * rows.values)[:, left] * rows.values[:, right]
    starts, first = _groups(rows)
    sums = np.add.reduceat(products, starts, axis=0)
    for k in range(len(left)):
        gram[right[k] - left[k], first + left[k]] += sums[:, k]
    return gram[:, :size]


@lru_cache(maxsize=32)
def _pairs(width: int) -> tuple[IntArray, IntArray]:
    left, right = np.triu_indices(width)
    return left, right


def transposed_times(rows: Rows, right: FloatArray, size: int) -> FloatArray:
    """Transpose of the rows times a matrix, shape (size, columns)."""
    from scipy.sparse import csc_array

    if not len(rows):
        return np.zeros((size, right.shape[1]))
    width = rows.values.shape[1]
    place = rows.first[:, None] + np.arange(width)
    starts = np.arange(0, place.size + 1, width)
    across = csc_array(
        (rows.values.ravel(), place.ravel(), starts), shape=(size + width, len(rows))
    )
    return np.asarray(across @ right, dtype=np.float64)[:size]


def _groups(rows: Rows) -> tuple[IntArray, IntArray]:
    """Where runs of equal first columns start, and those columns."""
    starts = np.concatenate([[0], np.flatnonzero(np.diff(rows.first)) + 1])
    return starts, rows.first[starts]
