"""The lag between footage and a log, with its interval, or the reason why there is none."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from overlay.motion.model import MotionSignal
from overlay.series import Series
from overlay.sync.evidence import (
    gather,
    rounding_step_mps,
    starting_noise,
    starting_point,
    step_mps_of,
    without_dropout,
    without_rest_level,
)
from overlay.sync.fit import Fit, tuned
from overlay.sync.joint import Evidence
from overlay.sync.model import Alignment
from overlay.sync.refusal import LEAST_SAMPLES, early_refusal, late_refusal
from overlay.sync.rounding import COARSE_STEP_MPS, Rounding, raised
from overlay.sync.same_run import one_way
from overlay.sync.seed import SeedPlace, candidates
from overlay.sync.verdict import (
    OffsetVerdict,
    at_smoothing,
    log_share,
    mixture_interval,
    score_of,
    verdict_of,
)
from overlay.units import Z95

SMOOTHING_TRIALS_S = (0.05, 0.2, 0.4, 0.65, 0.9)
SMOOTHING_START_S = 0.25
HOPELESS_LOG = 40.0
MOST_RIVALS = 3
FAR_S = 0.4  # beyond this a fit may lack log values at its ends and starts again
SAME_CLOCK_SEARCH_S = (-1.0, 4.0)
SPLIT_SIGMA_S = 0.06  # the split counts as identified when smoothing is known this well
RIVAL_APART_S = 0.7


def _first_fit(motion: MotionSignal, speed: Series, shift_s: float) -> tuple[Evidence, Fit] | None:
    """Quick fit near a place, at one smoothing; None where the log has next to nothing there."""
    evidence = gather(motion, speed, shift_s)
    if len(evidence.log) < LEAST_SAMPLES:
        return None
    start = starting_point(evidence, shift_s, SMOOTHING_START_S)
    return evidence, tuned(evidence, start, starting_noise(evidence), rounds=5, colours=False)


def _rough_fit(
    motion: MotionSignal, speed: Series, shift_s: float, first: tuple[Evidence, Fit]
) -> tuple[Evidence, Fit]:
    """Tuned fit near a quick one, at the smoothing that fits."""
    evidence, fit = first
    for _ in range(3):
        trials = [at_smoothing(evidence, fit, fit, s) for s in SMOOTHING_TRIALS_S]
        fit = max(trials, key=log_share)
        total = fit.point.shift_s + fit.point.smoothing_s
        again = None
        if abs(total - shift_s) > FAR_S:
            again = _first_fit(motion, speed, total)
        if again is None:
            break
        shift_s, (evidence, fit) = total, again
    return evidence, tuned(evidence, fit.point, fit.noise, rounds=10)


def estimate_offset(
    motion: MotionSignal,
    speed: Series,
    *,
    same_clock: bool = False,
    search_s: tuple[float, float] | None = None,
    extra_lag_s: float = 0.0,
    rounding: Rounding = "nearest",
) -> Alignment:
    """How much later the log shows an event than the picture does.

    Parameters
    ----------
    motion : MotionSignal
        Motion in the picture, on footage time.
    speed : Series
        Log speed in m/s on the log's clock.
    same_clock : bool
        Whether the log's clock is footage time (the camera's own receiver). Then the total is
        the readout lag.
    search_s : (float, float) or None
        Least and greatest log time less footage time to consider; None looks everywhere.
    extra_lag_s : float
        Share of the lag that reading the log added (see ``Log.extra_lag_s``), >= 0; only named
        in the notes, since the total holds it already.
    rounding : {"nearest", "down", "unknown"}
        How the figures of a log in coarse steps came about: 23 for 22.5 to 23.5, or for 23 to 24.
        Where that is not known, the interval holds both.

    Returns
    -------
    Alignment
        ``determined`` is False, with a reason and no numbers, where the evidence cannot tell.
        Its `raised_mps` says by how much the figures are below what they stand for.

    Notes
    -----
    Batch maximum likelihood of a continuous-time speed curve, after Furgale, Rehder and
    Siegwart 2013 (IROS); a delay kept as a filter state is prone to bias (arXiv 2106.00391).
    """
    if search_s is None and same_clock:
        search_s = SAME_CLOCK_SEARCH_S

    def found(log: Series) -> Alignment:
        return _estimate(motion, log, same_clock, search_s, extra_lag_s)

    half_mps = rounding_step_mps(speed.values) / 2
    if 2 * half_mps < COARSE_STEP_MPS:
        return found(speed)
    if rounding == "nearest":
        nearest = found(speed)
        return replace(nearest, notes=(*nearest.notes, "its figures are taken for rounded ones"))
    cut_off = replace(found(raised(speed, half_mps)), raised_mps=half_mps)
    return cut_off if rounding == "down" else either(found(speed), cut_off)


def either(one: Alignment, other: Alignment) -> Alignment:
    """What holds whichever of two accounts of a log is true, as likely as one another.

    Sizes of their errors are taken as normal, so that the interval is that of a mixture of two.
    """
    raised_mps = (one.raised_mps + other.raised_mps) / 2
    raised_sigma_mps = abs(one.raised_mps - other.raised_mps) / 2
    if not (one.determined and other.determined):
        refused = other if one.determined else one
        return replace(refused, raised_mps=raised_mps, raised_sigma_mps=raised_sigma_mps)
    both = (one, other)
    totals, intervals = [a.total_offset_s or 0.0 for a in both], [a.interval_s for a in both]
    sigmas = np.array([(i[1] - i[0]) / (2 * Z95) for i in intervals if i is not None])
    interval_s = mixture_interval(np.array(totals), sigmas, np.full(2, 0.5))
    total_s, smoothing_s = sum(totals) / 2, (one.smoothing_s + other.smoothing_s) / 2
    has_lag = one.readout_lag_s is not None
    return replace(
        one,
        total_offset_s=total_s,
        interval_s=interval_s,
        readout_lag_s=total_s if has_lag else None,
        readout_lag_interval_s=interval_s if has_lag else None,
        delay_s=total_s - smoothing_s,
        smoothing_s=smoothing_s,
        split_identified=one.split_identified and other.split_identified,
        agreement=min(one.agreement, other.agreement),
        margin=min(one.margin, other.margin),
        raised_mps=raised_mps,
        raised_sigma_mps=raised_sigma_mps,
    )


def _estimate(
    motion: MotionSignal,
    speed: Series,
    same_clock: bool,
    search_s: tuple[float, float] | None,
    extra_lag_s: float,
) -> Alignment:
    """The estimate from a log whose figures stand for the middle of what they may mean."""
    refused = early_refusal(motion, speed)
    if refused:
        return Alignment(determined=False, reason=refused)
    clean, dropout_mps = without_dropout(speed)
    clean = without_rest_level(clean)
    places = candidates(motion, clean, search_s=search_s)
    verdicts = _rivals(motion, clean, places, search_s)
    refused = late_refusal(places, verdicts)
    if refused:
        return Alignment(determined=False, reason=refused)
    notes = []
    step = step_mps_of(clean)
    if step:
        notes.append(f"the log is in steps of {step:.3f} m/s, which widens the interval")
    if dropout_mps:
        notes.append(f"the log shows 0 below about {dropout_mps:.1f} m/s; those zeros are left out")
    if extra_lag_s > 0:
        notes.append(
            f"{extra_lag_s * 1000:.0f} ms of the lag come from differencing logged positions"
        )
    if one_way(verdicts[0].evidence, verdicts[0].fit):
        notes.append(
            "the speed in view only rises or only falls, which widens the interval: "
            "a clip that holds both launch and stop says more"
        )
    return _alignment(verdicts, clean, same_clock, tuple(notes))


def _with(verdicts: list[OffsetVerdict], new: OffsetVerdict) -> list[OffsetVerdict]:
    """The verdicts and a new one, the better of any two that have come to the same place."""
    same = [v for v in verdicts if abs(v.total_s - new.total_s) < RIVAL_APART_S]
    if any(v.score >= new.score for v in same):
        return verdicts
    return [v for v in verdicts if v not in same] + [new]


def _rivals(
    motion: MotionSignal,
    speed: Series,
    places: list[SeedPlace],
    search_s: tuple[float, float] | None,
) -> list[OffsetVerdict]:
    """Fits at the places worth it, best first."""
    verdicts: list[OffsetVerdict] = []
    quick_best = -math.inf
    for place in places:
        worse = 1 - place.correlation**2
        if verdicts and worse > 6 * (1 - min(places[0].correlation, 0.98) ** 2):
            continue
        if any(abs(place.shift_s - v.total_s) < RIVAL_APART_S for v in verdicts):
            continue
        try:
            first = _first_fit(motion, speed, place.shift_s)
            if first is None:
                continue
            quick = score_of(*first)[0]
            if quick < quick_best - HOPELESS_LOG:
                continue
            quick_best = max(quick, quick_best)
            rough = _rough_fit(motion, speed, place.shift_s, first)
            total = rough[1].point.shift_s + rough[1].point.smoothing_s
            if search_s is not None and not search_s[0] <= total <= search_s[1]:
                continue
            if any(abs(total - v.total_s) < RIVAL_APART_S for v in verdicts):
                continue
            verdicts = _with(verdicts, verdict_of(*rough))
        except np.linalg.LinAlgError:
            continue  # a place so far from any fit that its equations have no solution
        if len(verdicts) == MOST_RIVALS:
            break
    return sorted(verdicts, key=lambda v: -v.score)


def _alignment(
    verdicts: list[OffsetVerdict], speed: Series, same_clock: bool, notes: tuple[str, ...]
) -> Alignment:
    best = verdicts[0]
    point = best.fit.point
    reason = None
    if not same_clock:
        reason = (
            "speed alone cannot separate the receiver's lag from a clock offset; "
            "their sum is enough for a true gauge"
        )
    return Alignment(
        determined=True,
        total_offset_s=best.total_s,
        interval_s=best.interval_s,
        clock_offset_s=0.0 if same_clock else None,
        readout_lag_s=best.total_s if same_clock else None,
        readout_lag_interval_s=best.interval_s if same_clock else None,
        delay_s=best.total_s - best.smoothing_s,
        smoothing_s=best.smoothing_s,
        split_identified=best.smoothing_sigma_s < SPLIT_SIGMA_S,
        drift_ppm=point.drift * 1e6,
        drift_about_s=best.evidence.middle_s,
        gain_mps=1 / point.gain,
        agreement=agreement(best, speed),
        margin=margin(verdicts),
        reason=reason,
        notes=notes,
    )


def agreement(verdict: OffsetVerdict, speed: Series) -> float:
    """Correlation of motion with log speed moved back by the total."""
    e = verdict.evidence
    when = speed.t_s - verdict.total_s
    there = np.interp(e.motion_t_s, when, speed.values, left=np.nan, right=np.nan)
    ok = np.isfinite(there)
    if np.count_nonzero(ok) < 3 or np.std(there[ok]) == 0 or np.std(e.motion[ok]) == 0:
        return 0.0
    return float(np.corrcoef(e.motion[ok], there[ok])[0, 1])


def margin(verdicts: list[OffsetVerdict]) -> float:
    """Sigmas by which the best place explains the motion better than the next best."""
    best = verdicts[0]
    rival = verdicts[1].score if len(verdicts) > 1 else best.score - max(best.support, 0.0)
    return math.sqrt(2 * max(best.score - rival, 0.0))
