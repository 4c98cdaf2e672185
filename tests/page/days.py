"""The simulated day as a page takes it: judged, and with what each picture and log showed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from overlay.motion.model import MotionSignal
from overlay.page.evidence import RunEvidence
from overlay.report.results import DayResults, judged_day
from overlay.series import Series
from overlay.sync.model import Alignment
from tests.jobs.simulated import simulated_day


def results_for(folder: Path, runs_per_build: int) -> DayResults:
    day = simulated_day(folder, runs_per_build=runs_per_build)
    return judged_day(day.sheet, day.runs, (("c1", "its <log> | is empty"),))


def evidence_for(results: DayResults, late_s: float = 0.9) -> dict[str, RunEvidence]:
    """The picture saw the speed that each run had; the log says it later."""
    rng = np.random.default_rng(3)
    found = Alignment(True, late_s, (late_s - 0.03, late_s + 0.03), 0.0, late_s, (0.87, 0.93))
    made = {}
    for run in results.runs:
        k = run.kinematics
        t_s = np.arange(k.t_s[0], k.t_s[-1], 1 / 30)
        seen = np.interp(t_s, k.t_s, k.speed_mps) / 12 + rng.normal(0, 0.02, len(t_s))
        whole, small = np.ones(len(t_s)), np.full(len(t_s), 0.02)
        motion = MotionSignal(t_s, whole / 30, seen, whole, small, 0.5)
        speed = Series("speed_mps", k.t_s[::10] + late_s, k.speed_mps[::10])
        made[run.name] = RunEvidence(motion, speed, replace(found, gain_mps=12.0, agreement=0.9954))
    return made
