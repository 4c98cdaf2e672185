"""Chapter marks and timed text for a clip of one run, raw or finished."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from overlay.errors import UsageError
from overlay.jobs.film import FilmReport, FilmRun, require_suffix, work_out
from overlay.jobs.text import run_lines
from overlay.progress import Progress, silent
from overlay.render.marks import Caption, ChapterMark, add_marks
from overlay.report.table import speed_text
from overlay.scene import Style
from overlay.session import RunAnalysis
from overlay.verify.finished import imprint_of

CAPTION_S = 2.5  # long enough to read a line of this length; common practice, no source
LEAST_CAPTION_S = 0.3


def tag_run(
    run: FilmRun, target: str | Path, style: Style, *, progress: Progress = silent
) -> FilmReport:
    """Copy a clip, raw or finished, and add chapters and timed text; nothing is encoded again.

    Gauges that are on the picture already are left out when the motion in it is measured.
    """
    require_suffix(target, (".mp4", ".mov", ".mkv"), "use .mp4, .mov or .mkv")
    imprint = imprint_of(run.clip)
    if imprint is not None and len(imprint.sides) > 1:
        raise UsageError(f"{run.clip}: shows several runs; name a clip of one run")
    drawn = () if imprint is None else imprint.boxes
    options = replace(run.options, covers=(*run.options.covers, *drawn))
    (found,) = work_out([replace(run, options=options)], target, style, progress=progress)
    marks = [ChapterMark(at_s, title) for at_s, title, _ in _events(found, style.units)]
    captions = captions_of(found, style.units)
    add_marks(run.clip, target, marks=marks, captions=captions)
    said = f"wrote {target}: {len(marks)} chapter marks, {len(captions)} lines of timed text"
    return FilmReport((found,), ((*run_lines(found, style.units), said),))


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
    end_s = run.course.end_s
    if run.launch is not None and run.launch.at_s < end_s < run.clip.duration_s - 0.1:
        events.append((end_s, "Finish", "Finish: at rest"))
    return sorted(event for event in events if 0 <= event[0] < run.clip.duration_s)
