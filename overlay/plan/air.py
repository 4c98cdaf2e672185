"""Air and jetting: the day's density against the day the jet was chosen on."""

from __future__ import annotations

from overlay.compare.atmosphere import dry_pressure_hpa
from overlay.compare.power import air_density
from overlay.plan.figure import Figure
from overlay.sheet import Conditions, Engine

VAPOUR_OVER_DRY = 0.622  # molar mass of water over that of dry air


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
    ratio = moist_density_kgpm3(warm, high, today.humidity_percent or 0.0) / moist_density_kgpm3(
        warm_then, high_then, engine.jetted_humidity_percent or 0.0
    )
    source = "temperature, pressure and humidity of both days"
    why = "about 1 % where humidity is not given, else as good as the thermometer"
    start = "a starting point: read the plug, and never run lean"
    return (
        Figure("air today over the day it was jetted", ratio, "", source, why=why),
        Figure("main jet today", jet_mm(jet, ratio), "mm", "density^(1/4)", why=start),
    ), ()
