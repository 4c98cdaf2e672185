"""Verify a finished clip, or a clip and its logs before anything is drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from overlay.errors import UndeterminedError
from overlay.footage.model import ClipFacts
from overlay.gauges.imprint import Imprint, ImprintSide
from overlay.gauges.layout import layout_for
from overlay.gauges.ribbon import Ribbon
from overlay.progress import Progress, silent, staged
from overlay.series import Series
from overlay.session import AlignedRun, RunOptions, correct, load, measure_motion
from overlay.session.inputs import left_out
from overlay.session.steps import estimated
from overlay.timebase import FloatArray
from overlay.verify import Check, ReadBack, Verdict, check_motion, judge, read_finished
from overlay.verify.finished import pace_of_clip
from overlay.verify.heard import check_sound

BLOCK_S = 1.0
MUCH_COVERED = 0.4
CORNERS = "corners followed over the ground"


def verify_clip(path: str | Path, *, progress: Progress = silent) -> tuple[Verdict, ...]:
    """Read a finished clip back from its pixels and judge each run in it.

    The speed shown is set against corners followed through the picture, by an estimator that
    shares nothing with the alignment's, and against the engine's sound where the clip shows one
    run and its drive holds one ratio.

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
    checks = [[_by_corners(run)] for run in found]
    if len(found) == 1:
        checks[0].append(check_sound(path, found[0].shown, slowed=found[0].slowed))
    shown = "ribbon length read from the pixels"
    return tuple(
        judge(run.name, each, shown=shown) for run, each in zip(found, checks, strict=True)
    )


def _by_corners(run: ReadBack) -> Check:
    said = f"{CORNERS} outside the gauges"
    if run.slowed is not None:
        said += f", slow motion ×{run.slowed.factor:g} undone"
    check = check_motion(run.pace, run.shown, evidence=said)
    if check.outcome != "no lag" and run.covered > MUCH_COVERED:
        covered = f"the gauges cover {100 * run.covered:.0f} % of the picture's lower half"
        reason = f"{covered}, where the ground is"
        return replace(check, reason=f"{check.reason}; {reason}" if check.reason else reason)
    return check


def standard_imprint(facts: ClipFacts) -> Imprint | None:
    """Where the ribbon stands in the standard layout, for a clip that lost its note."""
    places = layout_for(facts.width, facts.height, ["ribbon", "comb", "ladder"])
    ribbon = Ribbon(places[0].width, places[0].height, full_scale_mps=1.0)
    whole = (0, 0, facts.width, facts.height)
    side = ImprintSide("", whole, (places[0].x, places[0].y), ribbon.band)
    boxes = tuple((p.x, p.y, p.width, p.height) for p in places)
    return Imprint((facts.width, facts.height), (side,), boxes)


def verify_logs(
    clip: str | Path,
    logs: Sequence[str | Path],
    options: RunOptions | None = None,
    *,
    progress: Progress = silent,
) -> tuple[Verdict, ...]:
    """Fit the lag on every other second of the footage and judge it on the seconds between.

    What lies between is measured by corners, which the fit does not use, and the engine's sound
    counts too where it can tell.

    Raises
    ------
    UndeterminedError
        If the lag cannot be fitted.
    """
    inputs = load(clip, logs, options)
    boxes = left_out(inputs)
    motion = measure_motion(inputs.clip, ignore=boxes, progress=progress)
    fitted = replace(motion, quality=np.where(_fitted(motion.t_s), motion.quality, 0.0))
    aligned = AlignedRun(inputs, fitted, estimated(inputs, fitted))
    if not aligned.alignment.determined:
        reason = aligned.alignment.reason
        raise UndeterminedError(f"{clip}: the lag cannot be determined: {reason}")
    k = correct(aligned).kinematics
    shown = Series("speed_mps", *(a[k.known] for a in (k.t_s, k.speed_mps, k.speed_sigma_mps)))
    shares = [(box.left, box.top, box.right, box.bottom) for box in boxes]
    pace = pace_of_clip(inputs.clip, shares, progress=staged(progress, "following corners"))
    held = pace if pace.reason else pace.part(~_fitted(pace.t_s))
    between = "on the seconds between those that the lag was fitted to"
    checks = [
        check_motion(held, shown, evidence=f"{CORNERS} {between}"),
        check_sound(clip, shown),
    ]
    return (judge(Path(clip).name, checks, shown="corrected speed"),)


def _fitted(t_s: FloatArray) -> npt.NDArray[np.bool_]:
    """Every other second, to which the lag is fitted; the others judge it."""
    return np.asarray(np.floor(t_s / BLOCK_S).astype(int) % 2 == 0)
