"""What the picture of a day's run showed, kept: watching a clip is most of a run's time.

It lies beside the run's results as ``NAME.motion.npz``, with the digest of clip, logs and the part
of the sheet that it depends on. An offset given by hand is none of that, so that a run is worked
out again with another offset at once, and a run without an answer can still be looked at.
"""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

from overlay.jobs.day_store import digest, keep, kept_under, restored, stamp
from overlay.motion.camera import Camera
from overlay.motion.model import GainErrors, MotionSignal
from overlay.progress import Progress, silent
from overlay.series import Series
from overlay.session import AlignedRun, RunInputs
from overlay.session.steps import measured
from overlay.sheet import DaySheet, Run
from overlay.sync.model import Alignment


def motion_path(folder: Path, name: str) -> Path:
    """Where it is kept; `folder` is that of the kept results."""
    return folder / f"{name}.motion.npz"


def motion_key(sheet: DaySheet, run: Run) -> str:
    """Digest of all that it depends on."""
    files = [stamp(sheet.file(name)) for name in (run.clip, *run.logs)]
    return digest(files, run.model_dump(include={"same_clock", "rounding", "window_s", "columns"}))


def watched(
    sheet: DaySheet, run: Run, inputs: RunInputs, folder: Path, progress: Progress = silent
) -> AlignedRun:
    """The alignment by motion in the picture alone: the kept one, or measured now and kept."""
    kept = load_motion(sheet, run, folder)
    if kept is not None:
        return AlignedRun(inputs, *kept)
    found = measured(inputs, progress)
    key, alignment = motion_key(sheet, run), asdict(found.alignment)
    keep(motion_path(folder, run.name), key, {"alignment": alignment}, asdict(found.motion))
    return found


def load_motion(sheet: DaySheet, run: Run, folder: Path) -> tuple[MotionSignal, Alignment] | None:
    """What is kept of a run where it still fits, else None."""
    return kept_under(motion_path(folder, run.name), motion_key(sheet, run), _motion_of)


def _motion_of(facts: dict[str, Any], motion: dict[str, Any]) -> tuple[MotionSignal, Alignment]:
    motion["gain_errors"] = restored(GainErrors, motion["gain_errors"])
    motion["camera"] = restored(Camera | None, motion["camera"])
    return MotionSignal(**motion), restored(Alignment, facts["alignment"])


def keep_logged(sheet: DaySheet, run: Run, speed: Series, folder: Path) -> None:
    """Keep a run's speed log as it came, m/s on its own clock, to be shown beside the motion."""
    if load_logged(sheet, run, folder) is not None:
        return  # by a day that was stopped before the run was worked out
    said = {"t_s": speed.t_s, "values": speed.values}
    keep(folder / f"{run.name}.logged.npz", motion_key(sheet, run), {}, said)


def load_logged(sheet: DaySheet, run: Run, folder: Path) -> Series | None:
    """What is kept of a run's speed log where it still fits, else None."""
    path = folder / f"{run.name}.logged.npz"
    return kept_under(path, motion_key(sheet, run), lambda _, said: Series("speed_mps", **said))
