"""Gearing, slip and the ratio from a run."""

import numpy as np
import pytest

from overlay.engine.driveline import (
    Driveline,
    circumference_of,
    engine_rpm_at,
    estimated_ratio,
    slip,
    wheel_speed_mps,
)
from overlay.errors import UndeterminedError, UsageError


def test_wheel_speed__worked_value():
    # 6000 rpm, ratio 6.0, tyre 0.28 m: 14.661 m/s, from the definition pi d n / 60 (computed).
    wheel = wheel_speed_mps(np.array([6000.0]), 6.0, circumference_of(0.28))
    assert wheel[0] == pytest.approx(14.661, abs=5e-4)
    assert slip(wheel, np.array([13.5]))[0] == pytest.approx(0.0860, abs=5e-5)


def test_engine_rpm_at__undoes_wheel_speed(rng):
    rpm = rng.uniform(1500, 6000, 20)
    assert np.allclose(engine_rpm_at(wheel_speed_mps(rpm, 9.4, 1.76), 9.4, 1.76), rpm)


def test_slip__is_undefined_at_rest_and_signed():
    found = slip(np.array([5.0, 5.0, 5.0]), np.array([0.0, 4.0, 6.0]))
    assert np.isnan(found[0])
    assert found[1] > 0 > found[2]


def run_with_spin_and_clutch(rng, ratio, circumference):
    t = np.arange(0, 10, 0.05)
    v = 14 * (1 - np.exp(-t / 3))
    wheel = np.maximum(v, 5.0)  # the clutch holds the revs up while it slips
    wheel[(t > 6) & (t < 7.5)] *= 1.2
    rpm = engine_rpm_at(wheel, ratio, circumference) + rng.normal(0, 30, len(t))
    return rpm, v + rng.normal(0, 0.05, len(t))


@pytest.mark.parametrize("ratio", [5.2, 6.0, 9.4])
def test_estimated_ratio__despite_clutch_and_wheelspin(ratio, rng):
    rpm, v = run_with_spin_and_clutch(rng, ratio, 0.88)
    found, sigma = estimated_ratio(rpm, v, 0.88)
    assert found == pytest.approx(ratio, rel=0.01)
    assert abs(found / ratio - 1) < 3 * sigma


def test_estimated_ratio__refuses_without_evidence(rng):
    with pytest.raises(UndeterminedError, match="day sheet"):
        estimated_ratio(np.full(5, 3000.0), np.full(5, 10.0), 0.88)
    with pytest.raises(UndeterminedError, match="stands out"):
        estimated_ratio(rng.uniform(1000, 6000, 200), np.full(200, 10.0), 0.88)


@pytest.mark.parametrize(
    "bad", [((), 0.88), ((0.0,), 0.88), ((6.0,), 0.0), ((float("nan"),), 0.88), ((6.0,), -1.0)]
)
def test_driveline__refuses_nonsense(bad):
    with pytest.raises(UsageError):
        Driveline(*bad)
