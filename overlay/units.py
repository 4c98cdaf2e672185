"""Units: everything inside is SI; other units exist only where files are read and text is shown.

Factors are exact by definition: the international foot is 0.3048 m and the mile 5280 ft
(international yard and pound agreement, 1959); the knot is one nautical mile of 1852 m an hour; the
horsepower is 550 foot pounds-force a second, with the pound of 0.45359237 kg and standard gravity.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Literal, get_args

from overlay.errors import UsageError

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

SpeedUnit = Literal["mph", "km/h", "m/s", "kn", "ft/s"]
SPEED_UNITS: tuple[SpeedUnit, ...] = get_args(SpeedUnit)

FOOT_M = 0.3048
STANDARD_GRAVITY_MPS2 = 9.80665  # exact by definition: 3rd CGPM, 1901
HORSEPOWER_W = 550 * FOOT_M * 0.45359237 * STANDARD_GRAVITY_MPS2
Z95 = 1.959964  # two-sided 95 % of the normal distribution, in standard uncertainties
ROLLOUT_M = FOOT_M  # initial vehicle movement, SAE J1491 JUL2006 section 3.3

MPS_PER: dict[str, float] = {
    "mph": 5280 * FOOT_M / 3600,
    "km/h": 1 / 3.6,
    "m/s": 1.0,
    "kn": 1852 / 3600,
    "ft/s": FOOT_M,
}
WHOLE = 0.03  # of a step: a log in m/s to the centimetre is off by as much


def whole_unit_step_mps(speeds_mps: npt.NDArray[np.float64]) -> float:
    """The greatest unit by whole multiples of which all speeds other than 0 differ, or 0.

    Parameters
    ----------
    speeds_mps : ndarray
        m/s. Of fewer than four that differ it is no wonder.

    Examples
    --------
    >>> import numpy as np
    >>> round(whole_unit_step_mps(np.array([0, 5, 12, 18, 26]) / 3.6), 4)
    0.2778
    >>> whole_unit_step_mps(np.array([0, 5.1, 12, 18, 26.4]))
    0.0
    """
    import numpy as np  # a day sheet needs units and no arrays; the desk shows one first

    distinct = np.unique(np.round(speeds_mps[speeds_mps != 0.0], 4))
    if len(distinct) < 4:
        return 0.0
    for step in sorted(MPS_PER.values(), reverse=True):
        counts = (distinct - distinct[0]) / step
        is_whole = float(np.max(np.abs(counts - np.rint(counts)))) < WHOLE
        if is_whole and float(np.min(np.diff(np.rint(counts)))) >= 1:
            return step
    return 0.0


def speed_to_mps(value: float, unit: str) -> float:
    """Convert a speed in `unit` to metres per second.

    Parameters
    ----------
    value : float
        Speed in `unit`.
    unit : str
        One of ``mph``, ``km/h``, ``m/s``, ``kn``, ``ft/s``.

    Raises
    ------
    UsageError
        If the unit is not one of these.

    Examples
    --------
    >>> round(speed_to_mps(60.0, "mph"), 4)
    26.8224
    >>> round(speed_to_mps(36.0, "km/h"), 6)
    10.0
    """
    return value * mps_per(unit)


def mps_to_speed(speed_mps: float, unit: str) -> float:
    """Convert metres per second to `unit`; the inverse of :func:`speed_to_mps`.

    Examples
    --------
    >>> round(mps_to_speed(26.8224, "mph"), 6)
    60.0
    """
    return speed_mps / mps_per(unit)


def mps_per(unit: str) -> float:
    """Metres per second in one `unit`.

    Raises
    ------
    UsageError
        If the unit is not a speed unit we know.
    """
    try:
        return MPS_PER[unit]
    except KeyError:
        known = ", ".join(SPEED_UNITS)
        raise UsageError(f"unknown speed unit {unit!r}: use one of {known}") from None


def power_unit(speed_unit: str) -> tuple[float, str]:
    """Watts in the unit of power that goes with a unit of speed, and its name.

    Examples
    --------
    >>> round(power_unit("mph")[0], 4), power_unit("mph")[1], power_unit("km/h")
    (745.6999, 'hp', (1000.0, 'kW'))
    """
    return (HORSEPOWER_W, "hp") if speed_unit == "mph" else (1000.0, "kW")


def in_unit(text: str, unit: str) -> str:
    """A sentence with its speeds in m/s turned into `unit`, one decimal.

    Examples
    --------
    >>> in_unit("The wheel runs up to 1.2 m/s ahead.", "km/h")
    'The wheel runs up to 4.3 km/h ahead.'
    """

    def turned(found: re.Match[str]) -> str:
        return f"{mps_to_speed(float(found[1]), unit):.1f} {unit}"

    return re.sub(r"([0-9.]*[0-9]) m/s\b(?!²)", turned, text)
