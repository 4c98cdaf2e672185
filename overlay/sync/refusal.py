"""When no number may be given, and in which words."""

from __future__ import annotations

import math

import numpy as np

from overlay.motion.model import MotionSignal, used
from overlay.series import Series
from overlay.sync.joint import Evidence, Noise
from overlay.sync.same_run import (
    RATES,
    Stretch,
    gain_wander,
    motion_at_rest,
    one_way,
    parts_of,
    stretch_of,
    usual_wander,
    wander_evidence,
)
from overlay.sync.seed import LEAST_OVERLAP_S, SeedPlace, binned_motion
from overlay.sync.verdict import OffsetVerdict

LEAST_FRAMES = 20
LEAST_SAMPLES = 4
LEAST_LOG_CHANGE_MPS = 1.0
LEAST_MOTION_CHANGE = 0.15  # of its full scale
WIDEST_HALF_INTERVAL_S = 0.35
LEAST_MARGIN_LOG = 8.0  # log units between the best place and the next: 4 sigmas
LARGEST_WANDER = 0.035  # of the fitted gain, on a clip with one launch
LARGEST_DRIFTS = 1.6  # or this many times its usual drift
LARGEST_WANDER_EVIDENCE = 8.0  # log units for a gain that wanders, where only a launch is in view
LARGEST_CHI_SQUARE = 3.0  # for each part of the run after the first
LEAST_CHANCE = 0.005  # that parts of a right log differ so by noise alone
LARGEST_AT_REST = 0.08  # of the motion signal's full scale; rendered clips leave 0.01
LARGEST_COLOUR = 0.8  # of the motion signal's noise; right logs leave 0.6 at most
SMOOTH_COLOUR = 0.5
LARGEST_SMOOTH_NOISE_MPS = 0.12
MOVING_SHARE = 0.1  # of the motion signal's full scale
LEAST_COVERED_SHARE = 0.5
# Right logs on streets want 0.038 at most, by 2.8 log units (`accuracy.street`).
LARGEST_RATE_ERROR, LARGEST_RATE_EVIDENCE = 0.03, 3.5
# By the ground alone a small one tells of another run where the evidence is clear: right logs on
# streets have 6.4 at most, launches that took 0.2 s longer over rendered ground 50
# (`accuracy.cluttered`).
LEAST_RATE_ERROR, CLEAR_RATE_EVIDENCE = 0.01, 12.0
# By the ground alone, how much less likely another pace of the run must be. Of stretched logs of
# three draws of `accuracy.street` 25 in 240 pass at 0 log units, 9 at this and 4 at 3; of right
# ones 84 %, 79 % and 74 %.
LEAST_RATE_EXCLUDED = 2.0
# Of 60 right logs each at 1 Hz, noise of 0.2 m/s is found as 0.24 at most, of 0.3 m/s as 0.35.
LARGEST_LOG_NOISE_MPS = 0.35
USUAL_SUPPORT = 40.0  # log units that one launch gives
LARGEST_GAIN_ERROR = 0.15  # as used for the interval, which is looser than the likeliest
OTHER_LOG = "the logged speed does not match the motion in the picture: is it the right log?"
TOO_LITTLE = (
    "too little of the speed's changes is in view to be sure that the log belongs to this clip: "
    "use a longer part of the run"
)
ANY_PACE = (
    f"a run {RATES[-1]:.0%} slower or faster would explain the picture about as well, so it is not "
    "sure that the log belongs to this clip: use a longer part of the run, with its launch and stop"
)
TOO_WIDE = "speed changes too little against the noise for a useful answer"


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
        return "the motion in the picture hardly changes (constant speed), so no time can be found"
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


def _other_log(verdict: OffsetVerdict, stretch: Stretch) -> bool:
    """Whether motion and log differ by more than the errors of picture and receiver.

    A stop in view tells runs apart by itself: laid by its launch, the log of another run stops at
    another time. Then a slow gain error may be larger, and more so with more launches and stops. A
    lone launch differs from another by little more than a slow gain error could explain: logs of
    launches a fifth slower or quicker need a wandering gain by 10 log units and more, right ones
    speak against it by 5.
    """
    evidence, fit, support = verdict.evidence, verdict.fit, verdict.support
    noise, wander = fit.noise, gain_wander(evidence, fit)
    if noise.gain > LARGEST_GAIN_ERROR:
        return True
    largest = max(LARGEST_WANDER, LARGEST_DRIFTS * evidence.gain_errors.drift)
    if wander > largest * max(support / USUAL_SUPPORT, 1.0):
        return True
    if math.hypot(LARGEST_LOG_NOISE_MPS, evidence.log_floor_mps) < noise.log_mps:
        return True
    if noise.motion_colour > LARGEST_COLOUR and support < USUAL_SUPPORT:
        return True
    if _parts_differ(verdict) or _structured(noise) or _runs_at_other_rate(evidence, stretch):
        return True
    if wander < usual_wander(evidence) or not one_way(evidence, fit):
        return False
    return wander_evidence(evidence, fit) > LARGEST_WANDER_EVIDENCE


