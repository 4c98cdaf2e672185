"""The runs in a long recording, as text for a day sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from overlay.errors import UndeterminedError
from overlay.jobs.day_text import quoted
from overlay.motion.model import MotionSignal
from overlay.progress import Progress, silent
from overlay.runs import RunWindow, find_runs, match_runs
from overlay.series import Series
from overlay.session import RunInputs, RunOptions, load
from overlay.session.steps import measured
from overlay.sync.model import Alignment

EVEN_STEP_S = 0.1  # of the motion signal: long enough to calm it, short against a launch
ROBUST_TOP = 95  # per cent of the moving speeds, to bring the motion signal to about m/s


@dataclass(frozen=True)
class FoundRuns:
    """What a recording holds."""

    clip: str
    logs: tuple[str, ...]
    # In order of time: on footage time, and on the log's clock where the log shows it too.
    runs: tuple[tuple[RunWindow, RunWindow | None], ...]
    only_logged: tuple[RunWindow, ...]  # in the log, not in the footage
    alignment: Alignment  # of the whole recording
    same_clock: bool
    motion: MotionSignal
    speed: Series  # of the log, on its own clock


def find_in(
    clip: str,
    logs: Sequence[str],
    *,
    same_clock: bool = False,
    columns: Mapping[str, str] | None = None,
    progress: Progress = silent,
) -> FoundRuns:
    """Find launches and stops in a clip and its logs, and match them.

    Raises
    ------
    UndeterminedError
        If neither shows a run.
    """
    inputs = load(clip, logs, RunOptions(same_clock=same_clock, columns=columns))
    found = measured(inputs, progress)
    motion, alignment = found.motion, found.alignment
    logged = find_runs(inputs.speed)
    filmed = _in_footage(motion, inputs, alignment, logged)
    if not filmed:
        raise UndeterminedError(
            f"{clip}: no run from rest in it and {inputs.speed_log.path}; give window_s by hand"
        )
    pairs = _pairs(filmed, logged, alignment)
    runs = tuple((one, logged[pairs[i]] if i in pairs else None) for i, one in enumerate(filmed))
    left = tuple(one for j, one in enumerate(logged) if j not in pairs.values())
    return FoundRuns(clip, tuple(logs), runs, left, alignment, same_clock, motion, inputs.speed)


def sheet_lines(found: FoundRuns) -> str:
    """The runs as TOML, to paste into a sheet and correct."""
    logs = ", ".join(quoted(Path(log).name) for log in found.logs)
    lines = [f"# {len(found.runs)} runs found; check the windows, give each its name and build."]
    for number, (window, logged) in enumerate(found.runs, 1):
        stop = "" if window.stop_s is None else f", stop {window.stop_s:.1f} s"
        where = "not seen in the log"
        if logged is not None:
            where = f"in the log from {logged.launch_s:.1f} s, {logged.peak_mps:.1f} m/s at most"
        lines += [
            "",
            "[[runs]]",
            f'name = "run {number}"',
            'build = "A"',
            f"clip = {quoted(Path(found.clip).name)}",
            f"logs = [{logs}]",
            f"window_s = [{window.start_s:.1f}, {window.end_s:.1f}]"
            f"  # launch {window.launch_s:.1f} s{stop}; {where}",
        ]
        if found.same_clock:
            lines.append("same_clock = true")
        elif found.alignment.determined and found.alignment.total_offset_s is not None:
            offset = found.alignment.total_offset_s
            lines.append(f"# offset_s = {offset:.3f}  # of the whole clip, if a run's is not found")
    for left in found.only_logged:
        lines.append(f"# not in the footage: a run in the log from {left.launch_s:.1f} s")
    return "\n".join(lines)


def _in_footage(
    motion: MotionSignal, inputs: RunInputs, alignment: Alignment, logged: tuple[RunWindow, ...]
) -> tuple[RunWindow, ...]:
    """Runs on footage time: from the picture, or from the log where the offset is known."""
    top = max((one.peak_mps for one in logged), default=0.0)
    filmed = find_runs(_even(motion, top)) if top else ()
    offset = alignment.total_offset_s
    if len(filmed) or offset is None:
        return filmed
    moved = [_moved(one, -offset) for one in logged]
    end_s = inputs.clip.duration_s
    return tuple(one for one in moved if 0 <= one.launch_s < end_s and one.end_s > 0)


def _even(motion: MotionSignal, top_mps: float) -> Series:
    """The motion signal in about m/s on an even grid, its scatter averaged."""
    good = motion.quality > 0
    t_s, values = motion.t_s[good], motion.forward[good]
    if len(t_s) < 4:
        return Series("speed_mps", np.zeros(0), np.zeros(0))
    edges = np.arange(t_s[0], t_s[-1] + EVEN_STEP_S, EVEN_STEP_S)
    bins = np.digitize(t_s, edges) - 1
    counts = np.bincount(bins, minlength=len(edges))
    sums = np.bincount(bins, weights=values, minlength=len(edges))
    full = np.flatnonzero(counts > 0)
    mean = np.maximum(sums[full] / counts[full], 0.0)
    moving = mean[mean > 0.1 * float(np.max(mean, initial=0.0))]
    scale = top_mps / float(np.percentile(moving, ROBUST_TOP)) if len(moving) else 1.0
    return Series("speed_mps", edges[full] + EVEN_STEP_S / 2, mean * scale)


def _pairs(
    filmed: tuple[RunWindow, ...], logged: tuple[RunWindow, ...], alignment: Alignment
) -> dict[int, int]:
    """Index of the logged run of each filmed one: by the offset, else by the spacing."""
    offset = alignment.total_offset_s
    if not alignment.determined or offset is None:
        return dict(match_runs(filmed, logged))
    pairs = {}
    for i, one in enumerate(filmed):
        off = [abs(other.launch_s - offset - one.launch_s) for other in logged]
        if off and min(off) < 2.0:
            pairs[i] = int(np.argmin(off))
    return pairs


def _moved(window: RunWindow, by_s: float) -> RunWindow:
    return replace(
        window,
        start_s=max(0.0, window.start_s + by_s),
        end_s=window.end_s + by_s,
        launch_s=window.launch_s + by_s,
        stop_s=None if window.stop_s is None else window.stop_s + by_s,
    )
