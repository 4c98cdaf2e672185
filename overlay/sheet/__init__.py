"""The day sheet: one TOML file with the vehicle, its builds, the day's runs and what to report.

The public names are loaded at first use, since the validating library is slow to import.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from overlay.sheet.load import load_sheet
    from overlay.sheet.model import (
        Build,
        Conditions,
        DaySheet,
        Part,
        Report,
        Run,
        Vehicle,
    )
    from overlay.sheet.problems import Problem, SheetError
    from overlay.sheet.schema import json_schema

__all__ = [
    "Build",
    "Conditions",
    "DaySheet",
    "Part",
    "Problem",
    "Report",
    "Run",
    "SheetError",
    "Vehicle",
    "json_schema",
    "load_sheet",
]

_HOMES = {
    **dict.fromkeys(
        ("Build", "Conditions", "DaySheet", "Part", "Report", "Run", "Vehicle"), "model"
    ),
    "Problem": "problems",
    "SheetError": "problems",
    "json_schema": "schema",
    "load_sheet": "load",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
