"""What is true of each run, as data and as a JSON file."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from overlay.demo.scenario import SPLIT_DISTANCES_M, SPLIT_SPEEDS_MPS, RunPlan
from overlay.demo.vehicle import STEP_S, Motion
from overlay.errors import InputError
from overlay.files import require_file, written_whole
from overlay.units import ROLLOUT_M

EVERY = 20  # grid steps from one kept value to the next: 50 Hz
SPIN = 0.08  # rim over ground speed, less 1, from which a run counts as spinning


@dataclass(frozen=True)
class SplitTruth:
    """Seconds from launch to a speed (``speed``, m/s) or a distance (``distance``, m).

    `time_s` is None when the run does not reach it; `after_rollout_s` leaves out the time to the
    first 0.3048 m.
    """

    kind: str
    value: float
    time_s: float | None
    after_rollout_s: float | None


@dataclass(frozen=True)
class RunTruth:
    """The truth of one run; offsets are log time minus footage time.

    Attributes
    ----------
    name, build : str
    clip, speed_log, revs_log : str
        File names within the folder.
    clock_offset_s : float
        Of the receiver, from its first record.
    delay_s, smoothing_s, readout_lag_s : float
        D, tau and their sum.
    total_offset_s : float
        Clock offset and readout lag: how much later the log shows an event.
    revs_clock_offset_s : float
        Of the rev counter, on its own time column.
    launch_s, stop_s, lift_s : float
        Footage times of the launch, the stop and the throttle's shutting.
    rollout_s : float
        Footage time at which 0.3048 m are covered.
    top_speed_mps : float
    splits : tuple of SplitTruth
    spoiled : str or None
    wheelspin_s : tuple of (float, float)
        Footage times between which the driven wheels run over `SPIN` ahead of the ground.
    t_s, speed_mps, distance_m, wheel_speed_mps, engine_rpm : tuple of float
        The motion at 50 Hz on footage time.
    """

    name: str
    build: str
    clip: str
    speed_log: str
    revs_log: str
    clock_offset_s: float
    delay_s: float
    smoothing_s: float
    readout_lag_s: float
    total_offset_s: float
    revs_clock_offset_s: float
    launch_s: float
    rollout_s: float
    lift_s: float
    stop_s: float
    top_speed_mps: float
    splits: tuple[SplitTruth, ...]
    spoiled: str | None
    wheelspin_s: tuple[tuple[float, float], ...]
    t_s: tuple[float, ...]
    speed_mps: tuple[float, ...]
    distance_m: tuple[float, ...]
    wheel_speed_mps: tuple[float, ...]
    engine_rpm: tuple[float, ...]


def truth_of(
    plan: RunPlan, motion: Motion, *, clip: str, speed_log: str, revs_log: str
) -> RunTruth:
    """Gather the truth of a run that was simulated with `plan`."""
    receiver = plan.receiver
    rolled = motion.split_to_distance(ROLLOUT_M)
    goals = [("speed", v) for v in SPLIT_SPEEDS_MPS] + [("distance", s) for s in SPLIT_DISTANCES_M]
    lift = np.flatnonzero((motion.throttle < 1) & (motion.distance_m >= plan.drive.lift_at_m))
    moving = np.flatnonzero(motion.speed_mps > 0)
    kept = slice(None, None, EVERY)

    def short(values: Any, digits: int) -> tuple[float, ...]:
        return tuple(round(float(v), digits) for v in values[kept])

    return RunTruth(
        name=plan.name,
        build=plan.build.key,
        clip=clip,
        speed_log=speed_log,
        revs_log=revs_log,
        clock_offset_s=receiver.before_s,
        delay_s=receiver.delay_s,
        smoothing_s=receiver.smoothing_s,
        readout_lag_s=receiver.lag_s,
        total_offset_s=receiver.before_s + receiver.lag_s,
        revs_clock_offset_s=plan.counter.clock_offset_s,
        launch_s=motion.launch_s,
        rollout_s=motion.launch_s + rolled,
        lift_s=float(motion.t_s[lift[0]]),
        stop_s=float(motion.t_s[moving[-1]] + STEP_S),
        top_speed_mps=float(motion.speed_mps.max()),
        splits=tuple(_split(motion, kind, value, rolled) for kind, value in goals),
        spoiled=plan.spoiled,
        wheelspin_s=_spins(motion),
        t_s=short(motion.t_s, 3),
        speed_mps=short(motion.speed_mps, 4),
        distance_m=short(motion.distance_m, 4),
        wheel_speed_mps=short(motion.wheel_speed_mps, 4),
        engine_rpm=short(motion.engine_rpm, 1),
    )


def _split(motion: Motion, kind: str, value: float, rolled_s: float) -> SplitTruth:
    take = motion.split_to_speed if kind == "speed" else motion.split_to_distance
    time_s = take(value)
    if math.isnan(time_s):
        return SplitTruth(kind, value, None, None)
    return SplitTruth(kind, value, round(time_s, 5), round(time_s - rolled_s, 5))


def _spins(motion: Motion) -> tuple[tuple[float, float], ...]:
    ahead = motion.wheel_speed_mps > (1 + SPIN) * motion.speed_mps + 0.05
    edges = np.flatnonzero(np.diff(np.concatenate([[0], ahead.astype(int), [0]])))
    t = motion.t_s
    return tuple(
        (round(float(t[a]), 3), round(float(t[min(b, len(t) - 1)]), 3))
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    )


def write_truth(path: Path, runs: tuple[RunTruth, ...], *, facts: dict[str, Any]) -> None:
    """Write ``truth.json``: `facts` of the day and the list ``runs``."""
    text = json.dumps({**facts, "runs": [asdict(run) for run in runs]}, separators=(",", ":"))
    with written_whole(path) as part:
        part.write_text(text.replace('{"name"', '\n{"name"') + "\n", encoding="utf-8")


def read_truth(path: Path) -> tuple[RunTruth, ...]:
    """Read the runs back from a ``truth.json``.

    Raises
    ------
    InputError
        If it is missing or not such a file.
    """
    try:
        rows = json.loads(require_file(path).read_text(encoding="utf-8"))["runs"]
        return tuple(_run_from(row) for row in rows)
    except (ValueError, KeyError, TypeError) as error:
        raise InputError(f"{path}: is no truth file of the demo ({error}); make it anew") from error


def _run_from(row: dict[str, Any]) -> RunTruth:
    row = dict(row)
    row["splits"] = tuple(SplitTruth(**split) for split in row["splits"])
    row["wheelspin_s"] = tuple((a, b) for a, b in row["wheelspin_s"])
    for name in ("t_s", "speed_mps", "distance_m", "wheel_speed_mps", "engine_rpm"):
        row[name] = tuple(row[name])
    return RunTruth(**row)
