"""Verify a finished clip, or a clip and its logs before anything is drawn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from overlay.errors import UndeterminedError
from overlay.footage.model import ClipFacts
from overlay.gauges.imprint import Imprint
from overlay.jobs.analyse import (
    AlignedRun,
    PixelBox,
    analyse_run,
    measure_motion,
    read_inputs,
)
from overlay.jobs.progress import Progress, silent, staged
from overlay.motion.model import MotionSignal
from overlay.series import Series
from overlay.verify import ReadBack, Verdict, judge, read_finished

BLOCK_S = 1.0


def verify_clip(path: str | Path, *, progress: Progress = silent) -> tuple[Verdict, ...]:
    """Read a finished clip back from its pixels and judge each run in it.

    Parameters
    ----------
    path : path
        A clip made by draw or pair.

    Raises
    ------
    InputError
        If no ribbon can be read in it.
    """
    found = read_finished(
        path, fallback=standard_imprint, progress=staged(progress, "reading the ribbon")
    )
    return tuple(judge(run.name, run.motion, run.shown, evidence=evidence_of(run)) for run in found)


def evidence_of(run: ReadBack) -> str:
    """What was compared with what, one phrase."""
    said = "ribbon length read from the pixels, against motion in the picture outside the gauges"
    if run.slowed is not None:
        said += f", slow motion ×{run.slowed.factor:g} undone"
    return said


def standard_imprint(facts: ClipFacts) -> Imprint | None:
    """Where the ribbon stands in the standard layout, for a clip that lost its note."""
    from overlay.gauges.imprint import ImprintSide
    from overlay.gauges.layout import layout_for
    from overlay.gauges.ribbon import Ribbon

    places = layout_for(facts.width, facts.height, ["ribbon", "comb", "ladder"])
    ribbon = Ribbon(places[0].width, places[0].height, full_scale_mps=1.0)
    whole = (0, 0, facts.width, facts.height)
    side = ImprintSide("", whole, (places[0].x, places[0].y), ribbon.band)
    boxes = tuple((p.x, p.y, p.width, p.height) for p in places)
    return Imprint((facts.width, facts.height), (side,), boxes)


def verify_logs(
    clip: str | Path,
    logs: Sequence[str | Path],
    *,
    same_clock: bool = False,
    columns: Mapping[str, str] | None = None,
    ignore: Sequence[PixelBox] = (),
    progress: Progress = silent,
) -> tuple[Verdict, ...]:
    """Fit the lag on every other second of the footage and judge it on the seconds between.

    Raises
    ------
    UndeterminedError
        If the lag cannot be fitted.
    """
    from overlay.sync import estimate_offset

    inputs = read_inputs(clip, logs, columns=columns)
    motion = measure_motion(inputs.clip, ignore=ignore, progress=progress)
    fitted, held = halves(motion)
    alignment = estimate_offset(
        fitted, inputs.speed, same_clock=same_clock, extra_lag_s=inputs.speed_log.extra_lag_s
    )
    if not alignment.determined:
        raise UndeterminedError(f"{clip}: the lag cannot be determined: {alignment.reason}")
    kinematics = analyse_run(AlignedRun(inputs, fitted, alignment), goals=()).kinematics
    known = kinematics.known
    shown = Series(
        "speed_mps",
        kinematics.t_s[known],
        kinematics.speed_mps[known],
        kinematics.speed_sigma_mps[known],
    )
    evidence = "lag fitted on every other second of the picture, judged on the seconds between"
    return (judge(Path(clip).name, held, shown, evidence=evidence),)


def halves(motion: MotionSignal) -> tuple[MotionSignal, MotionSignal]:
    """Two signals that trust alternate seconds of one, so that they share no evidence."""
    even = np.floor(motion.t_s / BLOCK_S).astype(int) % 2 == 0
    first = replace(motion, quality=np.where(even, motion.quality, 0.0))
    second = replace(motion, quality=np.where(even, 0.0, motion.quality))
    return first, second
