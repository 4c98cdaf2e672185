"""One run from its files to everything known of it: load, align, correct, analyse."""

from __future__ import annotations

from overlay.session.inputs import boxes_of, load, options_of
from overlay.session.machine import Machine, machine_of
from overlay.session.model import (
    AlignedRun,
    CorrectedRun,
    PixelBox,
    RunAnalysis,
    RunInputs,
    RunOptions,
)
from overlay.session.steps import align, analyse, correct, measure_motion, require_determined

__all__ = [
    "AlignedRun",
    "CorrectedRun",
    "Machine",
    "PixelBox",
    "RunAnalysis",
    "RunInputs",
    "RunOptions",
    "align",
    "analyse",
    "boxes_of",
    "correct",
    "load",
    "machine_of",
    "measure_motion",
    "options_of",
    "require_determined",
]
