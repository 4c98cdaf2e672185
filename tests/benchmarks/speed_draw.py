"""What drawing costs beside a plain transcode by ffmpeg at the same encoder settings.

Run from the checkout: ``python -m tests.benchmarks.speed_draw [--seconds 20] [--repeats 5]``.

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

ROOT = Path(__file__).parents[2]
LANE = ROOT.parent / "shared" / "data" / "lane" / "lane.mp4"

# Three layers of a usual size at 1080p that change at each frame the way gauges do: a bar's end
# moves, digits change. They stand for gauges without knowing any.
GENERIC = """
import sys
import numpy as np
from overlay.render import Layer, PairSide, draw_clip, pair_clips

def moving(w, h):
    ground = np.zeros((h, w, 4), np.uint8)
    ground[...] = (20, 20, 24, 170)
    digits = np.random.default_rng(1).integers(0, 2, (10, h // 3, h // 5, 1), np.uint8) * 255
    frame = ground.copy()
    def draw(t):
        end = 10 + int((w - 20) * (t % 5) / 5)
        frame[10 : h // 3] = ground[10 : h // 3]
        frame[10 : h // 3, 10:end] = (230, 159, 0, 255)
        for place in range(3):
            x = 20 + place * (h // 4)
            tile = digits[int(t * 10 ** place) % 10]
            frame[h // 2 : h // 2 + h // 3, x : x + h // 5, :3] = tile
        return frame
    return draw

if sys.argv[3] == "pair":
    sides = [
        PairSide(sys.argv[1], 2.0, None, [
            Layer(x + 40, 850, 880, 140, moving(880, 140)),
            Layer(x + 40, 660, 480, 120, moving(480, 120)),
            Layer(x + 620, 140, 300, 200, moving(300, 200)),
        ])
        for x in (0, 960)
    ]
    gap = Layer(240, 20, 1440, 100, moving(1440, 100))
    print(pair_clips(*sides, sys.argv[2], lead_s=2.0, common=[gap]))
    raise SystemExit

boxes = [(320, 900, 1280, 140), (80, 60, 640, 140), (1500, 60, 360, 320)][: int(sys.argv[3])]
layers = [Layer(x, y, w, h, moving(w, h)) for x, y, w, h in boxes]
print(draw_clip(sys.argv[1], layers, sys.argv[2]))
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
    parser.add_argument("--layers", type=int, default=3)
    parser.add_argument("--pair", action="store_true", help="two clips, seven layers")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        source = make_footage(Path(folder) / "source.mp4", chosen.seconds)
        result = str(Path(folder) / "result.mp4")
        plain = [ffmpeg_path(), "-v", "error", "-y", "-i", str(source)]
        plain += [*choose_encoder(EncodeOptions()).arguments, "-c:a", "copy"]
        plain += ["-movflags", "+faststart", result]
        what = "pair" if chosen.pair else str(chosen.layers)
        job = [sys.executable, "-c", GENERIC, str(source), result, what]
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
