"""Peak memory of draw and pair, encoder included, for a minute and for an hour.

Run: ``python -m tests.benchmarks.speed.memory [--minutes 60] [--rate 5]``. The long clip is the
short one over and over, copied without another encode. Its size is 1080p, since memory goes with
the size of the pictures; its rate is low, since the rate only costs time. Exit code 1 when the
longer job's peak is more than a tenth above the shorter's.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from overlay.render.encoder import ffmpeg_path
from tests.benchmarks.speed.cost import cost_of, make_footage
from tests.benchmarks.speed.draw import job

FLAT = 1.10
PIECE_S = 20.0


def repeated(source: Path, target: Path, seconds: float) -> Path:
    """A clip over and over, by stream copy."""
    command = [ffmpeg_path(), "-v", "error", "-y", "-stream_loop", "-1", "-i", str(source)]
    subprocess.run([*command, "-t", str(seconds), "-c", "copy", str(target)], check=True)
    return target


def is_flat(folder: Path, *, minutes: float, rate_hz: float) -> bool:
    """Print both peaks of each job; whether neither grows."""
    piece = make_footage(folder / "piece.mp4", PIECE_S, rate_hz=rate_hz)
    lengths_s = (60.0, 60.0 * minutes)
    clips = [repeated(piece, folder / f"{length:g}.mp4", length) for length in lengths_s]
    flat = True
    for name in ("draw", "pair"):
        short, long = (cost_of(job(name, clip, folder / "result.mp4")).peak_mb for clip in clips)
        print(
            f"{name}, 1080p at {rate_hz:g} a second: {short:.0f} MB for a minute, {long:.0f} MB "
            f"for {minutes:g} minutes, ratio {long / short:.3f} (bar {FLAT})",
            flush=True,
        )
        flat = flat and long <= FLAT * short
    return flat


def main() -> int:
    """Measure and print; see the module's text for the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60)
    parser.add_argument("--rate", type=float, default=5)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        flat = is_flat(Path(folder), minutes=chosen.minutes, rate_hz=chosen.rate)
    return int(not flat)


if __name__ == "__main__":
    sys.exit(main())
