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
from collections.abc import Callable, Sequence
from dataclasses import asdict
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from pydantic import TypeAdapter

from overlay.compare.standing import DayRun
from overlay.files import written_whole
from overlay.runs.model import Kinematics, Launch, Mark, Split, SplitGoal
from overlay.series import Series
from overlay.sheet import DaySheet, Run
from overlay.sync.model import Alignment

Made = TypeVar("Made")
LIBRARIES = ("numpy", "scipy", "opencv-python-headless", "av", "imageio-ffmpeg", "pillow")
FORMAT = 7  # raised whenever the results of the same inputs, or the file itself, change


def digest(*parts: Any) -> str:
    """Digest of plain values, the program's version included."""
    text = json.dumps([program(), FORMAT, *parts], sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


@cache
def program() -> str:
    """Versions of the program and of the libraries that its results come from."""

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
    size = {"tyre_diameter_m", "rolling_circumference_m"}
    engine = {"limiter_rpm", "cylinders", "strokes"}
    of_vehicle = vehicle.model_dump(include={"gear_ratios", "clutch", *size, *engine})
    of_run = {"same_clock", "offset_s", "rounding", "window_s", "signal_s", "columns"}
    said = run.model_dump(include=of_run)
    files = [stamp(sheet.file(name)) for name in (run.clip, *run.logs)]
    return digest(files, said, of_vehicle, [asdict(goal) for goal in goals])


def keep(path: Path, key: str, facts: dict[str, Any], motion: dict[str, Any]) -> None:
    """Keep plain facts, and what moves, arrays among it, whole or not at all."""
    arrays = {name: value for name, value in motion.items() if isinstance(value, np.ndarray)}
    plain = {name: value for name, value in motion.items() if name not in arrays}
    text = json.dumps({"key": key, "facts": facts, "motion": plain}).encode()
    with written_whole(path) as part, part.open("wb") as file:
        np.savez(file, allow_pickle=False, facts=np.frombuffer(text, dtype=np.uint8), **arrays)


def kept_under(
    path: Path, key: str, made: Callable[[dict[str, Any], dict[str, Any]], Made]
) -> Made | None:
    """What is made of the facts and the motion that :func:`keep` was given under the same digest.

    None where nothing that fits is there.
    """
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as kept:
            arrays = {name: kept[name] for name in kept.files}
        said = json.loads(arrays.pop("facts").tobytes())
        return made(said["facts"], said["motion"] | arrays) if said["key"] == key else None
    except Exception:  # damaged in whatever way: it is worked out anew
        return None


def restored(kind: Any, value: Any) -> Any:
    """A dataclass, or a tuple of them, from its plain form."""
    return _adapter(kind).validate_python(value)


@cache
def _adapter(kind: Any) -> TypeAdapter[Any]:
    return TypeAdapter(kind)  # takes 10 ms to make


def save_run(path: Path, key: str, run: DayRun) -> None:
    """Keep a run's results."""
    facts = asdict(run)
    motion, rpm = facts.pop("kinematics"), facts.pop("rpm")
    if rpm is not None:
        motion |= {"rpm_t_s": rpm["t_s"], "rpm": rpm["values"]}
    keep(path, key, facts, motion)


def load_run(path: Path, key: str) -> DayRun | None:
    """A run's kept results; None where there are none that fit."""
    return kept_under(path, key, _run_of)


def _run_of(facts: dict[str, Any], motion: dict[str, Any]) -> DayRun:
    rpm = None
    if "rpm" in motion:
        rpm = Series("engine_rpm", motion.pop("rpm_t_s"), motion.pop("rpm"))
    facts["launch"] = restored(Launch | None, facts["launch"])
    facts["splits"] = restored(tuple[Split, ...], facts["splits"])
    facts["marks"] = restored(tuple[Mark, ...], facts["marks"])
    facts["alignment"] = restored(Alignment | None, facts["alignment"])
    return DayRun(kinematics=Kinematics(**motion), rpm=rpm, **facts)


def note(path: Path, **said: Any) -> None:
    """Keep plain facts, such as why a run cannot be worked out."""
    with written_whole(path) as part:
        part.write_text(json.dumps(said), encoding="utf-8")


def noted(path: Path) -> dict[str, Any]:
    """What was kept there; nothing where it cannot be read."""
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return said if isinstance(said, dict) else {}


def is_drawn(clip: Path, path: Path, key: str) -> bool:
    """Whether a finished clip is there, unchanged since it was noted under this digest."""
    seen = stamp(clip)
    return noted(path) == {"key": key, "file": list(seen)} and seen[1] > 0


def note_drawn(clip: Path, path: Path, key: str) -> None:
    """Remember that a clip was written under this digest."""
    note(path, key=key, file=stamp(clip))
