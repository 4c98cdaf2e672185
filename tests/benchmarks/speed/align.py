"""Cost of align against a plain decode of the same clip, whole processes in turn.

Run: ``python -m tests.benchmarks.speed.align [--seconds 60] [--repeats 3]``. Prints wall and CPU
seconds of each and their ratio; exit code 1 when the median wall ratio is over the bar.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import imageio_ffmpeg
import numpy as np

from overlay.demo.clip import write_clip
from overlay.demo.recorder import Receiver, record_speed, write_gpx
from overlay.demo.scene import SceneSpec, pictures
from tests.simulation import motion_from_speed

BAR = 1.2
CYCLE_S = 20.0
# What small cameras write at 1080p30, with a key frame a second: common practice, no source.
KBIT_S, KEY_FRAME_EVERY = 25_000, 30


def driven(t_s: np.ndarray) -> np.ndarray:
    """Speed in m/s: every 20 s a launch to 11 m/s and a stop."""
    gone = t_s % CYCLE_S
    pulling = 11 * (1 - np.exp(-np.clip(gone - 2, 0, None) / 3))
    return pulling * np.clip(1 - (gone - 12) / 3, 0, 1)


def make(folder: Path, seconds: float) -> tuple[Path, Path]:
    """A 1080p clip and its log."""
    t_s = np.arange(0, seconds, 0.01)
    motion = motion_from_speed(t_s, driven(t_s))
    clip, log = folder / "clip.mp4", folder / "log.gpx"
    scene = SceneSpec(width=1920, height=1080, noise_codes=3.0)
    made = {"kbit_s": KBIT_S, "crf": 16, "key_frame_every": KEY_FRAME_EVERY}
    write_clip(clip, (picture for _, picture in pictures(scene, motion)), rate_hz=30.0, **made)
    write_gpx(log, record_speed(motion, Receiver(before_s=8.0)))
    return clip, log


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
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        clip, log = make(Path(folder), options.seconds)
        align = [sys.executable, "-m", "overlay", "align", str(clip), str(log), "--json", "-q"]
        ffmpeg = imageio_ffmpeg.get_ffmpeg_exe()
        decode = [ffmpeg, "-v", "error", "-i", str(clip), "-an", "-f", "null", "-"]
        mbit_s = clip.stat().st_size * 8 / options.seconds / 1e6
        print(f"{options.seconds:g} s of 1080p30 at {mbit_s:.1f} Mbit/s")
        timed(decode)
        rows = []
        for _ in range(options.repeats):
            (wall_a, cpu_a), (wall_d, cpu_d) = timed(align), timed(decode)
            rows.append((wall_a / wall_d, cpu_a / cpu_d))
            print(
                f"align {wall_a:6.2f} s wall {cpu_a:6.2f} s CPU; decode {wall_d:6.2f} s wall "
                f"{cpu_d:6.2f} s CPU; ratio {rows[-1][0]:.2f} wall {rows[-1][1]:.2f} CPU"
            )
    wall, cpu = (statistics.median(column) for column in zip(*rows, strict=True))
    print(f"median ratio {wall:.2f} wall (bar {BAR}), {cpu:.2f} CPU, {options.seconds:g} s 1080p30")
    return int(wall > BAR)


if __name__ == "__main__":
    raise SystemExit(main())
