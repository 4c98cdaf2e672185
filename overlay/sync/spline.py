"""Uniform cubic B-splines as narrow rows: each value touches a few neighbouring coefficients.

The basis functions are the cardinal cubic B-splines (de Boor, A Practical Guide to Splines).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from overlay.timebase import FloatArray

IntArray = npt.NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Grid:
    """Evenly spaced knots.

    Attributes
    ----------
    start_s, step_s : float
        Time of the first knot and the spacing, seconds.
    intervals : int
        Spaces between knots; there are ``intervals + 3`` coefficients.
    """

    start_s: float
    step_s: float
    intervals: int

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
    """A matrix whose rows are zero but for `width` neighbouring entries.

    Attributes
    ----------
    first : ndarray of int, shape (n,)
        Column of the first entry of each row.
    values : ndarray of float, shape (n, width)
        The entries.
    """

    first: IntArray
    values: FloatArray

    def __len__(self) -> int:
        return len(self.first)

    def times(self, x: FloatArray) -> FloatArray:
        """Product with a vector, shape (n,)."""
        columns = self.first[:, None] + np.arange(self.values.shape[1])
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
    """Rows that give the mean of ``w + tau dw/dt`` over spans, for any tau.

    Attributes
    ----------
    mean, slope : Rows
        Of w and of its derivative; the same columns.
    """

    mean: Rows
    slope: Rows

    @staticmethod
    def over(grid: Grid, t_s: FloatArray, span_s: FloatArray) -> MeanRows:
        """Means over a span round each time.

        That of w is Simpson's rule, exact for a cubic; that of its derivative is exact always.
        """
        half = span_s / 2
        before, at, after = (basis(grid, t_s + k * half) for k in (-1, 0, 1))
        return MeanRows(
            added([(before, 1 / 6), (at, 2 / 3), (after, 1 / 6)]),
            added([(before, -1 / span_s), (at, 0.0), (after, 1 / span_s)]),
        )

    def at(self, smoothing_s: float) -> Rows:
        """The rows for one smoothing."""
        return Rows(self.mean.first, self.mean.values + smoothing_s * self.slope.values)


def banded_gram(rows: Rows, weight: FloatArray, size: int, band: int) -> FloatArray:
    """Weighted normal matrix in lower banded form, shape (band + 1, size)."""
    gram = np.zeros((band + 1, size))
    width = rows.values.shape[1]
    for k in range(width):
        for lower in range(k, width):
            product = weight * rows.values[:, k] * rows.values[:, lower]
            gram[lower - k] += np.bincount(rows.first + k, product, minlength=size)[:size]
    return gram


def transposed_times(rows: Rows, right: FloatArray, size: int) -> FloatArray:
    """Transpose of the rows times a matrix, shape (size, columns)."""
    import scipy.sparse

    n, width = rows.values.shape
    columns = (rows.first[:, None] + np.arange(width)).ravel()
    pointers = np.arange(0, n * width + 1, width)
    matrix: Any = scipy.sparse.csr_array((rows.values.ravel(), columns, pointers), shape=(n, size))
    product: FloatArray = np.asarray(matrix.T @ right)
    return product
