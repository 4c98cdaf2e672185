"""Gearing."""

import numpy as np
import pytest

from overlay.engine.driveline import Driveline, engine_rpm_at, wheel_speed_mps
from overlay.errors import UsageError


def test_wheel_speed__worked_value():
    # 6000 rpm, ratio 6.0, tyre 0.28 m: 14.661 m/s, from the definition pi d n / 60 (computed).
    wheel = wheel_speed_mps(np.array([6000.0]), 6.0, np.pi * 0.28)
    assert wheel[0] == pytest.approx(14.661, abs=5e-4)


def test_engine_rpm_at__undoes_wheel_speed(rng):
    rpm = rng.uniform(1500, 6000, 20)
    assert np.allclose(engine_rpm_at(wheel_speed_mps(rpm, 9.4, 1.76), 9.4, 1.76), rpm)


@pytest.mark.parametrize(
    ("bad", "said"),
    [
        (((), 0.88), "gear ratios"),
        (((0.0,), 0.88), "gear ratios"),
        (((9.4, -6.0), 0.88), "gear ratios"),
        (((float("nan"),), 0.88), "gear ratios"),
        (((float("inf"),), 0.88), "gear ratios"),
        (((6.0,), 0.0), "circumference 0.0 m"),
        (((6.0,), -1.0), "circumference -1.0 m"),
        (((6.0,), float("inf")), "circumference inf m"),
        (((6.0,), 0.88, 0.0), "limiter 0.0 rpm"),
        (((6.0,), 0.88, -1.0), "limiter -1.0 rpm"),
    ],
)
def test_driveline__refuses_nonsense(bad, said):
    with pytest.raises(UsageError, match=said):
        Driveline(*bad)


def test_driveline__takes_any_gearing_above_0():
    for ratios, limiter_rpm in (((9.4,), None), ((12.0, 0.4), 0.5)):
        assert Driveline(ratios, 0.01, limiter_rpm).ratios == ratios
