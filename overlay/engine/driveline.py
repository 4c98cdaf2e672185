"""Engine speed against wheel speed: gearing and tyre.

::

    wheel speed = engine_rpm / 60 / ratio * circumference

with the ratio from crank to driven wheel and the circumference rolled in one turn of the wheel.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from overlay.errors import UsageError
from overlay.timebase import FloatArray


@dataclass(frozen=True)
class Driveline:
    """What joins crank and road."""

    # Turns of the crank for one turn of the driven wheel, one a gear, each > 0.
    ratios: tuple[float, ...]
    circumference_m: float  # metres rolled in one turn of the wheel, > 0
    limiter_rpm: float | None = None  # where the ignition cuts, if known
    # Relative standard uncertainty of ratio times circumference (tyre growth, pressure).
    ratio_sigma: float = 0.01
    # ``centrifugal``, ``plate`` or ``none``; with ``none`` nothing can slip but the tyre.
    clutch: Literal["centrifugal", "plate", "none"] = "centrifugal"

    def __post_init__(self) -> None:
        if not self.ratios or not all(np.isfinite(r) and r > 0 for r in self.ratios):
            raise UsageError(f"gear ratios {self.ratios} must be one or more numbers above 0")
        if not (np.isfinite(self.circumference_m) and self.circumference_m > 0):
            raise UsageError(f"rollout circumference {self.circumference_m} m must be above 0")
        if self.limiter_rpm is not None and not self.limiter_rpm > 0:
            raise UsageError(f"limiter {self.limiter_rpm} rpm must be above 0")


def wheel_speed_mps(engine_rpm: FloatArray, ratio: float, circumference_m: float) -> FloatArray:
    """Speed of the tyre's tread in m/s.

    Examples
    --------
    >>> wheel = wheel_speed_mps(np.array([6000.0]), 6.0, 0.8796)
    >>> round(float(wheel[0]), 2)
    14.66
    """
    return engine_rpm / 60.0 / ratio * circumference_m


def engine_rpm_at(speed_mps: FloatArray, ratio: float, circumference_m: float) -> FloatArray:
    """Engine speed that belongs to a ground speed without slip; inverse of the above.

    Examples
    --------
    >>> round(float(engine_rpm_at(np.array([14.66]), 6.0, 0.8796)[0]))
    6000
    """
    return speed_mps / circumference_m * ratio * 60.0
