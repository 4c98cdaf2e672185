"""A simulated run as the smoother leaves it, without smoothing one: quick, for many at once.

Figures of the error are those of `overlay.runs.smooth` on twelve runs of the demo's cart with its
10 Hz receiver: standard deviation 0.028 m/s, correlation 0.93, 0.76, 0.52 and 0.09 after 0.1,
0.2, 0.3 and 0.5 s.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter1d

from overlay.compare.where import Trace
from overlay.runs.model import Kinematics

SIGMA_MPS, WIDE, BLUR = 0.028, 18.5, 15.0  # widths in steps of 10 ms
LAUNCH_SIGMA_S = 0.04
LIFT_M = 66.0


def trace_of(t_s, speed_mps, distance_m, rng: np.random.Generator) -> Trace:
    """One row of `carts.drive`, blurred, with coloured noise, braked after `LIFT_M`."""
    end = int(np.argmax(distance_m > LIFT_M)) or len(t_s) - 1
    t, true = t_s[:end], speed_mps[:end]
    first = int(np.argmax(true > 0))
    since = t - t[first]
    blurred = gaussian_filter1d(true, BLUR, mode="nearest")
    far = np.clip(since / 0.5, 0.0, 1.0)  # the smoother knows that it stood before
    noise = gaussian_filter1d(rng.standard_normal(len(t) + 200), WIDE)[100:-100]
    noise *= SIGMA_MPS * np.sqrt(2 * np.sqrt(np.pi) * WIDE) * np.clip(since / 0.2, 0.0, 1.0)
    speed = np.maximum((1 - far) * true + far * blurred + noise, 0.0)
    braked = np.arange(1, 300) * 0.01
    t = np.r_[t, t[-1] + braked]
    speed = np.r_[speed, np.maximum(speed[-1] - 4.0 * braked, 0.0)]
    covered = np.r_[0.0, np.cumsum((speed[1:] + speed[:-1]) / 2 * 0.01)]
    one = np.ones(len(t))
    k = Kinematics(
        t,
        speed,
        np.gradient(speed, 0.01),
        covered,
        SIGMA_MPS * one,
        0.14 * one,
        0.05 * one,
        0.007,
        one > 0,
    )
    return Trace(k, float(t[first - 1] + LAUNCH_SIGMA_S * rng.standard_normal()))