def _too_little_covered(verdict: OffsetVerdict) -> str | None:
    """Reason where most of the moving footage has no log beside it, or None."""
    e = verdict.evidence
    moving = np.abs(e.motion) > MOVING_SHARE
    log_s = e.log_t_s - verdict.total_s
    beside = moving & (e.motion_t_s >= log_s[0]) & (e.motion_t_s <= log_s[-1])
    total_s, beside_s = (float(np.sum(e.motion_span_s[m])) for m in (moving, beside))
    if beside_s >= LEAST_COVERED_SHARE * total_s:
        return None
    return (
        f"where it would fit best, the log covers only {beside_s:.0f} of the {total_s:.0f} s in "
        "which the vehicle moves: use a longer log, or cut the clip"
    )


def _runs_at_other_rate(evidence: Evidence, stretch: Stretch) -> bool:
    """Whether the log's time runs faster or slower than the picture's, as no clock does."""
    rate, information = abs(stretch.rate), stretch.information
    clearly = rate > LEAST_RATE_ERROR and information > CLEAR_RATE_EVIDENCE
    return (evidence.gain_errors.by_ground and clearly) or (
        rate > LARGEST_RATE_ERROR and information > LARGEST_RATE_EVIDENCE
    )


def _parts_differ(verdict: OffsetVerdict) -> bool:
    """Whether launch, middle and stop tell different offsets."""
    from scipy.special import chdtri

    parts = parts_of(verdict.evidence, verdict.fit)
    count = len(parts.shifts_s)
    if not count:
        return False
    largest = max(LARGEST_CHI_SQUARE * count, float(chdtri(count, LEAST_CHANCE)))
    return parts.chi_square(verdict.evidence.gain_errors.spread_s) > largest


def _never_rests(verdict: OffsetVerdict) -> bool:
    """Whether the log reads speed while the picture stands, or the other way round."""
    offset, sigma = motion_at_rest(verdict.evidence, verdict.fit)
    return abs(offset) > LARGEST_AT_REST + 3 * sigma


def _structured(noise: Noise) -> bool:
    """Whether what is left of the log is larger than a receiver's noise, and follows itself."""
    colour = noise.log_colour
    whole = noise.log_mps / np.sqrt(1 - colour**2)
    return colour > SMOOTH_COLOUR and whole > LARGEST_SMOOTH_NOISE_MPS


def late_refusal(places: list[SeedPlace], verdicts: list[OffsetVerdict]) -> str | None:
    """Reason found by the fit, or None."""
    if not places:
        return "the log does not overlap the clip anywhere with speed like the motion in it"
    if not verdicts:
        return "no place in the log fits the motion in the picture"
    best = verdicts[0]
    refused = _too_little_covered(best)
    if refused:
        return refused
    stretch = stretch_of(best.evidence, best.fit)
    if _other_log(best, stretch):
        return OTHER_LOG
    if best.support < best.evidence.gain_errors.least_support:
        return TOO_LITTLE
    if best.evidence.gain_errors.by_ground and stretch.excluded < LEAST_RATE_EXCLUDED:
        return ANY_PACE
    if (best.interval_s[1] - best.interval_s[0]) / 2 > WIDEST_HALF_INTERVAL_S:
        return TOO_WIDE
    if len(verdicts) > 1 and best.score - verdicts[1].score < LEAST_MARGIN_LOG:
        return (
            f"two offsets explain the motion equally well: {best.total_s:.2f} s "
            f"and {verdicts[1].total_s:.2f} s"
        )
    if _never_rests(best):
        return (
            "the log and the picture do not stand still at the same time, as if a constant were "
            "added to the speed: is it the right log?"
        )
    return None
