"""Air and jetting: the day's density against the day the jet was chosen on."""

from __future__ import annotations

import math

from overlay.compare.atmosphere import dry_pressure_hpa
from overlay.compare.power import air_density
from overlay.plan.figure import Figure, Known, reckoned
from overlay.sheet import Conditions, Engine

VAPOUR_OVER_DRY = 0.622  # molar mass of water over that of dry air
# Standard uncertainties: a thermometer in the shade, a barometer; common practice, no source.
_WARM_C, _HIGH_HPA, _DAMP_PERCENT = 0.5, 1.0, 5.0
_RANGES = ((-40.0, 60.0), (500.0, 1100.0), (0.0, 100.0))  # as a sheet takes them
# Of a humidity that is not given: anything from 0 to 100 % alike (JCGM 100:2008, 4.3.7).
_UNKNOWN_DAMP = Known(50.0, 100 / math.sqrt(12))


def moist_density_kgpm3(
    temperature_c: float, pressure_hpa: float, humidity_percent: float
) -> float:
    """Density of moist air: dry air and vapour as ideal gases.

    Examples
    --------
    >>> round(moist_density_kgpm3(20.0, 1013.25, 50.0), 3)
    1.199
    """
    dry = dry_pressure_hpa(temperature_c, pressure_hpa, humidity_percent)
    return air_density(temperature_c, dry + VAPOUR_OVER_DRY * (pressure_hpa - dry))


def jet_mm(jetted_mm: float, density_ratio: float) -> float:
    """Jet bore for another density, by its quarter power (from memory).

    Fuel through a jet goes with ``d^2 sqrt(density)`` and air with the density, so an equal
    mixture asks for ``d ~ density^(1/4)``.

    Examples
    --------
    >>> round(jet_mm(0.70, 0.9), 3)
    0.682
    """
    return float(jetted_mm * density_ratio**0.25)


def jetting_figures(
    engine: Engine, today: Conditions
) -> tuple[tuple[Figure, ...], tuple[str, ...]]:
    """Today's density over that of the jetting, and the jet it asks for; and the keys missing."""
    then = ("engine.jetted_temperature_c", "engine.jetted_pressure_hpa", "engine.jet_mm")
    said = (engine.jetted_temperature_c, engine.jetted_pressure_hpa, engine.jet_mm)
    names = (*then, "conditions.temperature_c", "conditions.pressure_hpa")
    values = (*said, today.temperature_c, today.pressure_hpa)
    missing = tuple(name for name, value in zip(names, values, strict=True) if value is None)
    if missing:
        return (), missing
    warm_then, high_then, jet, warm, high = (value or 0.0 for value in values)
    inputs = [
        *_air(warm, high, today.humidity_percent),
        *_air(warm_then, high_then, engine.jetted_humidity_percent),
    ]

    def ratio(*of: float) -> float:
        now, before = ([*map(_within, part, _RANGES)] for part in (of[:3], of[3:]))
        return moist_density_kgpm3(*now) / moist_density_kgpm3(*before)

    name = "air today over the day it was jetted"
    source = "temperature, pressure and humidity of both days"
    start = "density^(1/4), a starting point: read the plug, and never run lean"
    return (
        reckoned(name, "", source, ratio, inputs),
        reckoned("main jet today", "mm", start, lambda *of: jet_mm(jet, ratio(*of)), inputs),
    ), ()


def _within(value: float, ends: tuple[float, float]) -> float:
    return min(max(value, ends[0]), ends[1])


def _air(temperature_c: float, pressure_hpa: float, humidity: float | None) -> list[Known]:
    damp = _UNKNOWN_DAMP if humidity is None else Known(humidity, _DAMP_PERCENT)
    return [Known(temperature_c, _WARM_C), Known(pressure_hpa, _HIGH_HPA), damp]
