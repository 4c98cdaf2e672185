"""Cost of align against a plain decode of the same clip, whole processes in turn.

Run: ``python -m tests.benchmarks.speed.align [--seconds 60] [--repeats 3]``. Prints wall and CPU
seconds of each and their ratio; exit code 1 when the median wall ratio is over the bar. With
``--recording`` the clip is ten minutes long, the vehicle stands in most of it and drives three
times; the offset found is shown beside the true one.
"""

from __future__ import annotations

import argparse
import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import imageio_ffmpeg
import numpy as np

from overlay.demo.clip import write_clip
from overlay.demo.recorder import Receiver, record_speed, write_gpx
from overlay.demo.scene import Scene, SceneSpec, pictures
from overlay.demo.vehicle import Motion
from tests.simulation import motion_from_speed

BAR, RECORDING_BAR = 1.2, 0.4
RECORDING_S, RUNS_AT_S = 600.0, (100.0, 290.0, 480.0)
CYCLE_S = 20.0
# What small cameras write at 1080p30, with a key frame a second: common practice, no source.
KBIT_S, KEY_FRAME_EVERY = 25_000, 30


def driven(t_s: np.ndarray) -> np.ndarray:
    """Speed in m/s: every 20 s a launch to 11 m/s and a stop."""
    gone = t_s % CYCLE_S
    pulling = 11 * (1 - np.exp(-np.clip(gone - 2, 0, None) / 3))
    return pulling * np.clip(1 - (gone - 12) / 3, 0, 1)


def three_runs(t_s: np.ndarray) -> np.ndarray:
    """Speed in m/s: three launches and stops in a recording, standing between."""
    return sum(driven(np.where((t_s >= a) & (t_s < a + CYCLE_S), t_s - a, 0.0)) for a in RUNS_AT_S)


def waiting(scene: SceneSpec, motion: Motion) -> Iterator[np.ndarray]:
    """Pictures of a long recording; a second of standing is filmed once and shown again."""
    film = Scene(scene, motion)
    standing = [film.picture(k / 30) for k in range(30)]
    for k in range(int(motion.duration_s * 30)):
        t_s = k / 30
        near = motion.at("speed_mps", np.array([t_s - 0.5, t_s, t_s + 0.5]))
        yield film.picture(t_s) if near.any() else standing[k % 30]


def make(folder: Path, seconds: float, *, recording: bool = False) -> tuple[Path, Path, float]:
    """A 1080p clip, its log, and the true offset in seconds."""
    t_s = np.arange(0, seconds, 0.01)
    motion = motion_from_speed(t_s, three_runs(t_s) if recording else driven(t_s))
    clip, log = folder / "clip.mp4", folder / "log.gpx"
    scene = SceneSpec(width=1920, height=1080, noise_codes=3.0)
    made = {"kbit_s": KBIT_S, "crf": 16, "key_frame_every": KEY_FRAME_EVERY}
    film = waiting(scene, motion) if recording else (p for _, p in pictures(scene, motion))
    write_clip(clip, film, rate_hz=30.0, **made)
    record = record_speed(motion, Receiver(before_s=8.0))
    write_gpx(log, record)
    return clip, log, record.total_offset_s


def timed(words: list[str]) -> tuple[float, float]:
    """Wall and CPU seconds of a process that must succeed."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(words, check=True, capture_output=True)
    wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--recording", action="store_true")
    options = parser.parse_args()
    seconds = RECORDING_S if options.recording else options.seconds
    bar = RECORDING_BAR if options.recording else BAR
    with tempfile.TemporaryDirectory() as folder:
        clip, log, true_s = make(Path(folder), seconds, recording=options.recording)
        align = [sys.executable, "-m", "overlay", "align", str(clip), str(log), "--json", "-q"]
        ffmpeg = imageio_ffmpeg.get_ffmpeg_exe()
        decode = [ffmpeg, "-v", "error", "-i", str(clip), "-an", "-f", "null", "-"]
        mbit_s = clip.stat().st_size * 8 / seconds / 1e6
        print(f"{seconds:g} s of 1080p30 at {mbit_s:.1f} Mbit/s")
        found = json.loads(subprocess.run(align, check=True, capture_output=True).stdout)
        print(f"offset {found['total_offset_s']:.3f} s, truly {true_s:.3f}")
        rows = []
        for _ in range(options.repeats):
            (wall_a, cpu_a), (wall_d, cpu_d) = timed(align), timed(decode)
            rows.append((wall_a / wall_d, cpu_a / cpu_d))
            print(
                f"align {wall_a:6.2f} s wall {cpu_a:6.2f} s CPU; decode {wall_d:6.2f} s wall "
                f"{cpu_d:6.2f} s CPU; ratio {rows[-1][0]:.2f} wall {rows[-1][1]:.2f} CPU"
            )
    wall, cpu = (statistics.median(column) for column in zip(*rows, strict=True))
    print(f"median ratio {wall:.2f} wall (bar {bar}), {cpu:.2f} CPU, {seconds:g} s 1080p30")
    return int(wall > bar)


if __name__ == "__main__":
    raise SystemExit(main())
