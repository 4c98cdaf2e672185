"""Splines as narrow rows, against scipy's B-splines and dense matrices."""

import numpy as np
import pytest
from scipy.interpolate import BSpline

from overlay.sync.spline import (
    Grid,
    MeanRows,
    Rows,
    added,
    banded_gram,
    basis,
    beside_previous,
    transposed_times,
)

GRID = Grid(-1.5, 0.4, 12)
KNOTS = GRID.start_s + GRID.step_s * np.arange(-3, GRID.intervals + 4)
TIMES = np.array([-1.5, -1.31, 0.0, 0.1, 0.5, 1.7, 2.5, 3.29])


def spline_of(coefficients: np.ndarray) -> BSpline:
    return BSpline(KNOTS, coefficients, 3)


def dense(rows: Rows, size: int = GRID.size) -> np.ndarray:
    width = rows.values.shape[1]
    whole = np.zeros((len(rows), size + width))
    for i, first in enumerate(rows.first):
        whole[i, first : first + width] = rows.values[i]
    assert not whole[:, size:].any()
    return whole[:, :size]


def test_grid__its_end_and_its_size():
    assert GRID.end_s == pytest.approx(3.3)
    assert GRID.size == 15


@pytest.mark.parametrize("order", [0, 1, 2])
def test_basis__is_scipys(rng, order):
    coefficients = rng.normal(size=GRID.size)
    known = spline_of(coefficients).derivative(order) if order else spline_of(coefficients)
    rows = basis(GRID, TIMES, order)
    np.testing.assert_allclose(rows.times(coefficients), known(TIMES), rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(dense(rows) @ coefficients, known(TIMES), rtol=1e-9, atol=1e-9)


def test_basis__beyond_the_grid_is_its_nearest_end(rng):
    coefficients = rng.normal(size=GRID.size)
    ends = basis(GRID, np.array([-9.0, 9.0])).times(coefficients)
    assert ends == pytest.approx(spline_of(coefficients)([GRID.start_s, GRID.end_s]), abs=1e-6)


def test_rows__scaled_and_added(rng):
    one, other = basis(GRID, TIMES), basis(GRID, TIMES + 0.9)
    factor = rng.normal(size=len(TIMES))
    assert dense(one.scaled(-2.0)) == pytest.approx(-2 * dense(one))
    assert dense(one.scaled(factor)) == pytest.approx(factor[:, None] * dense(one))
    both = added([(other, 3.0), (one, factor)])
    assert dense(both) == pytest.approx(3 * dense(other) + factor[:, None] * dense(one))


def test_beside__the_row_before_in_the_columns_of_both():
    joined = np.array([False, True, False, True, True, False, True, True])
    own, before = beside_previous(basis(GRID, TIMES), joined)
    assert np.array_equal(own.first, before.first)
    plain = dense(basis(GRID, TIMES))
    assert dense(own) == pytest.approx(plain)
    assert dense(before) == pytest.approx(np.roll(plain, 1, axis=0) * joined[:, None])


@pytest.mark.parametrize("smoothing_s", [0.0, 0.35])
def test_means__of_speed_and_acceleration_over_spans(rng, smoothing_s):
    """v = w + tau dw/dt; its mean and that of its derivative over each span, by integrals."""
    coefficients = rng.normal(size=GRID.size)
    w = spline_of(coefficients)
    slope = w.derivative()
    # Spans within one interval between knots, where Simpson's rule is exact.
    t_s, span_s = np.array([-1.3, -1.2, 0.3, 3.1]), np.array([0.3, 0.1, 0.15, 0.3])
    joined = np.array([False, True, True, False])
    rows = MeanRows.over(GRID, t_s, span_s, joined)
    ends = np.stack([t_s - span_s / 2, t_s + span_s / 2], axis=-1)
    mean = [w.integrate(a, b) / (b - a) + smoothing_s * (w(b) - w(a)) / (b - a) for a, b in ends]
    rate = [
        (w(b) - w(a)) / (b - a) + smoothing_s * (slope(b) - slope(a)) / (b - a) for a, b in ends
    ]
    for known, (now, before) in (
        (mean, rows.speed(smoothing_s)),
        (rate, rows.acceleration(smoothing_s)),
    ):
        assert now.times(coefficients) == pytest.approx(known)
        previous = Rows(now.first, before).times(coefficients)
        assert previous == pytest.approx(np.roll(known, 1) * joined)


def test_gram_and_transpose__are_those_of_the_dense_matrix(rng):
    rows = basis(GRID, np.sort(rng.uniform(GRID.start_s, GRID.end_s, 40)))
    weight, right = rng.uniform(0.5, 2.0, 40), rng.normal(size=(40, 3))
    whole = dense(rows)
    gram = whole.T @ (weight[:, None] * whole)
    banded = banded_gram(rows, weight, GRID.size, 3)
    for k in range(4):
        assert banded[k, : GRID.size - k] == pytest.approx(np.diagonal(gram, -k))
    assert transposed_times(rows, right, GRID.size) == pytest.approx(whole.T @ right)
    none = Rows(rows.first[:0], rows.values[:0])
    assert not banded_gram(none, weight[:0], GRID.size, 3).any()
    assert not transposed_times(none, right[:0], GRID.size).any()
