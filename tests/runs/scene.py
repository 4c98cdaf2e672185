"""Runs with known truth, and a receiver that shows them late."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.signal import lsim

from overlay.runs.model import Kinematics
from overlay.series import Series
from overlay.timebase import FloatArray

STEP_S = 0.002


@dataclass(frozen=True, eq=False)
class Truth:
    """A run on a fine grid of footage time; launch at 0."""

    t_s: FloatArray
    speed_mps: FloatArray
    distance_m: FloatArray

    def speed_at(self, t_s: FloatArray) -> FloatArray:
        return np.interp(t_s, self.t_s, self.speed_mps)

    def distance_at(self, t_s: FloatArray) -> FloatArray:
        return np.interp(t_s, self.t_s, self.distance_m)


def truth_of(accel: Callable[[FloatArray], FloatArray], end_s: float = 14.0) -> Truth:
    """Integrate an acceleration given for t > 0; at rest before, never backward."""
    t = np.arange(round(-3.0 / STEP_S), round(end_s / STEP_S)) * STEP_S
    a = np.where(t > 0, accel(np.maximum(t, 0.0)), 0.0)
    speed = np.maximum(integrated(a), 0.0)
    return Truth(t, speed, integrated(speed))


def integrated(values: FloatArray) -> FloatArray:
    return np.r_[0.0, np.cumsum((values[1:] + values[:-1]) / 2)] * STEP_S


def approach(top_mps: float = 15.0, time_s: float = 3.0, ramp_s: float = 0.0) -> Truth:
    """v = V(1 - exp(-t/T)), its start softened over `ramp_s`."""

    def accel(t: FloatArray) -> FloatArray:
        rise = np.clip(t / ramp_s, 0.0, 1.0) if ramp_s else np.ones_like(t)
        return top_mps / time_s * np.exp(-t / time_s) * rise

    return truth_of(accel)


def received(
    truth: Truth,
    rng: np.random.Generator,
    *,
    delay_s: float = 1.0,
    smoothing_s: float = 0.3,
    rate_hz: float = 10.0,
    noise_mps: float = 0.05,
    start_s: float = -2.0,
    end_s: float = 12.0,
) -> Series:
    """What a receiver logs: late, noisy, and smoothed by scipy's solver of linear systems."""
    shown = truth.speed_mps
    if smoothing_s > 0:
        _, shown, _ = lsim(([1.0], [smoothing_s, 1.0]), shown, truth.t_s - truth.t_s[0])
    log_s = np.arange(start_s, end_s, 1 / rate_hz) + rng.uniform(0, 1 / rate_hz) + delay_s
    values = np.interp(log_s - delay_s, truth.t_s, shown)
    values = np.abs(values + noise_mps * rng.standard_normal(len(values)))
    return Series("speed_mps", log_s, values)


def fixture_kinematics(rate_hz: float) -> Kinematics:
    """v = 15(1 - exp(-t/3)) m/s in closed form on a grid, without noise."""
    t = np.arange(-1.0, 12.0, 1 / rate_hz)
    u = np.maximum(t, 0.0)
    fall = np.exp(-u / 3)
    none = np.zeros(len(t))
    return Kinematics(
        t_s=t,
        speed_mps=15 * (1 - fall),
        accel_mps2=np.where(t >= 0, 5 * fall, 0.0),
        distance_m=15 * (u - 3 * (1 - fall)),
        speed_sigma_mps=none,
        accel_sigma_mps2=none,
        distance_sigma_m=none,
        timing_sigma_s=0.0,
        known=np.ones(len(t), dtype=bool),
    )


def constant_accel(accel_mps2: float, end_s: float = 8.0, rate_hz: float = 100.0) -> Kinematics:
    """Constant acceleration from rest at 0 in closed form, without noise."""
    t = np.arange(-1.0, end_s, 1 / rate_hz)
    u = np.maximum(t, 0.0)
    none = np.zeros(len(t))
    return Kinematics(
        t_s=t,
        speed_mps=accel_mps2 * u,
        accel_mps2=np.where(t >= 0, accel_mps2, 0.0),
        distance_m=accel_mps2 * u**2 / 2,
        speed_sigma_mps=none,
        accel_sigma_mps2=none,
        distance_sigma_m=none,
        timing_sigma_s=0.0,
        known=np.ones(len(t), dtype=bool),
        launch_s=0.0,
        launch_sigma_s=0.0,
    )
