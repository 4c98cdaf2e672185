"""The ready-made clips, with their logs also written on the footage's own clock."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

from overlay.demo.truth import RunTruth
from overlay.logs import read_log
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
