"""What a process costs with everything it starts, and the table of jobs beside their floors.

A floor is what the same work costs ffmpeg alone. Floor and job run in turn as whole processes, so
that the interpreter's start counts too. Processor time (user and system, all children) is the main
measure, since other work on the machine disturbs it least; wall time and memory stand beside it.
"""

from __future__ import annotations

import contextlib
import os
import re
import statistics
import subprocess
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from overlay.render.encoder import ffmpeg_path

ROOT = Path(__file__).parents[3]
LANE = ROOT.parent / "shared" / "data" / "lane" / "lane.mp4"
LOOK_S = 0.1  # a look at a large process costs milliseconds
MEMORY_BAR = 1.5
RATE_HZ = 30


@dataclass(frozen=True)
class Cost:
    """Of one process with its children; memory is the largest sum of all at one instant."""

    cpu_s: float
    wall_s: float
    peak_mb: float


@dataclass(frozen=True)
class Row:
    """A job beside its floor.

    Attributes
    ----------
    name : str
    job, floor : Cost
        Medians.
    cpu, wall : float
        Medians of the ratios of each pair of runs.
    pictures : float
        Pictures in the result.
    bar : float or None
        Most that the ratio may be; None for what is only shown.
    is_by_wall : bool
        Whether the bar is on wall time instead of processor time.
    memory_bar : float or None
        Most that the ratio of peak memory may be.
    """

    name: str
    job: Cost
    floor: Cost
    cpu: float
    wall: float
    pictures: float
    bar: float | None = None
    is_by_wall: bool = False
    memory_bar: float | None = None

    @property
    def memory(self) -> float:
        """Ratio of peak memory."""
        return self.job.peak_mb / self.floor.peak_mb

    @property
    def misses(self) -> bool:
        """Whether a bar is missed."""
        ratio = self.wall if self.is_by_wall else self.cpu
        too_slow = self.bar is not None and ratio > self.bar
        return too_slow or (self.memory_bar is not None and self.memory > self.memory_bar)


def tree_mb(pid: int, kind: str = "Pss") -> float:
    """Memory of a process and all below it now, what they share counted once."""
    total, waiting = 0.0, [pid]
    while waiting:
        one = Path(f"/proc/{waiting.pop()}")
        with contextlib.suppress(OSError, ValueError, TypeError):
            rollup = (one / "smaps_rollup").read_text()
            total += int(re.search(rf"^{kind}: *(\d+)", rollup, re.M)[1]) / 1024  # type: ignore[index]
            for task in (one / "task").iterdir():
                waiting += map(int, (task / "children").read_text().split())
    return total


def cost_of(command: Sequence[str], memory: str = "Pss") -> Cost:
    """Run a process that must succeed; `memory` is a name of /proc/PID/smaps_rollup.

    Of pages that stand in files, such as libraries, other programs carry a share that comes and
    goes with them; ``"Pss_Anon"`` counts only what the processes themselves have taken.
    """
    started, peak, before = time.perf_counter(), 0.0, 0.0
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL)
    while True:
        found, status, usage = os.wait4(process.pid, os.WNOHANG)
        if found:
            break
        now = tree_mb(process.pid, memory)
        # A child that has not started its program yet shows its parent's memory once more.
        peak, before = max(peak, min(before, now)), now
        time.sleep(LOOK_S)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"failed: {' '.join(command)}")
    return Cost(usage.ru_utime + usage.ru_stime, time.perf_counter() - started, peak)


def compare(
    name: str,
    job: Sequence[str],
    floor: Sequence[str],
    *,
    pictures: float,
    repeats: int,
    bar: float | None = None,
    is_by_wall: bool = False,
    memory_bar: float | None = None,
) -> Row:
    """Run floor and job in turn and say how each pair came out."""
    floors, jobs = [], []
    for repeat in range(repeats):
        floors.append(cost_of(floor))
        jobs.append(cost_of(job))
        a, b = floors[-1], jobs[-1]
        print(
            f"{name} {repeat + 1}: floor {a.cpu_s:.2f} s cpu {a.wall_s:.2f} s wall, "
            f"job {b.cpu_s:.2f} s cpu {b.wall_s:.2f} s wall, ratio {b.cpu_s / a.cpu_s:.3f} cpu "
            f"{b.wall_s / a.wall_s:.3f} wall, memory {a.peak_mb:.0f} and {b.peak_mb:.0f} MB",
            flush=True,
        )
    pairs = list(zip(jobs, floors, strict=True))
    return Row(
        name,
        _median(jobs),
        _median(floors),
        statistics.median(one.cpu_s / under.cpu_s for one, under in pairs),
        statistics.median(one.wall_s / under.wall_s for one, under in pairs),
        pictures,
        bar,
        is_by_wall,
        memory_bar,
    )


def _median(costs: Sequence[Cost]) -> Cost:
    def middle(of: Callable[[Cost], float]) -> float:
        return statistics.median(map(of, costs))

    return Cost(
        middle(lambda cost: cost.cpu_s),
        middle(lambda cost: cost.wall_s),
        middle(lambda cost: cost.peak_mb),
    )


def report(rows: Sequence[Row]) -> int:
    """Print the table; 1 when a bar is missed, else 0."""
    wide = max(len(row.name) for row in rows)
    print(
        f"\n{'job':<{wide}}  cpu ratio  wall ratio    bar  pictures/s  floor's  peak MB  floor's"
        "  ratio    bar"
    )
    for row in rows:
        bar = "–" if row.bar is None else f"{row.bar:.2f}{'w' if row.is_by_wall else ' '}"
        most = "–" if row.memory_bar is None else f"{row.memory_bar:.2f}"
        rate, under = (row.pictures / cost.wall_s for cost in (row.job, row.floor))
        print(
            f"{row.name:<{wide}}  {row.cpu:9.3f}  {row.wall:10.3f}  {bar:>5}  {rate:10.1f}  "
            f"{under:7.1f}  {row.job.peak_mb:7.0f}  {row.floor.peak_mb:7.0f}  {row.memory:5.2f}  "
            f"{most:>5}{'  MISSED' if row.misses else ''}"
        )
    print("bars are on processor time; those marked w on wall time")
    return int(any(row.misses for row in rows))


def make_footage(path: Path, seconds: float, *, rate_hz: float = RATE_HZ) -> Path:
    """1080p of real driving with fresh sensor noise, as a camera would give."""
    source = ["-stream_loop", "-1", "-i", str(LANE)]
    if not LANE.exists():
        source = ["-f", "lavfi", "-i", "testsrc2=s=1920x1080:r=30"]
        source += ["-f", "lavfi", "-i", "sine=f=50:r=48000"]
    command = [ffmpeg_path(), "-v", "error", "-y", *source, "-t", str(seconds)]
    command += ["-vf", f"scale=1920:1080,fps={rate_hz},noise=alls=4:allf=t", "-c:v", "libx264"]
    command += ["-preset", "veryfast", "-crf", "18", "-c:a", "aac", str(path)]
    subprocess.run(command, check=True)
    return path
