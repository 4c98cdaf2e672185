"""How a number is written: unit, decimals, sign."""

from __future__ import annotations

import math

from overlay.compare.figures import Comparison
from overlay.units import mps_to_speed, power_unit

MINUS = "−"


def figure_unit(unit: str, speed_unit: str) -> tuple[float, int, str]:
    """Factor, decimals and unit in which a figure in ``s`` or ``m/s`` is shown."""
    return (1.0, 2, "s") if unit == "s" else (mps_to_speed(1.0, speed_unit), 1, speed_unit)


def digits_for(half: float, digits: int) -> int:
    """Enough digits that an uncertainty never reads as none."""
    while 0 < half < 0.5 * 10.0**-digits and digits < 4:
        digits += 1
    return digits


def signed(value: float, digits: int) -> str:
    """With its sign, and no minus before a number that reads as zero."""
    text = f"{abs(value):.{digits}f}"
    return f"{MINUS if value < 0 and float(text) > 0 else '+'}{text}"


def power_text(watts: float, half_w: float, unit: str) -> str:
    """Power in the unit that goes with the speed's, with its interval."""
    each_w, name = power_unit(unit)
    half = "" if math.isnan(half_w) else f" ± {half_w / each_w:.{digits_for(half_w / each_w, 1)}f}"
    return f"{watts / each_w:.1f} {name}{half}"


def difference_text(c: Comparison, factor: float, digits: int) -> str:
    """A difference with its half width."""
    if c.difference is None:
        return "none"
    text = signed(c.difference * factor, digits)
    if c.half is None:
        return text
    half = c.half * factor
    return f"{text} ± {half:.{digits_for(half, digits)}f}"
