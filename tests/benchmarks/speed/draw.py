"""What drawing costs beside a plain transcode by ffmpeg at the same encoder settings.

Run from the checkout: ``python -m tests.benchmarks.speed.draw [--seconds 20] [--repeats 5]``.

Each repeat runs the floor (ffmpeg alone) and the job (the interpreter's start, probing, drawing,
encoding) one after the other as whole processes. Processor time (user and system, all children)
is the main measure, since other work on the machine disturbs it least; wall time and the peak
resident size of the largest process stand beside it.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from overlay.render.encoder import EncodeOptions, choose_encoder, ffmpeg_path

ROOT = Path(__file__).parents[3]
LANE = ROOT.parent / "shared" / "data" / "lane" / "lane.mp4"

# The project's own gauges on a made-up run. Ribbon and comb are redrawn for each frame, ladder and
# gap bar when what they show changes by a pixel or a digit.
JOB = """
import sys
import numpy as np
from overlay.gauges.comb import Comb
from overlay.gauges.gapbar import GapBar
from overlay.gauges.ladder import Ladder
from overlay.gauges.ribbon import Ribbon
from overlay.gauges.values import CombValues, GapValues, LadderValues, RibbonValues, RungState
from overlay.render import Layer, PairSide, draw_clip, pair_clips

def layer(x, y, w, h, gauge, values, key=None):
    return Layer(x, y, w, h, lambda t: gauge.draw(values(t)), key)

def speed(t):
    return RibbonValues(15 * (1 - np.exp(-t / 6)), 0.2)

def engine(t):
    return CombValues(1800 + 3200 * (t / 5 % 1))

def rungs(t):
    states = [
        RungState("passed", 1.0, goal, 0.03) if t >= goal else RungState("filling", t / goal)
        for goal in (3.0, 7.0, 12.0, 30.0)
    ]
    return LadderValues(tuple(states))

def rung_key(t):
    return tuple((rung.status, round(rung.progress * 400)) for rung in rungs(t).rungs)

def set_of(places):
    ribbon, comb, ladder = places
    labels = ("10 mph", "20 mph", "30 mph", "60 m")
    return [
        layer(*ribbon, Ribbon(*ribbon[2:], full_scale_mps=20.0), speed),
        layer(*comb, Comb(*comb[2:], full_scale_rpm=6000.0), engine),
        layer(*ladder, Ladder(*ladder[2:], labels=labels), rungs, rung_key),
    ]

source, target, what = sys.argv[1:]
if what == "pair":
    sides = [
        PairSide(source, 2.0, None, set_of([
            (x + 40, 880, 880, 150), (x + 40, 720, 520, 140), (x + 480, 130, 440, 200)
        ]))
        for x in (0, 960)
    ]
    bar = GapBar(1440, 110, names=("Stock", "Long pipe"))
    gap_key = lambda t: (round(0.05 * t, 2), round(0.4 * t, 1))
    gap = layer(240, 10, 1440, 110, bar, lambda t: GapValues(0.05 * t, 0.4 * t, 0.04), gap_key)
    print(pair_clips(*sides, target, lead_s=2.0, common=[gap]))
else:
    layers = set_of([(320, 900, 1280, 140), (80, 60, 640, 140), (1380, 60, 480, 260)])
    print(draw_clip(source, layers[: int(what)], target))
"""


@dataclass(frozen=True)
class Cost:
    """Of one process with its children."""

    cpu_s: float
    wall_s: float
    peak_mb: float


def cost_of(command: Sequence[str]) -> Cost:
    started = time.perf_counter()
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    if status:
        raise SystemExit(f"failed: {command}")
    # The largest process of the tree so far; children that have ended count with the parent.
    peak = max(usage.ru_maxrss, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)
    wall = time.perf_counter() - started
    return Cost(usage.ru_utime + usage.ru_stime, wall, peak / 1024)


def make_footage(path: Path, seconds: float) -> Path:
    """1080p30 from real driving footage with fresh sensor noise, as a camera would give."""
    source = ["-stream_loop", "-1", "-i", str(LANE)]
    if not LANE.exists():
        source = ["-f", "lavfi", "-i", "testsrc2=s=1920x1080:r=30"]
    command = [ffmpeg_path(), "-v", "error", "-y", *source, "-t", str(seconds)]
    command += ["-vf", "scale=1920:1080,fps=30,noise=alls=4:allf=t", "-c:v", "libx264"]
    command += ["-preset", "veryfast", "-crf", "18", "-c:a", "aac", str(path)]
    subprocess.run(command, check=True)
    return path


def plain_pair(source: Path, result: str) -> list[str]:
    """A split-screen of a clip with itself, sound mixed, by ffmpeg alone."""
    pane = "scale=960:540,setsar=1,pad=960:1080:0:270"
    graph = f"[0:v]{pane}[a];[1:v]{pane}[b];[a][b]hstack[v];[0:a][1:a]amix=inputs=2[s]"
    command = [ffmpeg_path(), "-v", "error", "-y", "-i", str(source), "-i", str(source)]
    command += ["-filter_complex", graph, "-map", "[v]", "-map", "[s]", "-c:a", "aac"]
    command += [*choose_encoder(EncodeOptions()).arguments, "-movflags", "+faststart", result]
    return command


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--gauges", type=int, default=3)
    parser.add_argument("--pair", action="store_true", help="two clips, seven gauges")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        source = make_footage(Path(folder) / "source.mp4", chosen.seconds)
        result = str(Path(folder) / "result.mp4")
        plain = [ffmpeg_path(), "-v", "error", "-y", "-i", str(source)]
        plain += [*choose_encoder(EncodeOptions()).arguments, "-c:a", "copy"]
        plain += ["-movflags", "+faststart", result]
        what = "pair" if chosen.pair else str(chosen.gauges)
        job = [sys.executable, "-c", JOB, str(source), result, what]
        if chosen.pair:
            plain = plain_pair(source, result)
        floors, jobs = [], []
        for repeat in range(chosen.repeats):
            floors.append(cost_of(plain))
            jobs.append(cost_of(job))
            a, b = floors[-1], jobs[-1]
            print(
                f"{repeat}: floor {a.cpu_s:.2f} s cpu {a.wall_s:.2f} s wall, "
                f"drawn {b.cpu_s:.2f} s cpu {b.wall_s:.2f} s wall: "
                f"ratio {b.cpu_s / a.cpu_s:.3f} cpu {b.wall_s / a.wall_s:.3f} wall",
                flush=True,
            )
    pairs = list(zip(jobs, floors, strict=True))
    cpu = statistics.median(job.cpu_s / floor.cpu_s for job, floor in pairs)
    wall = statistics.median(job.wall_s / floor.wall_s for job, floor in pairs)
    rate = 30 * chosen.seconds / statistics.median(job.wall_s for job in jobs)
    print(f"median ratio: {cpu:.3f} processor time, {wall:.3f} wall; {rate:.1f} pictures a second")
    print(f"peak memory: floor {floors[0].peak_mb:.0f} MB, drawn {jobs[0].peak_mb:.0f} MB")


if __name__ == "__main__":
    main()
