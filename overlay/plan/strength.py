"""Revs and strength: what speed does to piston, rod, flywheel and valve spring. Cautions, no leave.

Formulas from memory, as in engineering handbooks: piston speed and acceleration of a crank drive,
hoop stress of a thin turning ring, rate of a helical spring.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from overlay.plan.figure import Figure, Known, reckoned
from overlay.sheet import Engine

DENSITY_KGPM3 = {"cast iron": 7200.0, "aluminium": 2700.0, "steel": 7850.0}
# Old rule for cast-iron rims, 6000 ft/min (Machinery's Handbook, from memory).
CAST_IRON_RIM_MPS = 30.48
SHEAR_MODULUS_NPMM2 = 79300.0  # of spring steel, from memory


@dataclass(frozen=True)
class StrengthTolerance:
    """Standard uncertainties of what a sheet states; common practice, no source."""

    length_mm: float = 0.1  # a caliper in a hand that does not use one daily
    rim_mm: float = 0.5  # a flywheel's fins
    revs_share: float = 0.01  # a counter on the ignition lead, or a limit as stated
    density_share: float = 0.03  # cast iron runs from 6800 to 7400 kg/m3
    mass_share: float = 0.02
    spring_share: float = 0.05  # bathroom scales and a ruler
    duration_deg: float = 3.0
    cam_share: float = 0.05  # of the revs of float: the cam's real shape


TOLERANCE = StrengthTolerance()


def mean_piston_speed_mps(stroke_mm: float, engine_rpm: float) -> float:
    """Twice the stroke a turn.

    Examples
    --------
    >>> round(mean_piston_speed_mps(54.0, 3600.0), 2)
    6.48
    """
    return 2 * stroke_mm / 1000 * engine_rpm / 60


def piston_accel_mps2(stroke_mm: float, rod_mm: float, engine_rpm: float) -> float:
    """At top dead centre, where it is greatest: ``r w^2 (1 + r / l)``.

    Examples
    --------
    >>> round(piston_accel_mps2(54.0, 84.0, 5000.0))
    9781
    """
    radius_mm = stroke_mm / 2
    turning = engine_rpm * math.pi / 30
    return radius_mm / 1000 * turning**2 * (1 + radius_mm / rod_mm)


def rim_speed_mps(diameter_mm: float, engine_rpm: float) -> float:
    """Speed of a flywheel's rim."""
    return math.pi * diameter_mm / 1000 * engine_rpm / 60


def rim_stress_mpa(diameter_mm: float, engine_rpm: float, density_kgpm3: float) -> float:
    """Hoop stress of a thin free rim, ``rho v^2``; spokes, keyway and magnets add to it.

    Examples
    --------
    >>> round(rim_stress_mpa(180.0, 3600.0, 7200.0), 1)
    8.3
    """
    return density_kgpm3 * rim_speed_mps(diameter_mm, engine_rpm) ** 2 / 1e6


def spring_rate_npmm(wire_mm: float, coil_mm: float, turns: float) -> float:
    """Rate of a helical steel spring, ``G d^4 / (8 D^3 n)``.

    Examples
    --------
    >>> round(spring_rate_npmm(2.0, 16.0, 5.0), 2)
    7.74
    """
    return SHEAR_MODULUS_NPMM2 * wire_mm**4 / (8 * coil_mm**3 * turns)


def float_rpm(force_n: float, train_g: float, lift_mm: float, duration_deg: float) -> float:
    """Engine speed at which a spring just follows a cam of harmonic lift: a plain estimate.

    Lift ``h/2 (1 - cos(2 pi angle / duration))`` asks for ``h/2 (2 pi / duration)^2`` of
    deceleration at full lift; `duration_deg` counts crank degrees, so engine speed is the scale.

    Examples
    --------
    >>> round(float_rpm(200.0, 100.0, 6.0, 240.0))
    5198
    """
    per_radian2 = lift_mm / 2000 * (360 / duration_deg) ** 2
    return math.sqrt(force_n / (train_g / 1000 * per_radian2)) * 30 / math.pi


def spring_force_n(engine: Engine) -> float | None:
    """Force of the valve spring at full lift; None where dimensions are missing."""
    rate = engine.spring_rate_npmm
    if rate is None and engine.spring_wire_mm and engine.spring_coil_mm and engine.spring_turns:
        rate = spring_rate_npmm(engine.spring_wire_mm, engine.spring_coil_mm, engine.spring_turns)
    if rate is None or engine.spring_seat_n is None or engine.valve_lift_mm is None:
        return None
    return engine.spring_seat_n + rate * engine.valve_lift_mm


