"""Gearing: speed at revs, and what another sprocket does to a power curve.

The engine's power at given revs stays; another ratio moves it to another speed. Force at the
wheels follows, and with the road load the acceleration.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from overlay.compare.cautions import rev_caution
from overlay.compare.power import PowerCurve
from overlay.engine.driveline import engine_rpm_at, wheel_speed_mps
from overlay.errors import UsageError
from overlay.timebase import FloatArray


@dataclass(frozen=True, eq=False)
class Regeared:
    """A power curve under another ratio, shape (n,) each.

    Attributes
    ----------
    ratio : float
        Turns of the crank for one of the wheel.
    speed_mps, engine_rpm, power_w, force_n : ndarray
        Power at the wheels and driving force where the same revs now lie.
    accel_mps2 : ndarray
        Acceleration there on the level, the turning masses taken as unchanged.
    cautions : tuple of str
        Where revs pass the stated limit of the stock parts.
    """

    ratio: float
    speed_mps: FloatArray
    engine_rpm: FloatArray
    power_w: FloatArray
    force_n: FloatArray
    accel_mps2: FloatArray
    cautions: tuple[str, ...]


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


def ratio_with_sprocket(ratio: float, *, teeth: int, new_teeth: int) -> float:
    """Whole ratio after the driven sprocket is changed.

    Examples
    --------
    >>> ratio_with_sprocket(6.0, teeth=60, new_teeth=66)
    6.6
    """
    if teeth < 1 or new_teeth < 1 or not ratio > 0:
        raise UsageError(f"ratio {ratio:g} with {teeth} to {new_teeth} teeth: all must be above 0")
    return ratio * new_teeth / teeth


def regear(
    power: PowerCurve,
    *,
    ratio: float,
    new_ratio: float,
    circumference_m: float,
    stock_limit_rpm: float | None = None,
) -> Regeared:
    """Move a power curve to another ratio.

    Parameters
    ----------
    power : PowerCurve
        Measured with `ratio`, the clutch locked.
    stock_limit_rpm : float, optional
        Limit of the stock flywheel and rod.

    Raises
    ------
    UsageError
        If a ratio or the circumference is not above 0.
    """
    _check(ratio, circumference_m)
    _check(new_ratio, circumference_m)
    speed = power.speed_mps * ratio / new_ratio
    rpm = engine_rpm_at(power.speed_mps, ratio, circumference_m)
    force = power.power_w / speed
    accel = (force - power.road_load.force_n(speed)) / power.equivalent_mass_kg
    known = np.isfinite(power.power_w)
    top = float(np.max(rpm[known], initial=0.0))
    # A taller final drive lets the engine pull the old top speed at other revs.
    same_speed = float(np.max(power.speed_mps[known], initial=0.0)) * new_ratio / circumference_m
    caution = rev_caution(max(top, 60.0 * same_speed), stock_limit_rpm)
    return Regeared(
        new_ratio, speed, rpm, power.power_w, force, accel, (caution,) if caution else ()
    )


def _check(ratio: float, circumference_m: float) -> None:
    if not (ratio > 0 and circumference_m > 0):
        raise UsageError(
            f"ratio {ratio:g} and circumference {circumference_m:g} m: both must be above 0"
        )
