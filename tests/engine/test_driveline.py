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
    "bad", [((), 0.88), ((0.0,), 0.88), ((6.0,), 0.0), ((float("nan"),), 0.88), ((6.0,), -1.0)]
)
def test_driveline__refuses_nonsense(bad):
    with pytest.raises(UsageError):
        Driveline(*bad)
