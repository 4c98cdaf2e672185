"""Every speed and memory bar in one run: draw, pair, transparent export, align, a day.

Run from the checkout: ``python -m tests.benchmarks.speed [--quick]``. Each job stands beside its
plain ffmpeg floor of the same run, with pictures a second and peak memory of all its processes;
draw and pair also as moviepy composes the same gauges. Exit code 1 when a bar is missed. Quick
takes short clips and one run of each: the program's start then weighs more than it should, so times
are shown and not judged; memory and the gauges are.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

from tests.benchmarks.speed import gauges, memory
from tests.benchmarks.speed.cost import MEMORY_BAR, RATE_HZ, ROOT, Row, compare, report
from tests.benchmarks.speed.draw import plain
from tests.benchmarks.speed.draw import rows as draw_rows

COMMAND_BAR = 1.25


def command_row(folder: Path, *, seconds: float, repeats: int) -> Row:
    """The whole draw command, which decodes twice to align first, beside a plain transcode."""
    from tests.benchmarks.speed.align import make

    clip, log = make(folder, seconds)
    target = folder / "drawn.mp4"
    return compare(
        "timetrue draw, aligning included",
        [sys.executable, "-m", "overlay", "draw", str(clip), str(log), "-o", str(target), "-q"],
        plain(clip, folder / "floor.mp4"),
        pictures=RATE_HZ * seconds,
        repeats=repeats,
        bar=COMMAND_BAR,
        memory_bar=MEMORY_BAR,
    )


def align_row(folder: Path, *, seconds: float, repeats: int) -> Row:
    """Align beside a plain decode."""
    from overlay.render.encoder import ffmpeg_path
    from tests.benchmarks.speed.align import BAR, make

    clip, log = make(folder, seconds)
    return compare(
        "align",
        [sys.executable, "-m", "overlay", "align", str(clip), str(log), "--json", "-q"],
        [ffmpeg_path(), "-v", "error", "-i", str(clip), "-an", "-f", "null", "-"],
        pictures=RATE_HZ * seconds,
        repeats=repeats,
        bar=BAR,
        is_by_wall=True,
    )


def day_code(*, quick: bool) -> int:
    """The whole day by its own benchmark, which prints its own lines."""
    short = ["--runs", "4", "--seconds", "4"] if quick else []
    command = [sys.executable, "-m", "tests.benchmarks.speed.day", *short]
    done = subprocess.run(command, cwd=ROOT, check=False, capture_output=True, text=True)
    print(f"\n{done.stdout}{done.stderr}", end="")
    return int(done.returncode != 0)


def main() -> int:
    """Measure all; see the module's text for the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="short clips, one run of each")
    quick = parser.parse_args().quick
    seconds, repeats = (6.0, 1) if quick else (20.0, 3)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        found = draw_rows(folder, seconds=seconds, repeats=repeats)
        found.append(command_row(folder, seconds=20.0, repeats=repeats))
        found.append(align_row(folder, seconds=20.0 if quick else 60.0, repeats=repeats))
        is_flat = memory.is_flat(folder, minutes=5 if quick else 60, rate_hz=1)
    if quick:
        found = [replace(row, bar=None) for row in found]
    day = day_code(quick=quick)
    codes = [gauges.main(), 0 if quick else day, int(not is_flat), report(found)]
    return int(any(codes))


if __name__ == "__main__":
    sys.exit(main())
