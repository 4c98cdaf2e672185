"""Uncertainty after the GUM."""

import math

import numpy as np
import pytest

from overlay.compare.measure import Measured, difference, expanded, left_over, propagate
from overlay.errors import UsageError


def test_expanded__gum_h1() -> None:
    """JCGM 100:2008 example H.1, end-gauge calibration (degrees of freedom from memory)."""
    e = expanded([(25, 18), (9.7, 25.6), (2.9, 50), (16.7, 2)], 0.01, whole_dof=True)
    assert (round(e.sigma), e.dof, round(e.half)) == (32, 16, 93)


def test_propagate__gum_resistors() -> None:
    """JCGM 100:2008, 5.2.2: ten resistors against one standard, 0.1 ohm each, give 1 ohm."""
    assert propagate(np.ones(10), np.full((10, 10), 0.01)) == pytest.approx(1.0)
    assert propagate(np.ones(10), np.eye(10) * 0.01) == pytest.approx(math.sqrt(0.1))


def test_difference__shared_part_cancels_as_far_as_equal() -> None:
    first, second = Measured(5, 0.03, 4, 0.02), Measured(4.7, 0.04, 4, 0.005)
    assert difference(first, second).common_sigma == pytest.approx(0.015)
    apart = difference(first, second, common_correlation=0.0)
    assert apart.common_sigma == pytest.approx(math.hypot(0.02, 0.005))
    assert apart.sigma == pytest.approx(0.05)


def test_difference__matches_simulation(rng: np.random.Generator) -> None:
    lag = rng.normal(0, 0.02, 200_000)
    seen = (0.9 * lag) - (0.3 * lag)
    assert left_over(0.9 * 0.02, 0.3 * 0.02, 1.0) == pytest.approx(float(seen.std()), rel=0.01)


def test_measured__interval_holds_both_parts() -> None:
    low, high = Measured(1.0, 0.03, math.inf, 0.04).interval()
    assert (high - low) / 2 == pytest.approx(1.959964 * 0.05, rel=1e-6)
    assert Measured(1.0, 0.0).interval() == (1.0, 1.0)
    with pytest.raises(UsageError):
        Measured(1.0, -0.1)
    with pytest.raises(UsageError, match="correlation"):
        left_over(1, 1, 1.5)
