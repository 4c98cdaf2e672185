"""Verify a finished clip, or a clip and its logs before anything is drawn."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from overlay.errors import UndeterminedError
from overlay.footage.model import ClipFacts, LumaFrame
from overlay.gauges.imprint import Imprint
from overlay.motion.model import Box, MotionSignal
from overlay.progress import Progress, silent, staged
from overlay.series import Series
from overlay.session import AlignedRun, RunOptions, correct, load, measure_motion
from overlay.session.inputs import left_out
from overlay.verify import Check, ReadBack, Verdict, check_motion, judge, read_finished
from overlay.verify.finished import CELLS, CORNERS, Meter
from overlay.verify.heard import check_sound

BLOCK_S = 1.0


def verify_clip(path: str | Path, *, progress: Progress = silent) -> tuple[Verdict, ...]:
    """Read a finished clip back from its pixels and judge each run in it.

    The speed shown is set against evidence of other kinds than the lag was fitted to: corners
    followed through the picture, and the engine's sound where the clip shows one run. Only where
    they cannot tell, or too vaguely to prove anything, does the alignment's own way of measuring
    count too, and the verdict says so.

    Parameters
    ----------
    path : path
        A clip made by draw or pair.

    Raises
    ------
    InputError
        If no ribbon can be read in it.
    """
    tell = staged(progress, "reading the ribbon")
    found = read_finished(path, fallback=standard_imprint, progress=tell)
    checks = [[_by_motion(run, CORNERS)] for run in found]
    if len(found) == 1:
        checks[0].append(check_sound(path, found[0].shown, slowed=found[0].slowed))
    untold = [k for k, each in enumerate(checks) if _is_vague(each)]
    if untold:
        tell = staged(progress, "measuring again")
        again = read_finished(
            path, meter=CELLS, only=untold, fallback=standard_imprint, progress=tell
        )
        for k, run in zip(untold, again, strict=True):
            checks[k].append(_by_motion(run, CELLS))
    shown = "ribbon length read from the pixels"
    return tuple(
        judge(run.name, each, shown=shown) for run, each in zip(found, checks, strict=True)
    )


def _is_vague(checks: Sequence[Check]) -> bool:
    """Whether all that was checked can neither prove the gauges true nor false."""
    return judge("", checks).outcome in ("cannot tell", "weak proof")


def _by_motion(run: ReadBack, meter: Meter) -> Check:
    said = f"{meter.evidence} outside the gauges"
    if run.slowed is not None:
        said += f", slow motion ×{run.slowed.factor:g} undone"
    return check_motion(run.motion, run.shown, evidence=said, independent=meter.independent)


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
    ignore: Sequence[tuple[float, float, float, float]] = (),
    progress: Progress = silent,
) -> tuple[Verdict, ...]:
    """Fit the lag on every other second of the footage and judge it on the seconds between.

    What lies between is measured by another method than what the lag is fitted to, and the
    engine's sound counts too where it can tell.

    Raises
    ------
    UndeterminedError
        If the lag cannot be fitted.
    """
    from overlay.sync import estimate_offset

    options = RunOptions(same_clock=same_clock, columns=columns, ignore=tuple(ignore))
    inputs = load(clip, logs, options)
    motion = measure_motion(inputs.clip, ignore=left_out(inputs), progress=progress)
    fitted, held = halves(motion)
    alignment = estimate_offset(
        fitted, inputs.speed, same_clock=same_clock, extra_lag_s=inputs.speed_log.extra_lag_s
    )
    if not alignment.determined:
        raise UndeterminedError(f"{clip}: the lag cannot be determined: {alignment.reason}")
    kinematics = correct(AlignedRun(inputs, fitted, alignment)).kinematics
    known = kinematics.known
    shown = Series(
        "speed_mps",
        kinematics.t_s[known],
        kinematics.speed_mps[known],
        kinematics.speed_sigma_mps[known],
    )
    boxes = left_out(inputs)
    tell = staged(progress, "following corners")
    corners = motion_of_clip(inputs.clip, CORNERS, boxes, progress=tell)
    between = "on the seconds between those that the lag was fitted to"
    checks = [
        check_motion(
            halves(corners)[1], shown, evidence=f"{CORNERS.evidence} {between}", independent=True
        ),
        check_sound(clip, shown),
    ]
    if _is_vague(checks):
        said = f"{CELLS.evidence}, {between}"
        checks.append(check_motion(held, shown, evidence=said, independent=False))
    return (judge(Path(clip).name, checks, shown="corrected speed"),)


def motion_of_clip(
    clip: ClipFacts, meter: Meter, ignore: Sequence[Box], *, progress: Callable[[float], None]
) -> MotionSignal:
    """Motion in a clip without gauges, measured by a meter."""
    from overlay.footage import luma_frames
    from overlay.footage.ahead import ahead

    def pictures() -> Iterator[LumaFrame]:
        for frame in ahead(luma_frames(clip.path, width=meter.width)):
            progress(frame.t_s / max(clip.duration_s, 1e-9))
            yield frame

    return meter.measure(pictures(), ignore)


def halves(motion: MotionSignal) -> tuple[MotionSignal, MotionSignal]:
    """Two signals that trust alternate seconds of one, so that they share no evidence."""
    even = np.floor(motion.t_s / BLOCK_S).astype(int) % 2 == 0
    first = replace(motion, quality=np.where(even, motion.quality, 0.0))
    second = replace(motion, quality=np.where(even, 0.0, motion.quality))
    return first, second
