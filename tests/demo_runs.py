"""The ready-made clips, with their logs also written on the footage's own clock."""

from __future__ import annotations

import csv
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

from overlay.demo.truth import RunTruth
from overlay.logs import read_log
from overlay.render.encoder import ffmpeg_path
from tests.simulation import read_truth

CLIPS = Path(__file__).resolve().parents[1] / "demo_clips"


@dataclass(frozen=True)
class ReadyRun:
    """One ready-made run: its files as strings, and its truth."""

    clip: str
    log: str
    revs: str
    truth: RunTruth


def ready_runs() -> list[ReadyRun]:
    """Both runs, in order of their names."""
    truths = sorted(read_truth(CLIPS / "truth.json"), key=lambda truth: truth.name)
    return [
        ReadyRun(
            str(CLIPS / truth.clip),
            str(CLIPS / truth.speed_log),
            str(CLIPS / truth.revs_log),
            truth,
        )
        for truth in truths
    ]


def small_day(folder: Path) -> Path:
    """A copy of the ready-made day in small pictures, which cost less to read and to draw."""
    shutil.copytree(CLIPS, folder)
    for clip in folder.glob("*.mp4"):
        small = clip.with_name("small.mp4")
        command = [ffmpeg_path(), "-v", "error", "-i", str(clip), "-vf", "scale=428:240"]
        subprocess.run([*command, "-c:a", "copy", str(small)], check=True)
        small.replace(clip)
    return folder


def same_clock_log(run: ReadyRun, folder: Path) -> str:
    """The run's speed as a table whose time column is footage time, lag left in."""
    speed = read_log(run.log).speed
    assert speed is not None
    path = folder / f"{run.truth.name}-same-clock.csv"
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(("t_s", "speed (m/s)"))
        moved = speed.shifted(-run.truth.clock_offset_s)
        writer.writerows(
            (f"{t:.3f}", f"{v:.3f}") for t, v in zip(moved.t_s, moved.values, strict=True)
        )
    return str(path)
