"""When no number may be given, and in which words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from overlay.motion.model import MotionSignal, used
from overlay.series import Series
from overlay.sync.seed import LEAST_OVERLAP_S, Candidate, binned_motion

if TYPE_CHECKING:
    from overlay.sync.estimate import Verdict

LEAST_FRAMES = 20
LEAST_SAMPLES = 4
LEAST_LOG_CHANGE_MPS = 1.0
LEAST_MOTION_CHANGE = 0.15  # of its full scale
WIDEST_HALF_INTERVAL_S = 0.35
LEAST_SUPPORT = 6.0  # log units: motion and log explained together against apart
LEAST_MARGIN_LOG = 8.0  # log units between the best place and the next: 4 sigmas
LARGEST_WANDER = 0.035  # of the fitted gain, on a clip with one launch
USUAL_SUPPORT = 40.0  # log units that one launch gives
LARGEST_GAIN_ERROR = 0.15  # as used for the interval, which is looser than the likeliest


def early_refusal(motion: MotionSignal, speed: Series) -> str | None:
    """Reason that needs no fit, or None."""
    if motion.reason:
        return motion.reason
    keep = used(motion)
    if np.count_nonzero(keep) < LEAST_FRAMES:
        return "the clip is too short: fewer than 20 usable pictures"
    t_s = motion.t_s[keep]
    if t_s[-1] - t_s[0] < LEAST_OVERLAP_S - 1:
        return f"the clip is too short: {t_s[-1] - t_s[0]:.1f} s of usable pictures"
    if len(speed) < LEAST_SAMPLES:
        return f"the log is too short: {len(speed)} speeds"
    low, high = np.percentile(speed.values, [1, 99])
    if max(high - low, np.ptp(speed.values) / 2) < LEAST_LOG_CHANGE_MPS:
        return "the logged speed hardly changes, so nothing in it can be placed in the footage"
    _, binned = binned_motion(motion)
    change = np.nanpercentile(_smoothed(binned), [3, 97])
    if change[1] - change[0] < LEAST_MOTION_CHANGE * max(float(np.nanmax(np.abs(binned))), 1e-9):
        return "the motion in the picture hardly changes (constant speed), so no time stands out"
    return None


def _smoothed(
    values: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Half-second means, NaN left out."""
    width = 5
    if len(values) < width:
        return values
    windows = np.lib.stride_tricks.sliding_window_view(values, width)
    good = windows[np.isfinite(windows).sum(axis=1) >= 3]
    return np.nanmean(good, axis=1) if len(good) else values


def gain_wander(verdict: Verdict) -> float:
    """Root mean square of the fitted slow gain error, where there is speed to show it."""
    evidence, point = verdict.evidence, verdict.fit.point
    weight = (evidence.motion - point.offset) ** 2
    error = evidence.gain_basis @ point.gain_error[:-1]
    error = error - np.average(error, weights=weight)
    return float(np.sqrt(np.average(error**2, weights=weight)))


def _other_log(verdict: Verdict) -> bool:
    """Whether motion and log differ by more than the picture's own errors.

    Launches of one kind differ by little more than a slow gain error could explain: logs of other
    runs, set against simulated clips, needed a wander of 3.8 % and more, the right ones under 1 %.
    Several launches and stops tell the log apart by themselves and bear more.
    """
    bears = LARGEST_WANDER * max(verdict.support / USUAL_SUPPORT, 1.0)
    return (
        verdict.support < LEAST_SUPPORT
        or verdict.fit.noise.gain > LARGEST_GAIN_ERROR
        or gain_wander(verdict) > bears
    )


def late_refusal(
    motion: MotionSignal, speed: Series, places: list[Candidate], verdicts: list[Verdict]
) -> str | None:
    """Reason found by the fit, or None."""
    if not places:
        return "the log does not overlap the clip anywhere with speed like the motion in it"
    if not verdicts:
        return "no place in the log fits the motion in the picture"
    best = verdicts[0]
    if _other_log(best):
        return "the logged speed does not match the motion in the picture: is it the right log?"
    if (best.interval_s[1] - best.interval_s[0]) / 2 > WIDEST_HALF_INTERVAL_S:
        return "speed changes too little against the noise for a useful answer"
    if len(verdicts) > 1 and best.score - verdicts[1].score < LEAST_MARGIN_LOG:
        return (
            f"two offsets explain the motion equally well: {best.total_s:.2f} s "
            f"and {verdicts[1].total_s:.2f} s"
        )
    return None
