"""Peak memory of draw and pair beside their floors, encoder included, for a minute and an hour.

Run: ``python -m tests.benchmarks.speed.memory [--minutes 60] [--rate 1]``. The long clip is the
short one over and over, copied without another encode. Its size is 1080p, since memory goes with
the size of the pictures; its rate is low, since the rate only costs time. Exit code 1 when a job
takes more than 1.5 times its floor, or grows by more than its floor does and a tenth: ffmpeg
itself keeps a list of all packets, some 20 MB an hour with sound.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from overlay.render.encoder import ffmpeg_path
from tests.benchmarks.speed.cost import MEMORY_BAR, cost_of, make_footage
from tests.benchmarks.speed.draw import job, plain, plain_pair

PIECE_S = 20.0


def repeated(source: Path, target: Path, seconds: float) -> Path:
    """A clip over and over, by stream copy."""
    command = [ffmpeg_path(), "-v", "error", "-y", "-stream_loop", "-1", "-i", str(source)]
    subprocess.run([*command, "-t", str(seconds), "-c", "copy", str(target)], check=True)
    return target


def is_flat(folder: Path, *, minutes: float, rate_hz: float) -> bool:
    """Print peaks of jobs and floors; whether all bars are kept."""
    piece = make_footage(folder / "piece.mp4", PIECE_S, rate_hz=rate_hz)
    lengths_s = (60.0, 60.0 * minutes)
    clips = [repeated(piece, folder / f"{length:g}.mp4", length) for length in lengths_s]
    flat = True
    # Left to itself, pair writes at a common rate of 24 a second or more.
    for name, floor, more in (("draw", plain, []), ("pair", plain_pair, [f"{rate_hz:g}"])):
        result = folder / "result.mp4"
        peaks = []
        for length_s, clip in zip(lengths_s, clips, strict=True):
            job_mb = cost_of([*job(name, clip, result), *more]).peak_mb
            floor_mb = cost_of(floor(clip, result)).peak_mb
            peaks.append((job_mb, floor_mb))
            print(
                f"{name}, {length_s / 60:g} minutes of 1080p at {rate_hz:g} a second: peak "
                f"{job_mb:.0f} MB, floor {floor_mb:.0f} MB, ratio {job_mb / floor_mb:.2f}",
                flush=True,
            )
        (short_mb, short_floor_mb), (long_mb, long_floor_mb) = peaks
        flat = flat and all(job_mb <= MEMORY_BAR * floor_mb for job_mb, floor_mb in peaks)
        flat = flat and long_mb - short_mb <= long_floor_mb - short_floor_mb + 0.1 * short_mb
    return flat


def main() -> int:
    """Measure and print; see the module's text for the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60)
    parser.add_argument("--rate", type=float, default=1)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        flat = is_flat(Path(folder), minutes=chosen.minutes, rate_hz=chosen.rate)
    return int(not flat)


if __name__ == "__main__":
    sys.exit(main())
