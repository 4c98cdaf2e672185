"""Comparison: statistics, verdicts, value for money, power.

The names are found on first use, so that importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from overlay.compare.atmosphere import Correction, correction, corrections
    from overlay.compare.cautions import rev_caution
    from overlay.compare.gearing import (
        Regeared,
        ratio_with_sprocket,
        regear,
        rpm_at_speed,
        speed_at_rpm,
    )
    from overlay.compare.power import (
        PowerCurve,
        RoadLoad,
        assumed_road_load,
        corrected,
        fit_coast,
        power_curve,
        with_rpm,
    )
    from overlay.compare.value import Gain, Value, money, steps, value_of
    from overlay.compare.verdict import (
        CANNOT_TELL,
        NO_DIFFERENCE,
        REAL,
        BuildSummary,
        Comparison,
        Pairing,
        RunSplit,
        compare_all,
        compare_builds,
        run_split,
        summarise,
    )
    from overlay.compare.where import (
        Curve,
        Stretch,
        Trace,
        Where,
        accel_by_speed,
        speed_by_distance,
        stretches,
        time_by_distance,
    )

_NAMES = {
    "atmosphere": "Correction correction corrections",
    "cautions": "rev_caution",
    "gearing": "Regeared ratio_with_sprocket regear rpm_at_speed speed_at_rpm",
    "power": "PowerCurve RoadLoad assumed_road_load corrected fit_coast power_curve with_rpm",
    "value": "Gain Value money steps value_of",
    "verdict": "CANNOT_TELL NO_DIFFERENCE REAL BuildSummary Comparison Pairing RunSplit "
    "compare_all compare_builds run_split summarise",
    "where": "Curve Stretch Trace Where accel_by_speed speed_by_distance stretches "
    "time_by_distance",
}
_MODULE_OF = {name: module for module, names in _NAMES.items() for name in names.split()}

__all__ = [
    "CANNOT_TELL",
    "NO_DIFFERENCE",
    "REAL",
    "BuildSummary",
    "Comparison",
    "Correction",
    "Curve",
    "Gain",
    "Pairing",
    "PowerCurve",
    "Regeared",
    "RoadLoad",
    "RunSplit",
    "Stretch",
    "Trace",
    "Value",
    "Where",
    "accel_by_speed",
    "assumed_road_load",
    "compare_all",
    "compare_builds",
    "corrected",
    "correction",
    "corrections",
    "fit_coast",
    "money",
    "power_curve",
    "ratio_with_sprocket",
    "regear",
    "rev_caution",
    "rpm_at_speed",
    "run_split",
    "speed_at_rpm",
    "speed_by_distance",
    "steps",
    "stretches",
    "summarise",
    "time_by_distance",
    "value_of",
    "with_rpm",
]


def __getattr__(name: str) -> Any:
    if name not in _MODULE_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_MODULE_OF[name]}"), name)
