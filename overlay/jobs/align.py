"""Align a clip with its logs, and say in words what was found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from overlay.jobs.analyse import AlignedRun, PixelBox, align_run, read_inputs
from overlay.jobs.draw import offset_lines
from overlay.jobs.progress import Progress, silent
from overlay.jobs.rpm import separate_by_sound


def align_files(
    clip: str | Path,
    logs: Sequence[str | Path],
    *,
    same_clock: bool = False,
    columns: Mapping[str, str] | None = None,
    ignore: Sequence[PixelBox] = (),
    progress: Progress = silent,
) -> AlignedRun:
    """Read a clip and its logs and set the logs against the footage.

    See :func:`overlay.jobs.analyse.read_inputs` and :func:`~overlay.jobs.analyse.align_run`.
    """
    inputs = read_inputs(clip, logs, columns=columns)
    aligned = align_run(inputs, same_clock=same_clock, ignore=ignore, progress=progress)
    return separate_by_sound(aligned)


def align_report(aligned: AlignedRun) -> str:
    """The alignment in a few plain lines."""
    found = aligned.alignment
    lines = []
    if not found.determined or found.total_offset_s is None or found.interval_s is None:
        lines.append(f"cannot be determined: {found.reason}")
        return "\n".join(lines + [f"  {note}" for note in found.notes])
    lines += offset_lines(found)
    if found.readout_lag_s is None and found.reason:
        lines.append(f"lag alone: {found.reason}")
    lines.append(f"agreement of motion and log {found.agreement:.3f}")
    lines += [
        f"{timing.channel}: {timing.offset_s:+.3f} s; {timing.evidence}"
        for timing in found.channels
    ]
    return "\n".join([*lines, *found.notes])
