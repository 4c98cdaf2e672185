"""What is kept of a day's runs, so that nothing unchanged is done again.

A run's results lie in one file, ``NAME.npz``, with the digest of everything they depend on: the
files' sizes and times of change, what the sheet says of run and vehicle, and the program. A run
that failed has its reason in ``NAME.failed.json`` under the same digest, and a finished clip a
small note beside it. What cannot be read, or has another digest, counts as
not there. Nothing is unpickled: the folder may come from somebody else.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from overlay.compare.standing import DayRun
from overlay.files import written_whole
from overlay.runs.model import Kinematics, Launch, Mark, Split, SplitGoal
from overlay.series import Series
from overlay.sheet import DaySheet, Run
from overlay.sync.model import Alignment, ChannelTiming

LIBRARIES = ("numpy", "scipy", "opencv-python-headless", "av", "imageio-ffmpeg", "pillow")
FORMAT = 4  # raised whenever the results of the same inputs, or the file itself, change
ARRAYS = (
    "t_s",
    "speed_mps",
    "accel_mps2",
    "distance_m",
    "speed_sigma_mps",
    "accel_sigma_mps2",
    "distance_sigma_m",
    "known",
)


def digest(*parts: Any) -> str:
    """Digest of plain values, the program's version included."""
    text = json.dumps([program(), FORMAT, *parts], sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


@cache
def program() -> str:
    """Versions of the program and of the libraries that its results come from."""
    from importlib import metadata

    def version(name: str) -> str:
        try:
            return f"{name} {metadata.version(name)}"
        except metadata.PackageNotFoundError:
            return f"{name} unknown"

    return ", ".join(map(version, ("timetrue", *LIBRARIES)))


def stamp(path: Path) -> tuple[str, int, int]:
    """Name, size and time of change of a file; -1 where it is missing."""
    try:
        seen = path.stat()
    except OSError:
        return path.name, -1, -1
    return path.name, seen.st_size, seen.st_mtime_ns


def run_key(sheet: DaySheet, run: Run, goals: Sequence[SplitGoal]) -> str:
    """Digest of all that a run's results depend on."""
    build = sheet.build(run.build)
    vehicle = sheet.vehicle if build is None else sheet.vehicle_of(build)
    of_vehicle = vehicle.model_dump(
        include={
            "gear_ratios",
            "tyre_diameter_m",
            "rolling_circumference_m",
            "clutch",
            "limiter_rpm",
            "cylinders",
            "strokes",
        }
    )
    said = run.model_dump(include={"same_clock", "offset_s", "window_s", "signal_s", "columns"})
    files = [stamp(sheet.file(name)) for name in (run.clip, *run.logs)]
    return digest(files, said, of_vehicle, [asdict(goal) for goal in goals])


def save_run(path: Path, key: str, run: DayRun) -> None:
    """Keep a run's results, whole or not at all."""
    k = run.kinematics
    facts = {
        "key": key,
        "timing_sigma_s": k.timing_sigma_s,
        "launch_s": k.launch_s,
        "launch_sigma_s": k.launch_sigma_s,
        "speed_noise_mps": k.speed_noise_mps,
        "name": run.name,
        "build": run.build,
        "started_s": run.started_s,
        "started_by": run.started_by,
        "heading_deg": run.heading_deg,
        "launch": None if run.launch is None else asdict(run.launch),
        "splits": [asdict(split) for split in run.splits],
        "marks": [asdict(mark) for mark in run.marks],
        "alignment": None if run.alignment is None else run.alignment.to_json(),
    }
    arrays = {name: getattr(k, name) for name in ARRAYS}
    if run.rpm is not None:
        arrays |= {"rpm_t_s": run.rpm.t_s, "rpm": run.rpm.values}
    text = np.frombuffer(json.dumps(facts).encode(), dtype=np.uint8)
    with written_whole(path) as part, part.open("wb") as file:
        np.savez(file, allow_pickle=False, facts=text, **arrays)


def load_run(path: Path, key: str) -> DayRun | None:
    """A run's kept results; None where there are none that fit."""
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as kept:
            facts = json.loads(kept["facts"].tobytes().decode())
            if facts["key"] != key:
                return None
            return _restored(facts, {name: kept[name] for name in kept.files})
    except Exception:  # damaged in whatever way: it is worked out anew
        return None


def save_failure(path: Path, key: str, reason: str, exit_code: int) -> None:
    """Keep why a run cannot be worked out."""
    with written_whole(path) as part:
        text = json.dumps({"key": key, "reason": reason, "exit_code": exit_code})
        part.write_text(text, encoding="utf-8")


def load_failure(path: Path, key: str) -> tuple[str, int] | None:
    """Reason and exit code of a failure under the same digest, else None."""
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
        return (str(said["reason"]), int(said["exit_code"])) if said["key"] == key else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


def is_drawn(clip: Path, note: Path, key: str) -> bool:
    """Whether a finished clip is there, unchanged since it was written under this digest."""
    try:
        said = json.loads(note.read_text(encoding="utf-8"))
        return bool(said == {"key": key, "file": list(stamp(clip))} and said["file"][1] > 0)
    except (OSError, ValueError, KeyError, TypeError, IndexError):
        return False


def note_drawn(clip: Path, note: Path, key: str) -> None:
    """Remember that a clip was written under this digest."""
    with written_whole(note) as part:
        part.write_text(json.dumps({"key": key, "file": list(stamp(clip))}), encoding="utf-8")


def _restored(facts: dict[str, Any], arrays: dict[str, Any]) -> DayRun:
    kinematics = Kinematics(
        **{name: arrays[name] for name in ARRAYS},
        **{
            name: facts[name]
            for name in ("timing_sigma_s", "launch_s", "launch_sigma_s", "speed_noise_mps")
        },
    )
    rpm = None
    if "rpm" in arrays:
        rpm = Series("engine_rpm", arrays["rpm_t_s"], arrays["rpm"])
    return DayRun(
        facts["name"],
        facts["build"],
        kinematics,
        None if facts["launch"] is None else Launch(**facts["launch"]),
        tuple(Split(**{**row, "goal": SplitGoal(**row["goal"])}) for row in facts["splits"]),
        tuple(Mark(**row) for row in facts["marks"]),
        rpm,
        alignment_from(facts["alignment"]),
        facts["started_s"],
        facts["started_by"],
        facts["heading_deg"],
    )


def alignment_from(facts: dict[str, Any] | None) -> Alignment | None:
    """An alignment from what its :meth:`~Alignment.to_json` gave."""
    if facts is None:
        return None

    def tuples(row: dict[str, Any]) -> dict[str, Any]:
        return {key: tuple(item) if isinstance(item, list) else item for key, item in row.items()}

    channels = tuple(ChannelTiming(**tuples(row)) for row in facts["channels"])
    return Alignment(**{**tuples(facts), "channels": channels})
