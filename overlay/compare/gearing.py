"""Gearing: speed at revs and revs at speed when nothing slips."""

from __future__ import annotations

import numpy as np

from overlay.engine.driveline import engine_rpm_at, wheel_speed_mps
from overlay.errors import UsageError


def speed_at_rpm(engine_rpm: float, *, ratio: float, circumference_m: float) -> float:
    """Speed in m/s at engine revs when nothing slips.

    Examples
    --------
    >>> from math import pi
    >>> round(speed_at_rpm(6000.0, ratio=6.0, circumference_m=0.28 * pi), 3)
    14.661
    """
    _check(ratio, circumference_m)
    return float(wheel_speed_mps(np.array([engine_rpm]), ratio, circumference_m)[0])


def rpm_at_speed(speed_mps: float, *, ratio: float, circumference_m: float) -> float:
    """Engine revs at a speed when nothing slips; inverse of :func:`speed_at_rpm`."""
    _check(ratio, circumference_m)
    return float(engine_rpm_at(np.array([speed_mps]), ratio, circumference_m)[0])


def _check(ratio: float, circumference_m: float) -> None:
    if not (ratio > 0 and circumference_m > 0):
        raise UsageError(
            f"ratio {ratio:g} and circumference {circumference_m:g} m: both must be above 0"
        )
