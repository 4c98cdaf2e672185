"""The day sheet: one TOML file with the vehicle, its builds, the day's runs and what to report."""

from overlay.sheet.candidates import Candidate, Engine
from overlay.sheet.load import load_sheet, read_sheet
from overlay.sheet.model import Build, Conditions, DaySheet, Purchase, Report, Run, Vehicle
from overlay.sheet.problems import Problem, SheetError

__all__ = [
    "Build",
    "Candidate",
    "Conditions",
    "DaySheet",
    "Engine",
    "Problem",
    "Purchase",
    "Report",
    "Run",
    "SheetError",
    "Vehicle",
    "load_sheet",
    "read_sheet",
]
