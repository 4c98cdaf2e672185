"""The demo's day worked out from its logs and its known lag, without filming or watching it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from overlay.compare.standing import DayRun
from overlay.demo.day import day_sheet
from overlay.demo.recorder import record_revs, record_speed
from overlay.demo.scenario import RunPlan, plan_day
from overlay.demo.truth import RunTruth, truth_of
from overlay.demo.vehicle import simulate
from overlay.engine.driveline import Driveline
from overlay.runs import find_launch, find_marks, parse_goal, smooth, splits
from overlay.series import Series
from overlay.session import machine_of
from overlay.sheet import DaySheet, load_sheet

# As the estimate and the onset of motion from a clip of the demo claim them; the soft start's part
# is common to the day.
LAG_SIGMA_S = 0.007
ONSET_SIGMA_S = 0.048
SOFT_SIGMA_S = 0.038
OWN_SIGMA_S = math.sqrt(ONSET_SIGMA_S**2 - SOFT_SIGMA_S**2)


@dataclass(frozen=True, eq=False)
class SimulatedDay:
    """Sheet, runs and truths in the order driven."""

    sheet: DaySheet
    runs: tuple[DayRun, ...]
    truths: tuple[RunTruth, ...]


def simulated_day(folder: Path, *, runs_per_build: int = 3, rng_seed: int = 2026) -> SimulatedDay:
    """Simulate the demo's day and work its logs out with the true lag."""
    plans = plan_day(
        runs_per_build=runs_per_build, size=(960, 540), rng_seed=rng_seed, camera_gps=True
    )
    made = [_recorded(plan) for plan in plans]
    truths = tuple(truth for truth, _, _ in made)
    (folder / "day.toml").write_text(day_sheet(truths), encoding="utf-8")
    sheet = load_sheet(folder / "day.toml", files=False)
    rng = np.random.default_rng(rng_seed)
    soft_s = float(rng.normal(0, SOFT_SIGMA_S))
    runs = []
    for plan, (truth, speed, revs) in zip(plans, made, strict=True):
        driveline = machine_of(sheet, truth.build).driveline
        goals = sheet.report.splits
        onset_error_s = soft_s + float(rng.normal(0, OWN_SIGMA_S))
        run = _worked_out(truth, speed, revs, driveline, goals, onset_error_s)
        runs.append(replace(run, started_s=plan.receiver.first_utc.timestamp()))
    return SimulatedDay(sheet, tuple(runs), truths)


def _recorded(plan: RunPlan) -> tuple[RunTruth, Series, Series]:
    motion = simulate(plan.build.vehicle, plan.drive)
    speed, revs = record_speed(motion, plan.receiver), record_revs(motion, plan.counter)
    return (
        truth_of(plan, motion),
        Series("speed_mps", speed.log_s, speed.speed_mps),
        Series("engine_rpm", revs.log_s - revs.clock_offset_s, revs.engine_rpm),
    )


def _worked_out(
    truth: RunTruth,
    speed: Series,
    revs: Series,
    driveline: Driveline | None,
    goals: tuple[str, ...],
    onset_error_s: float,
) -> DayRun:
    kinematics = smooth(
        speed,
        delay_s=truth.clock_offset_s + truth.delay_s,
        smoothing_s=truth.smoothing_s,
        timing_sigma_s=LAG_SIGMA_S,
        start_s=0.0,
        end_s=truth.t_s[-1],
    )
    launch = find_launch(
        kinematics,
        motion_onset_s=truth.launch_s + onset_error_s,
        motion_onset_sigma_s=ONSET_SIGMA_S,
        motion_onset_soft_sigma_s=SOFT_SIGMA_S,
    )
    return DayRun(
        truth.name,
        truth.build,
        kinematics,
        launch,
        splits(kinematics, launch, [parse_goal(goal) for goal in goals]),
        find_marks(kinematics, launch, rpm=revs, driveline=driveline),
        revs,
    )
