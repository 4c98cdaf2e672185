"""A run in closed form, as the steps before a page give it."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from overlay.engine.driveline import Driveline
from overlay.footage import probe
from overlay.logs.model import Log
from overlay.motion.model import MotionSignal
from overlay.runs.course import Course
from overlay.series import Series
from overlay.session import AlignedRun, RunAnalysis, RunInputs, RunOptions
from overlay.session.machine import Machine
from overlay.sync.model import Alignment
from tests.clips import make_clip

RATIO, WHEEL_M = 7.5, 1.8  # 250 rpm for 1 m/s


def analysis_of(course: Course, folder: Path, *, late_s: float = 0.0) -> RunAnalysis:
    """The run with a small clip of 10 s, 10 frames a second."""
    clip = make_clip(folder / "run.mp4", size=(640, 360), rate=Fraction(10), seconds=10.0)
    k = course.kinematics
    speed = Series("speed_mps", k.t_s + late_s, k.speed_mps)
    log = Log("run.csv", "table", "elapsed", None, {"speed_mps": speed}, "speed (m/s)")
    line = Driveline((RATIO,), WHEEL_M)
    inputs = RunInputs(probe(clip), (log,), log, None, RunOptions(machine=Machine(line)))
    none = np.zeros(0)
    motion = MotionSignal(none, none, none, none, none, 0.0)
    found = Alignment(True, total_offset_s=late_s, clock_offset_s=0.0, readout_lag_s=late_s)
    found = replace(found, delay_s=late_s, interval_s=(late_s - 0.04, late_s + 0.04))
    aligned = AlignedRun(inputs, motion, found)
    return RunAnalysis(
        aligned, k, course.launch, course.rpm, splits=course.splits, marks=course.marks
    )
