"""What is true of each run, as data and as a JSON file."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from overlay.demo.scenario import (
    BUILDS,
    SPEED_UNIT,
    SPLIT_DISTANCES_M,
    SPLIT_SPEEDS,
    RunPlan,
    surroundings,
)
from overlay.demo.vehicle import STEP_S, DemoVehicle, Drive, Motion, simulate
from overlay.files import written_whole
from overlay.timebase import FloatArray
from overlay.units import MPS_PER

EVERY = 20  # grid steps from one kept value to the next: 50 Hz


@dataclass(frozen=True)
class SplitTruth:
    """Seconds from launch to a ``speed`` (m/s) or a ``distance`` (m); None if not reached."""

    kind: str
    value: float
    time_s: float | None


@dataclass(frozen=True)
class RunTruth:
    """The truth of one run; offsets are log time minus footage time."""

    name: str
    build: str
    # File names within the folder.
    clip: str
    speed_log: str
    revs_log: str
    clock_offset_s: float  # of the receiver, from its first record
    # D, tau and their sum.
    delay_s: float
    smoothing_s: float
    readout_lag_s: float
    total_offset_s: float  # clock offset and readout lag: how much later the log shows an event
    revs_clock_offset_s: float  # of the rev counter, on its own time column
    # Footage times of the launch and the stop.
    launch_s: float
    stop_s: float
    top_speed_mps: float
    splits: tuple[SplitTruth, ...]
    spoiled: str | None
    # The motion at 50 Hz on footage time.
    t_s: tuple[float, ...]
    speed_mps: tuple[float, ...]
    distance_m: tuple[float, ...]
    wheel_speed_mps: tuple[float, ...]
    engine_rpm: tuple[float, ...]


def truth_of(plan: RunPlan, motion: Motion) -> RunTruth:
    """Gather the truth of a run that was simulated with `plan`."""
    receiver = plan.receiver
    speeds = [round(v * MPS_PER[SPEED_UNIT], 5) for v in SPLIT_SPEEDS]
    splits = [("speed", v, motion.split_to_speed(v)) for v in speeds]
    splits += [("distance", s, motion.split_to_distance(s)) for s in SPLIT_DISTANCES_M]
    return RunTruth(
        name=plan.name,
        build=plan.build.key,
        clip=f"{plan.name}.mp4",
        speed_log=f"{plan.name}.gpx",
        revs_log=f"{plan.name}_revs.csv",
        clock_offset_s=receiver.before_s,
        delay_s=receiver.delay_s,
        smoothing_s=receiver.smoothing_s,
        readout_lag_s=receiver.lag_s,
        total_offset_s=receiver.before_s + receiver.lag_s,
        revs_clock_offset_s=plan.counter.clock_offset_s,
        launch_s=motion.launch_s,
        stop_s=float(motion.t_s[np.flatnonzero(motion.speed_mps)[-1]] + STEP_S),
        top_speed_mps=float(motion.speed_mps.max()),
        splits=tuple(
            SplitTruth(kind, goal, None if math.isnan(time_s) else round(time_s, 5))
            for kind, goal, time_s in splits
        ),
        spoiled=plan.spoiled,
        t_s=_short(motion.t_s, 3),
        speed_mps=_short(motion.speed_mps, 4),
        distance_m=_short(motion.distance_m, 4),
        wheel_speed_mps=_short(motion.wheel_speed_mps, 4),
        engine_rpm=_short(motion.engine_rpm, 1),
    )


@dataclass(frozen=True)
class DayTruth:
    """What is true of the builds over the furthest two distances."""

    difference_s: float  # B less A under the same heat and breeze, those of the middle of the day
    drift_s: Mapping[str, float]  # what heat and breeze add to its time from one run to the next


def truth_of_day(runs: int) -> DayTruth:
    """The truth of a day of so many runs, each build driven at the day's ends without luck."""
    last = runs - 1
    first, middle, end = (
        [_rolling_s(build.vehicle, turn) for build in BUILDS] for turn in (0.0, last / 2, last)
    )
    drift = {
        build.key: (late - early) / last
        for build, early, late in zip(BUILDS, first, end, strict=True)
    }
    return DayTruth(middle[1] - middle[0], drift)


def _rolling_s(vehicle: DemoVehicle, turn: float) -> float:
    power, headwind_mps = surroundings(turn)
    motion = simulate(vehicle, Drive(power=power, headwind_mps=headwind_mps))
    start, end = (motion.split_to_distance(x) for x in SPLIT_DISTANCES_M)
    return end - start


def _short(values: FloatArray, digits: int) -> tuple[float, ...]:
    return tuple(values[::EVERY].round(digits).tolist())


def write_truth(path: Path, runs: tuple[RunTruth, ...]) -> None:
    """Write ``truth.json``: what it is, and the list ``runs``."""
    what = "True values of a simulated day; offsets are log time minus footage time."
    day = {"what": what, "runs": [asdict(run) for run in runs]}
    text = json.dumps(day, separators=(",", ":")).replace('{"name"', '\n{"name"')
    with written_whole(path) as part:
        part.write_text(text + "\n", encoding="utf-8")
