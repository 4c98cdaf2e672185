"""Frozen series: what they refuse, and relations between their parts."""

import dataclasses

import numpy as np
import pytest

from overlay.errors import InputError
from overlay.series import Series


def test_series__refuses_what_is_no_series():
    t, v = np.arange(3.0), np.ones(3)
    for bad_t, bad_v in ((t[:2], v), (t[::-1], v), (np.array([0, 1, np.nan]), v), (t, v * np.inf)):
        with pytest.raises(InputError, match="speed"):
            Series("speed_mps", bad_t, bad_v)
    with pytest.raises(InputError, match="uncertainty"):
        Series("speed_mps", t, v, np.ones(2))


def test_series__is_frozen():
    series = Series("x", np.arange(3.0), np.ones(3))
    with pytest.raises(dataclasses.FrozenInstanceError):
        series.name = "y"  # type: ignore[misc]


def test_shifted__and_at_agree():
    series = Series("x", np.arange(5.0), np.arange(5.0) ** 2)
    moved = series.shifted(0.5)
    np.testing.assert_allclose(moved.at(np.array([1.7])), series.at(np.array([1.2])))


def test_gaps__longer_than_asked_only():
    series = Series("x", np.array([0.0, 1.0, 2.0, 5.0, 6.0]), np.zeros(5))
    assert series.gaps(2.5) == [(2.0, 5.0)]
    assert series.gaps(3.0) == []
