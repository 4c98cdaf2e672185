"""What the page shows of runs, as plain values in the units it shows."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from overlay.desk.draft import unknown_run
from overlay.jobs.day_find import FoundRuns
from overlay.jobs.day_motion import load_motion
from overlay.jobs.day_one import RunTask, cell_of, inputs_of
from overlay.jobs.day_store import digest
from overlay.jobs.names import KEPT
from overlay.jobs.text import align_report, offset_lines, run_lines
from overlay.motion.model import MotionSignal
from overlay.page.play import read_play
from overlay.session import AlignedRun
from overlay.sheet import DaySheet, Run
from overlay.sync.model import Alignment
from overlay.units import mps_to_speed

MOST_POINTS = 1500  # of a curve: more than a wide screen has columns for
TOP_PERCENT = 98

Floats = npt.NDArray[np.float64]


def runs_view(sheet: DaySheet, folder: Path) -> list[dict[str, Any]]:
    """Each run's state and, where it is worked out, its figures in a few words."""
    return [_run_line(RunTask(sheet, run, folder)) for run in sheet.runs]


def _run_line(task: RunTask) -> dict[str, Any]:
    view = unknown_run(task.sheet, task.run)
    kept = task.kept_run()
    if kept is None:
        failed = task.kept_failure()
        return view if failed is None else {**view, "state": "failed", "problem": failed.problem}
    splits = [
        f"{split.goal.label} {split.time_s:.2f} s"
        for split in kept.splits
        if split.time_s is not None
    ]
    offset = offset_lines(kept.alignment)[:1] if kept.alignment else ()
    return {
        **view,
        "state": "done",
        "offset": " ".join(offset),
        "splits": splits,
        "marks": [mark.kind for mark in kept.marks],
    }


def run_view(sheet: DaySheet, run: Run, folder: Path) -> dict[str, Any]:
    """Everything about one run: the evidence of its sync, and its curves where it is worked out.

    Times are footage time of the run's own part of the clip, seconds; log times count from
    `base_s`; speeds are in the sheet's unit.
    """
    unit, task = sheet.report.speed_unit, RunTask(sheet, run, folder)
    view = _run_line(task)
    view |= {"unit": unit, "clip": run.clip, "given_s": run.offset_s}
    seen = load_motion(sheet, run, folder / KEPT)
    if seen is None:
        return view
    motion, found = seen
    inputs, start_s = inputs_of(task)
    times = inputs.clip.frame_times.seconds
    base_s = run.offset_s if run.offset_s is not None else _first_guess_s(found, motion, inputs)
    speed = inputs.speed
    kept = task.kept_run()
    final = found if kept is None or kept.alignment is None else kept.alignment
    view["evidence"] = {
        "clip_start_s": start_s,
        "duration_s": inputs.clip.duration_s,
        "frame_s": float(np.median(np.diff(times))) if len(times) > 1 else 0.04,
        "motion": _motion_curve(motion, found, unit, float(np.max(speed.values, initial=0.0))),
        "base_s": base_s,
        "log": _curve(speed.t_s - base_s, mps_to_speed(1.0, unit) * speed.values),
        "determined": found.determined,
        "measured_s": found.total_offset_s,
        "interval_s": found.interval_s,
        "reason": found.reason or "",
        "lines": align_report(AlignedRun(inputs, motion, final)).split("\n"),
    }
    if kept is None:
        return view
    k = kept.kinematics
    factor = mps_to_speed(1.0, unit)
    known = np.where(k.known, k.speed_mps, np.nan)
    view["course"] = _curve(k.t_s, factor * known)
    view["launch_s"] = None if kept.launch is None else kept.launch.at_s
    view["lines"] = list(run_lines(cell_of(task, kept).run, unit))
    clip = Path(inputs.clip.path).relative_to(sheet.folder).as_posix()
    data = read_play(play_folder(task), play_key(task))
    base = play_folder(task).relative_to(sheet.folder).as_posix()
    view["play"] = None if data is None else {"data": data, "base": base, "clip": clip}
    view["found_marks"] = [
        {"kind": m.kind, "start_s": m.start_s, "end_s": m.end_s, "detail": m.detail}
        for m in kept.marks
    ]
    return view


def recording_view(found: FoundRuns, unit: str) -> dict[str, Any]:
    """The runs of a long recording, and the strip on which their bounds are moved."""
    speed, motion = found.speed, found.motion
    factor = mps_to_speed(1.0, unit)
    top_mps = float(np.max(speed.values, initial=0.0))
    offset_s = found.alignment.total_offset_s
    log = None if offset_s is None else _curve(speed.t_s - offset_s, factor * speed.values)
    about = [
        f"launch about {filmed.launch_s:.1f} s, "
        + ("not seen in the log" if logged is None else f"{factor * logged.peak_mps:.0f} {unit}")
        for filmed, logged in found.runs
    ]
    return {
        "unit": unit,
        "duration_s": float(motion.t_s[-1]) if len(motion) else 0.0,
        "windows": [[round(filmed.start_s, 1), round(filmed.end_s, 1)] for filmed, _ in found.runs],
        "about": about,
        "only_logged": len(found.only_logged),
        "motion": _motion_curve(motion, found.alignment, unit, top_mps),
        "log": log,
    }


def play_folder(task: RunTask) -> Path:
    """Where the player's files of a run are."""
    return task.folder / KEPT / "play" / task.name


def play_key(task: RunTask) -> str:
    """Digest of all that they depend on."""
    return digest("play", task.clip_key)


def _first_guess_s(found: Alignment, motion: MotionSignal, inputs: Any) -> float:
    """Where the log is laid first: as measured, else its fastest instant over the picture's."""
    if found.total_offset_s is not None:
        return found.total_offset_s
    if inputs.options.same_clock or not len(motion):
        return 0.0
    speed = inputs.speed
    fastest = float(speed.t_s[int(np.argmax(speed.values))])
    return fastest - float(motion.t_s[int(np.argmax(motion.forward * (motion.quality > 0)))])


def _motion_curve(
    motion: MotionSignal, found: Alignment, unit: str, top_mps: float
) -> dict[str, Any]:
    """Speed as the picture shows it; to the log's top where its scale is not known."""
    good = motion.quality > 0
    gain = found.gain_mps
    if gain is None:
        most = float(np.percentile(motion.forward[good], TOP_PERCENT)) if np.any(good) else 1.0
        gain = top_mps / most if most > 0 else 1.0
    values = np.where(good, motion.forward, np.nan) * gain * mps_to_speed(1.0, unit)
    return {**_curve(motion.t_s, values), "to_scale": found.gain_mps is not None}


def _curve(t_s: Floats, values: Floats) -> dict[str, Any]:
    return {"t": _thin(t_s, 4), "v": _thin(values)}


def _thin(values: Floats, digits: int = 3) -> list[float | None]:
    """At most `MOST_POINTS` of the values; None where one is not known."""
    step = max(1, -(-len(values) // MOST_POINTS))
    return [None if x != x else round(float(x), digits) for x in values[::step]]
