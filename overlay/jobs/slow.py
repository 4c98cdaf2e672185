"""One run with a section slowed down, and a plate on it that says so."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from overlay.gauges.imprint import Imprint, SlowedPart
from overlay.gauges.palette import SPIN
from overlay.jobs.draw import (
    DrawReport,
    DrawRequest,
    placed_gauges,
    run_lines,
    work_out,
)
from overlay.jobs.labels import cap_for, placed_words, safe_region, shown_while
from overlay.jobs.progress import Progress, silent


def slow_run(
    clip: str | Path,
    logs: Sequence[str | Path],
    target: str | Path,
    request: DrawRequest,
    *,
    from_s: float,
    to_s: float,
    factor: int = 4,
    sound: str = "stretched",
    progress: Progress = silent,
) -> DrawReport:
    """Draw a run with the section from `from_s` to `to_s` slowed `factor` times.

    The gauges show what was true when each picture was taken, speeds and times unslowed; a plate
    says ``slowed ×N`` as long as the section lasts.

    Parameters
    ----------
    from_s, to_s : float
        Footage times in seconds.
    factor : int
        2 to 16.
    sound : str
        ``stretched`` or ``muted``, inside the section.

    Raises
    ------
    TimetrueError
        As the message says; then the target is as it was.
    """
    from overlay.footage import probe
    from overlay.render import even_size
    from overlay.render.slow import slow_clip, slowed_times
    from overlay.render.source import container_of

    container_of(Path(target))
    slowed = slowed_times(probe(clip), from_s, to_s, factor)
    run = work_out(clip, logs, target, request, progress=progress)
    gauges, imprint = placed_gauges(run, request)
    size = even_size(run.clip)
    picture, x, y = placed_words(
        f"slowed ×{factor}",
        safe_region(*size),
        imprint.boxes,
        cap_for(*size),
        hue=SPIN,
        quiet="true values",
    )
    start_s, end_s = slowed.edges_s
    half_s = 0.25 * run.clip.frame_times.median_step_s  # frame times are compared, not met
    sign = shown_while(picture, x, y, lambda t_s: start_s - half_s <= t_s < end_s - half_s)
    imprint = replace(
        imprint,
        boxes=(*imprint.boxes, (x, y, sign.width, sign.height)),
        slowed=SlowedPart(start_s, end_s, float(factor)),
    )
    rendered = slow_clip(
        run.clip,
        (*gauges.layers, sign),
        slowed,
        target,
        sound=sound,
        options=request.encode_options(),
        covers=request.covers,
        progress=lambda told: progress(f"drawing {Path(target).name}", told.share),
        metadata=_tags(imprint, start_s, end_s, factor),
    )
    said = f"wrote {target}: slowed ×{factor} from {start_s:.2f} to {end_s:.2f} s"
    return DrawReport(run, (*run_lines(run, request.units), *rendered.notes, said))


def _tags(imprint: Imprint, start_s: float, end_s: float, factor: int) -> dict[str, str]:
    return {
        "comment": imprint.to_text(),
        "description": f"slowed ×{factor} from {start_s:.3f} to {end_s:.3f} s of the footage",
    }


__all__ = ["slow_run"]
