"""Power corrections for the atmosphere. They apply to power and never to seconds.

Vapour pressure after Magnus (Tetens' constants 7.5 and 237.3, as in secondary sources of the
1990 form of SAE J1349). ISO 1585 for spark ignition from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from overlay.errors import UsageError

Standard = Literal["SAE J1349 (1990)", "ISO 1585"]
# ISO 1585 asks for a factor within these limits (from memory); beyond them the result is no
# corrected power by the standard. The same limits flag SAE J1349 (from memory).
LOWEST, HIGHEST = 0.93, 1.07
ZERO_C_K = 273.0  # as the formulas of these standards round it
COLDEST_C, HOTTEST_C = 15.0, 35.0  # of the air drawn in, 288 to 308 K: both standards, from memory
DRY_HPA: dict[Standard, tuple[float, float]] = {  # of dry air; from memory
    "SAE J1349 (1990)": (900.0, 1050.0),
    "ISO 1585": (800.0, 1100.0),
}


@dataclass(frozen=True)
class Correction:
    """Factor from observed to corrected power."""

    standard: Standard
    factor: float
    valid: bool  # whether factor, temperature and dry pressure lie within the standard's limits
    note: str  # what to say beside it; empty when valid


def dry_pressure_hpa(temperature_c: float, pressure_hpa: float, humidity_percent: float) -> float:
    """Pressure of the air without its water vapour, hPa.

    Examples
    --------
    >>> round(dry_pressure_hpa(35.0, 980.0, 60.0), 3)
    946.268
    """
    if not (-40 <= temperature_c <= 60 and 500 <= pressure_hpa <= 1100):
        raise UsageError(
            f"air of {temperature_c:g} °C and {pressure_hpa:g} hPa: give -40 to 60 °C and the "
            "pressure at the track, 500 to 1100 hPa"
        )
    if not 0 <= humidity_percent <= 100:
        raise UsageError(f"humidity {humidity_percent:g} %: must be 0 to 100")
    full = 6.1078 * math.pow(10.0, 7.5 * temperature_c / (237.3 + temperature_c))
    return pressure_hpa - humidity_percent / 100 * full


def correction(
    standard: Standard, temperature_c: float, pressure_hpa: float, humidity_percent: float
) -> Correction:
    """Factor of a standard for the air drawn in; pressure at the track, not reduced to sea level.

    Examples
    --------
    >>> [round(correction(name, 30.0, 980.0, 0.0).factor, 5) for name in STANDARDS]
    [1.022, 1.02241]
    """
    dry = dry_pressure_hpa(temperature_c, pressure_hpa, humidity_percent)
    if standard not in _FORMULAS:
        raise UsageError(f"unknown standard {standard!r}: use one of {', '.join(STANDARDS)}")
    factor = _FORMULAS[standard](temperature_c + ZERO_C_K, dry)
    least, most = DRY_HPA[standard]
    wrong = [
        f"{what} is outside {low:g} to {high:g}{unit}"
        for what, value, low, high, unit in (
            (f"factor {factor:.3f}", factor, LOWEST, HIGHEST, ""),
            (f"air of {temperature_c:g} °C", temperature_c, COLDEST_C, HOTTEST_C, " °C"),
            (f"dry pressure {dry:.0f} hPa", dry, least, most, " hPa"),
        )
        if not low <= value <= high
    ]
    note = f"{' and '.join(wrong)}: not a corrected power by {standard}" if wrong else ""
    return Correction(standard, factor, not wrong, note)


_FORMULAS: dict[Standard, Callable[[float, float], float]] = {  # of kelvin and dry hPa
    "SAE J1349 (1990)": lambda warm, dry: 1.180 * (990 / dry) * math.sqrt(warm / 298) - 0.18,
    "ISO 1585": lambda warm, dry: math.pow(990 / dry, 1.2) * math.pow(warm / 298, 0.6),
}
STANDARDS = tuple(_FORMULAS)
