"""What a whole day costs beside plain transcodes of its clips, and what it costs a second time.

Run from the checkout: ``python -m tests.benchmarks.speed.day [--runs 12] [--seconds 8]``.

A day of the demo's cart is made in 1080p: one run of each build is filmed, and the other runs are
copies of those clips with logs recorded anew, so that every run differs in its readings while
nothing is saved when they are worked out: each clip is a file of its own. Then, as whole
processes on the same cores:

- half of the clips through a plain transcode by ffmpeg at the encoder settings of ``day run``,
- ``timetrue day run``: all runs aligned, worked out, drawn, compared, the pair of the best runs,
- the other half of the plain transcodes, so that a change of the machine's load meets both sides,
- ``timetrue day run`` again, with nothing changed.

The bars: the first ``day run`` takes at most 1.5 times the sum of the plain transcodes, wall
time on the same cores; the second less than 3 s. Exit code 1 when one is missed. Wall times need
a machine with nothing else to do; processor times stand beside them. With few runs the pair of
the best ones, as long as a run, weighs more than in a day of twelve.
"""

from __future__ import annotations

import argparse
import os
import shutil
import struct
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from overlay.demo.clip import Coding
from overlay.demo.day import film, write_day
from overlay.demo.recorder import record_revs, record_speed, write_gpx, write_revs_table
from overlay.demo.scenario import BUILDS, RunPlan, plan_day
from overlay.demo.truth import RunTruth
from overlay.demo.vehicle import simulate
from overlay.footage import probe
from overlay.render.encoder import EncodeOptions, choose_encoder, ffmpeg_path
from tests.benchmarks.speed.cost import Cost, cost_of

SIZE = (1920, 1080)
KBIT_S = 25_000  # what small cameras write at 1080p30: common practice, no source
FINE_CRF = 16  # fine enough that the rate, and not the quality, is the limit
BAR, AGAIN_S = 1.5, 3.0


def make_day(folder: Path, runs: int, seconds: float | None) -> list[Path]:
    """Film one run of each build, copy it for the others, and write the sheet; the clips."""
    plans = plan_day(runs_per_build=1, size=SIZE, camera_gps=True)
    rng = np.random.default_rng(2026)
    filmed = [film(plan, folder, coding=Coding(KBIT_S, FINE_CRF)) for plan in plans]
    if seconds is not None:
        for truth in filmed:
            _shorten(folder / truth.clip, seconds)
    truths = list(filmed)
    for number in range(len(plans), runs):
        kind = number % len(BUILDS)
        name = f"{plans[kind].build.key.lower()}{number // len(BUILDS) + 1}"
        truths.append(_varied(folder, plans[kind], filmed[kind], name, rng))
    truths = truths[:runs]
    write_day(folder, tuple(truths))
    _on_the_cameras_clock(folder / "day.toml")
    return [folder / truth.clip for truth in truths]


def _varied(
    folder: Path, plan: RunPlan, filmed: RunTruth, name: str, rng: np.random.Generator
) -> RunTruth:
    """The same run seen by another copy of its clip and by logs with noise of their own."""
    motion = simulate(plan.build.vehicle, plan.drive)
    receiver = replace(plan.receiver, rng_seed=int(rng.integers(1 << 30)))
    counter = replace(plan.counter, rng_seed=int(rng.integers(1 << 30)))
    clip, log, revs = f"{name}.mp4", f"{name}.gpx", f"{name}_revs.csv"
    shutil.copyfile(folder / filmed.clip, folder / clip)
    with (folder / clip).open("ab") as file:  # a plain copy would count as the same run
        file.write(struct.pack(">I4s8s", 16, b"free", name.encode()[:8].ljust(8)))
    write_gpx(folder / log, record_speed(motion, receiver))
    write_revs_table(folder / revs, record_revs(motion, counter))
    return replace(filmed, name=name, clip=clip, speed_log=log, revs_log=revs)


def _shorten(clip: Path, seconds: float) -> None:
    part = clip.with_name(f"short-{clip.name}")
    command = [ffmpeg_path(), "-v", "error", "-y", "-i", str(clip), "-t", str(seconds)]
    subprocess.run([*command, "-c", "copy", str(part)], check=True)
    part.replace(clip)


def _on_the_cameras_clock(sheet: Path) -> None:
    text = sheet.read_text(encoding="utf-8")
    if "same_clock" not in text:
        text = text.replace("[[runs]]\n", "[[runs]]\nsame_clock = true\n")
        sheet.write_text(text, encoding="utf-8")


def plain(clip: Path, target: Path) -> Cost:
    """One clip through ffmpeg alone, with all cores, at the settings of ``day run``."""
    command = [ffmpeg_path(), "-v", "error", "-y", "-i", str(clip)]
    command += [*choose_encoder(EncodeOptions()).arguments, "-c:a", "copy"]
    return cost_of([*command, "-movflags", "+faststart", str(target)])


def total(costs: list[Cost]) -> Cost:
    """The sum of costs paid one after the other."""
    return Cost(
        sum(cost.cpu_s for cost in costs),
        sum(cost.wall_s for cost in costs),
        max(cost.peak_mb for cost in costs),
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=12)
    parser.add_argument("--seconds", type=float, default=8.0, help="0 leaves the clips whole")
    parser.add_argument("--workers", type=int, help="as for day run")
    parser.add_argument("--folder", type=Path, help="made there, kept, and used again if there")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        folder = chosen.folder or Path(made)
        folder.mkdir(parents=True, exist_ok=True)
        clips = sorted(path for path in folder.glob("*.mp4"))
        if len(clips) != chosen.runs:
            clips = make_day(folder, chosen.runs, chosen.seconds or None)
        shutil.rmtree(folder / "day-results", ignore_errors=True)
        command = [sys.executable, "-m", "overlay", "day", "run", str(folder), "--quiet"]
        command += ["--workers", str(chosen.workers)] if chosen.workers else []
        target = Path(made) / "plain.mp4"
        half = len(clips) // 2
        floors = [plain(clip, target) for clip in clips[:half]]
        day = cost_of(command)
        floors += [plain(clip, target) for clip in clips[half:]]
        again = cost_of(command)
        bits = sum(8 * clip.stat().st_size for clip in clips)
        seconds = sum(probe(clip).duration_s for clip in clips)
    floor = total(floors)
    cores = len(os.sched_getaffinity(0))
    print(
        f"{len(clips)} runs in 1080p at {bits / seconds / 1e6:.0f} Mbit/s on {cores} cores, "
        f"load {os.getloadavg()[0]:.1f}"
    )
    for what, cost in (("plain transcodes", floor), ("day run", day), ("again", again)):
        print(f"{what:18s}{cost.wall_s:8.1f} s wall {cost.cpu_s:8.1f} s processor time")
    wall, cpu = day.wall_s / floor.wall_s, day.cpu_s / floor.cpu_s
    missed = wall > BAR or again.wall_s >= AGAIN_S
    verdict = "OVER" if missed else "within"
    print(f"ratio {wall:.2f} wall (bar {BAR}), {cpu:.2f} processor time; {verdict} the bars")
    return int(missed)


if __name__ == "__main__":
    sys.exit(main())