def strength_figures(
    engine: Engine, engine_rpm: float, stock_limit_rpm: float | None
) -> tuple[tuple[Figure, ...], tuple[str, ...]]:
    """What the revs ask of the parts, and which keys of the sheet are missing for more.

    Parameters
    ----------
    engine_rpm : float
        Highest revs on the course.
    stock_limit_rpm : float or None
        Most that makers allow the weakest of rod and flywheel.
    """
    revs = Known(engine_rpm, TOLERANCE.revs_share * engine_rpm)
    found = []
    for name, unit, source, of, dims in _asked_by_revs(engine, stock_limit_rpm):
        limit: tuple[float | None, str] = (None, "")
        if stock_limit_rpm is not None:
            most = of(*(dim.value for dim in dims), stock_limit_rpm)
            limit = (most, f"at the stated {stock_limit_rpm:.0f} rpm")
        at = f"{name} at {engine_rpm:.0f} rpm"
        found.append(reckoned(at, unit, source, of, [*dims, revs], limit))
    if engine.flywheel_mm is not None and engine.flywheel_material == "cast iron":
        rule = "old rule for cast-iron rims, 6000 ft/min (handbook, from memory)"
        found.append(
            reckoned(
                f"flywheel rim speed at {engine_rpm:.0f} rpm",
                "m/s",
                "pi x diameter x revs",
                rim_speed_mps,
                [Known(engine.flywheel_mm, TOLERANCE.rim_mm), revs],
                (CAST_IRON_RIM_MPS, rule),
            )
        )
    return (*found, *_floats(engine)), _missing(engine, stock_limit_rpm)


_Asked = tuple[str, str, str, Callable[..., float], list[Known]]


def _asked_by_revs(engine: Engine, stock_limit_rpm: float | None) -> Iterator[_Asked]:
    """Name, unit, source, formula of dimensions and then revs, and the dimensions."""
    stroke, rod, rim = (
        None if value is None else Known(value, sigma)
        for value, sigma in (
            (engine.stroke_mm, TOLERANCE.length_mm),
            (engine.rod_mm, TOLERANCE.length_mm),
            (engine.flywheel_mm, TOLERANCE.rim_mm),
        )
    )
    if stroke is not None:
        source = "2 x stroke x revs"
        yield "mean piston speed", "m/s", source, mean_piston_speed_mps, [stroke]
    if stroke is not None and rod is not None:
        source = "r w² (1 + r/l)"
        yield "peak piston acceleration", "m/s²", source, piston_accel_mps2, [stroke, rod]
    if stock_limit_rpm is not None:
        most = Known(stock_limit_rpm)
        name = "load on rod and rim, of that at the limit"
        yield name, "", "square of the revs", lambda limit, rpm: (rpm / limit) ** 2, [most]
    if rim is not None and engine.flywheel_material is not None:
        density = DENSITY_KGPM3[engine.flywheel_material]
        source = f"density x rim speed², {engine.flywheel_material} {density:.0f} kg/m³"
        dense = Known(density, TOLERANCE.density_share * density)

        def stress(diameter_mm: float, density_kgpm3: float, rpm: float) -> float:
            return rim_stress_mpa(diameter_mm, rpm, density_kgpm3)

        yield "flywheel rim stress", "MPa", source, stress, [rim, dense]


def _floats(engine: Engine) -> tuple[Figure, ...]:
    """Where the valves begin to float; none where dimensions are missing."""
    force = spring_force_n(engine)
    train, lift, duration = engine.valve_train_g, engine.valve_lift_mm, engine.cam_duration_deg
    if force is None or train is None or lift is None or duration is None:
        return ()
    return (
        reckoned(
            "valves begin to float, a plain estimate",
            "rpm",
            f"{force:.0f} N at full lift against a harmonic cam",
            lambda f, m, h, d, cam: cam * float_rpm(f, m, h, d),
            [
                Known(force, TOLERANCE.spring_share * force),
                Known(train, TOLERANCE.mass_share * train),
                Known(lift, TOLERANCE.length_mm),
                Known(duration, TOLERANCE.duration_deg),
                Known(1.0, TOLERANCE.cam_share),
            ],
        ),
    )


def _missing(engine: Engine, stock_limit_rpm: float | None) -> tuple[str, ...]:
    """Keys of the sheet that would give more figures; the stated limit comes first."""
    keys = ["stroke_mm", "rod_mm", "flywheel_mm", "flywheel_material"]
    keys += ["valve_lift_mm", "cam_duration_deg", "valve_train_g", "spring_seat_n"]
    wanted = [f"engine.{key}" for key in keys if getattr(engine, key) is None]
    if engine.spring_rate_npmm is None and engine.spring_wire_mm is None:
        wanted.append("engine.spring_rate_npmm")
    return tuple((["vehicle.stock_limit_rpm"] if stock_limit_rpm is None else []) + wanted)
