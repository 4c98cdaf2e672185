"""Smaller results of one run: a still, the gauges alone, chapter marks and timed text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from overlay.errors import UsageError
from overlay.jobs.analyse import RunAnalysis
from overlay.jobs.draw import (
    DrawReport,
    DrawRequest,
    placed_gauges,
    run_lines,
    work_out,
)
from overlay.jobs.progress import Progress, silent
from overlay.render import Caption, Mark

CAPTION_S = 2.5  # long enough to read a line of this length; common practice, no source
LEAST_CAPTION_S = 0.3


def still_run(
    clip: str | Path,
    logs: Sequence[str | Path],
    at_s: float,
    target: str | Path,
    request: DrawRequest,
    *,
    progress: Progress = silent,
) -> DrawReport:
    """Write the picture of one instant with its gauges, as PNG.

    Parameters
    ----------
    at_s : float
        Footage time in seconds.

    Raises
    ------
    TimetrueError
        As the message says; then the target is as it was.
    """
    from overlay.footage import probe
    from overlay.render import still

    _require_suffix(target, (".png",), "a still is written as PNG")
    length_s = probe(clip).duration_s
    if not 0 <= at_s <= length_s:
        raise UsageError(f"{clip}: no picture at {at_s:.3f} s; the clip lasts {length_s:.3f} s")
    run = work_out(clip, logs, target, request, progress=progress)
    gauges, _ = placed_gauges(run, request)
    shown_s = still(run.clip, gauges.layers, at_s, target, covers=request.covers)
    return DrawReport(run, (f"wrote {target}: the picture at {shown_s:.3f} s",))


def layer_run(
    clip: str | Path,
    logs: Sequence[str | Path],
    target: str | Path,
    request: DrawRequest,
    *,
    progress: Progress = silent,
) -> DrawReport:
    """Write the gauges of a run alone, with transparency, for any editor.

    Parameters
    ----------
    target : path
        ``.mov`` for ProRes 4444, ``.webm`` for VP9.

    Raises
    ------
    TimetrueError
        As the message says; then the target is as it was.
    """
    from overlay.render import alpha_clip

    _require_suffix(target, (".mov", ".webm"), "use .mov (ProRes 4444) or .webm (VP9)")
    run = work_out(clip, logs, target, request, progress=progress)
    gauges, _ = placed_gauges(run, request)
    made = alpha_clip(
        run.clip,
        gauges.layers,
        target,
        progress=lambda told: progress(f"drawing {Path(target).name}", told.share),
    )
    lines = (*run_lines(run, request.units), *made.notes, f"wrote {target}: {made.encoder}")
    return DrawReport(run, lines)


def tag_run(
    clip: str | Path,
    logs: Sequence[str | Path],
    target: str | Path,
    request: DrawRequest,
    *,
    progress: Progress = silent,
) -> DrawReport:
    """Copy a clip, raw or finished, and add chapters and timed text; nothing is encoded again.

    Gauges that are on the picture already are left out when the motion in it is measured.

    Raises
    ------
    TimetrueError
        As the message says; then the target is as it was.
    """
    from overlay.render import add_marks
    from overlay.verify.finished import imprint_of

    _require_suffix(target, (".mp4", ".mov", ".mkv"), "use .mp4, .mov or .mkv")
    imprint = imprint_of(clip)
    if imprint is not None and len(imprint.sides) > 1:
        raise UsageError(f"{clip}: shows several runs; name a clip of one run")
    drawn = () if imprint is None else imprint.boxes
    request = replace(request, covers=(*request.covers, *drawn))
    run = work_out(clip, logs, target, request, progress=progress)
    marks, captions = marks_of(run), captions_of(run, request.units)
    add_marks(clip, target, marks=marks, captions=captions)
    said = f"wrote {target}: {len(marks)} chapter marks, {len(captions)} lines of timed text"
    return DrawReport(run, (*run_lines(run, request.units), said))


def marks_of(run: RunAnalysis) -> tuple[Mark, ...]:
    """Places to jump to: launch, splits, finish."""
    return tuple(Mark(at_s, title) for at_s, title, _ in _events(run, "m/s"))


def captions_of(run: RunAnalysis, unit: str) -> tuple[Caption, ...]:
    """What to read at launch, splits and finish; none overlaps the next."""
    events = _events(run, unit)
    ends = [at_s for at_s, _, _ in events[1:]] + [run.clip.duration_s]
    captions = []
    start_s = 0.0
    for (at_s, _, text), next_s in zip(events, ends, strict=True):
        start_s = max(at_s, start_s)
        # Splits that follow at once wait for one another's least time on screen.
        end_s = max(min(start_s + CAPTION_S, next_s), start_s + LEAST_CAPTION_S)
        end_s = min(end_s, run.clip.duration_s)
        if end_s > start_s:
            captions.append(Caption(start_s, end_s, text))
        start_s = end_s
    return tuple(captions)


def _events(run: RunAnalysis, unit: str) -> list[tuple[float, str, str]]:
    """Time, title and full text of everything worth a mark, in order."""
    from overlay.jobs.draw import course_of
    from overlay.report.table import speed_text

    events = []
    if run.launch is not None:
        sure_s = 1.96 * run.launch.sigma_s
        events.append((run.launch.at_s, "Launch", f"Launch ±{sure_s:.2f} s"))
    for split in run.splits:
        if split.time_s is None or split.at_s is None or split.total_sigma_s is None:
            continue
        text = f"{split.goal.label} in {split.time_s:.2f} s ±{1.96 * split.total_sigma_s:.2f}"
        if split.speed_mps is not None and split.goal.kind == "distance":
            text += f" at {speed_text(split.speed_mps, unit)}"
        events.append((split.at_s, f"{split.goal.label} · {split.time_s:.2f} s", text))
    end_s = course_of(run).end_s
    if run.launch is not None and run.launch.at_s < end_s < run.clip.duration_s - 0.1:
        events.append((end_s, "Finish", "Finish: at rest"))
    return sorted(event for event in events if 0 <= event[0] < run.clip.duration_s)


def _require_suffix(target: str | Path, allowed: tuple[str, ...], mend: str) -> None:
    if Path(target).suffix.lower() not in allowed:
        raise UsageError(f"{target}: {mend}")


__all__ = ["captions_of", "layer_run", "marks_of", "still_run", "tag_run"]
