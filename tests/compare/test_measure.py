"""Uncertainty after the GUM."""

import math

import pytest

from overlay.compare.measure import expanded


def test_expanded__gum_h1() -> None:
    """JCGM 100:2008 example H.1, end-gauge calibration (degrees of freedom from memory)."""
    e = expanded([(25, 18), (9.7, 25.6), (2.9, 50), (16.7, 2)], 0.01, whole_dof=True)
    assert (round(e.sigma), e.dof, round(e.half)) == (32, 16, 93)


def test_expanded__known_part() -> None:
    e = expanded([(2.0, 3.0), (math.sqrt(5.0), math.inf)])
    assert (e.sigma, e.dof) == pytest.approx((3.0, 81 / (16 / 3)))
    assert expanded([(1.0, math.inf)]).half == pytest.approx(1.959964, rel=1e-6)
