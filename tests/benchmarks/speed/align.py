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
from pathlib import Path

import imageio_ffmpeg
import numpy as np

from overlay.demo.clip import Coding, write_clip
from overlay.demo.recorder import Receiver, record_speed, write_gpx
from overlay.demo.scene import SceneSpec, pictures
from overlay.demo.vehicle import Motion
from overlay.footage import probe
from tests.simulation import motion_from_speed

BAR, RECORDING_BAR = 1.2, 0.4
CYCLE_S = 20.0
# What small cameras write at 1080p30, with a key frame a second: common practice, no source.
KBIT_S, KEY_FRAME_EVERY = 25_000, 30


def driven(t_s: np.ndarray) -> np.ndarray:
    """Speed in m/s: every 20 s a launch to 11 m/s and a stop."""
    gone = t_s % CYCLE_S
    pulling = 11 * (1 - np.exp(-np.clip(gone - 2, 0, None) / 3))
    return pulling * np.clip(1 - (gone - 12) / 3, 0, 1)


def recording(folder: Path) -> tuple[Path, Path, float]:
    """A 1080p recording of ten minutes with three runs, its log, and the true offset in seconds.

    One run and ten seconds of standing are filmed, and shown again without another encoding.
    """
    names = ["stand"] * 9 + (["run"] + ["stand"] * 17) * 2 + ["run"] + ["stand"] * 11
    t_s = np.arange(0, CYCLE_S, 0.01)
    for name, speed in (("run", driven(t_s)), ("stand", np.zeros(len(t_s) // 2))):
        film(folder / f"{name}.mp4", motion_from_speed(t_s[: len(speed)], speed))
    listed = folder / "parts.txt"
    listed.write_text("".join(f"file '{folder / name}.mp4'\n" for name in names))
    clip, log = folder / "clip.mp4", folder / "log.gpx"
    join = ["-f", "concat", "-safe", "0", "-i", str(listed), "-c", "copy", str(clip)]
    subprocess.run([imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", *join], check=True)
    speeds = [driven(t_s) if name == "run" else np.zeros(len(t_s) // 2) for name in names]
    speed = np.concatenate(speeds)
    record = record_speed(
        motion_from_speed(np.arange(len(speed)) * 0.01, speed), Receiver(before_s=8.0)
    )
    write_gpx(log, record)
    return clip, log, record.total_offset_s


def film(path: Path, motion: Motion) -> None:
    """The pictures of a drive as a small camera writes them."""
    scene = SceneSpec(width=1920, height=1080, noise_codes=3.0)
    coding = Coding(KBIT_S, 16, KEY_FRAME_EVERY)
    write_clip(
        path, (picture for _, picture in pictures(scene, motion)), rate_hz=30.0, coding=coding
    )


def make(folder: Path, seconds: float) -> tuple[Path, Path, float]:
    """A 1080p clip, its log, and the true offset in seconds."""
    t_s = np.arange(0, seconds, 0.01)
    motion = motion_from_speed(t_s, driven(t_s))
    clip, log = folder / "clip.mp4", folder / "log.gpx"
    film(clip, motion)
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
    bar = RECORDING_BAR if options.recording else BAR
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        made = recording(place) if options.recording else make(place, options.seconds)
        clip, log, true_s = made
        seconds = probe(clip).duration_s
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
