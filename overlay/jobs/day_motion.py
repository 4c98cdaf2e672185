"""What the picture of a day's run showed, kept: watching a clip is most of a run's time.

It lies beside the run's results as ``NAME.motion.npz``, with the digest of clip, logs and the part
of the sheet that it depends on. An offset given by hand is none of that, so that a run is worked
out again with another offset at once, and a run without an answer can still be looked at.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from overlay.files import written_whole
from overlay.jobs.day_store import alignment_from, digest, stamp
from overlay.motion.model import GainErrors, MotionSignal
from overlay.progress import Progress, silent
from overlay.session import AlignedRun, RunInputs
from overlay.session.steps import measured
from overlay.sheet import DaySheet, Run
from overlay.sync.model import Alignment

ARRAYS = ("t_s", "span_s", "forward", "quality", "sigma")


def motion_path(folder: Path, name: str) -> Path:
    """Where it is kept; `folder` is that of the kept results."""
    return folder / f"{name}.motion.npz"


def motion_key(sheet: DaySheet, run: Run) -> str:
    """Digest of all that it depends on."""
    files = [stamp(sheet.file(name)) for name in (run.clip, *run.logs)]
    return digest(files, run.model_dump(include={"same_clock", "window_s", "columns"}))


def watched(
    sheet: DaySheet, run: Run, inputs: RunInputs, folder: Path, progress: Progress = silent
) -> AlignedRun:
    """The alignment by motion in the picture alone: the kept one, or measured now and kept."""
    kept = load_motion(sheet, run, folder)
    if kept is not None:
        return AlignedRun(inputs, *kept)
    found = measured(inputs, progress)
    _save(motion_path(folder, run.name), motion_key(sheet, run), found)
    return found


def load_motion(sheet: DaySheet, run: Run, folder: Path) -> tuple[MotionSignal, Alignment] | None:
    """What is kept of a run where it still fits, else None."""
    try:
        with np.load(motion_path(folder, run.name), allow_pickle=False) as kept:
            facts = json.loads(kept["facts"].tobytes().decode())
            if facts["key"] != motion_key(sheet, run):
                return None
            said = facts["motion"]
            errors: dict[str, Any] = {
                name: tuple(value) if isinstance(value, list) else value
                for name, value in said.pop("gain_errors").items()
            }
            arrays = {name: kept[name] for name in ARRAYS}
            motion = MotionSignal(**said, **arrays, gain_errors=GainErrors(**errors))
            alignment = alignment_from(facts["alignment"])
    except Exception:  # damaged in whatever way, or not there: it is measured anew
        return None
    return None if alignment is None else (motion, alignment)


def _save(path: Path, key: str, found: AlignedRun) -> None:
    motion = found.motion
    said = {name: value for name, value in vars(motion).items() if name not in ARRAYS}
    said["gain_errors"] = asdict(motion.gain_errors)
    facts = {"key": key, "motion": said, "alignment": found.alignment.to_json()}
    text = np.frombuffer(json.dumps(facts).encode(), dtype=np.uint8)
    arrays = {name: getattr(motion, name) for name in ARRAYS}
    with written_whole(path) as part, part.open("wb") as file:
        np.savez(file, allow_pickle=False, facts=text, **arrays)
