"""The lag between footage and a log, with its interval, or the reason why there is none."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from overlay.motion.model import MotionSignal
from overlay.series import Series
from overlay.sync.evidence import (
    gather,
    rounding_step_mps,
    starting_noise,
    starting_point,
    without_dropout,
    without_log,
    without_motion,
)
from overlay.sync.fit import Fit, curvature_sigma_s, fitted, log_freedom, tuned
from overlay.sync.joint import Evidence
from overlay.sync.model import Alignment
from overlay.sync.refusal import LEAST_SAMPLES, USUAL_WANDER, early_refusal, late_refusal
from overlay.sync.same_run import gain_wander
from overlay.sync.seed import Candidate, candidates
from overlay.sync.separate import HALF_95
from overlay.timebase import FloatArray

SMOOTHING_GRID_S = np.arange(0.0, 1.01, 0.1)
FINE_SMOOTHING_S = 0.02
SMOOTHING_TRIALS_S = (0.05, 0.2, 0.4, 0.65, 0.9)
SMOOTHING_START_S = 0.25
NEGLIGIBLE_LOG = 9.0
HOPELESS_LOG = 40.0
MOST_RIVALS = 3
PITCH_SIZES = (3e-4, 0.0025)  # s^2/m: none, and what a picture leaves whose tilt is followed
LOOSER = 1.2
WIDEST_FACTOR = 1.5
WANDER_S = 2.0  # speed over acceleration in a launch: a gain that is off moves events by that much
FAR_S = 0.4  # beyond this a fit may lack log values at its ends and starts again
SAME_CLOCK_SEARCH_S = (-1.0, 4.0)
SPLIT_SIGMA_S = 0.06  # the split counts as identified when smoothing is known this well
RIVAL_APART_S = 0.7


@dataclass(frozen=True, eq=False)
class Verdict:
    """The fit at one place in the log, and its total over the smoothing that fits.

    Attributes
    ----------
    evidence, fit
        What was compared, and the best fit.
    total_s, sigma_s : float
        Mean and standard deviation of the total lag, smoothing integrated out.
    interval_s : (float, float)
        95 % interval.
    smoothing_s, smoothing_sigma_s : float
        Mean and standard deviation of the smoothing.
    score : float
        Log probability of the motion given the log here, to compare places.
    support : float
        Log of how much better motion and log are explained together than apart.
    """

    evidence: Evidence
    fit: Fit
    total_s: float
    sigma_s: float
    interval_s: tuple[float, float]
    smoothing_s: float
    smoothing_sigma_s: float
    score: float
    support: float


def smoothing_prior(smoothing_s: FloatArray) -> FloatArray:
    """Log prior of the smoothing: even up to 0.8 s, then falling (receivers' usual range)."""
    beyond = np.maximum(smoothing_s - 0.8, 0.0)
    out: FloatArray = -0.5 * (beyond / 0.15) ** 2
    return out


def _mixture_interval(
    means: FloatArray, sigmas: FloatArray, shares: FloatArray
) -> tuple[float, float]:
    from scipy.special import ndtr

    low = float(np.min(means - 8 * sigmas))
    high = float(np.max(means + 8 * sigmas))
    grid = np.linspace(low, high, 4001)
    cumulative = ndtr((grid[:, None] - means) / sigmas) @ shares
    ends = np.interp([0.025, 0.975], cumulative, grid)
    return float(ends[0]), float(ends[1])


def _student(freedom: float) -> float:
    """How much wider an interval is whose noise was estimated with few degrees of freedom."""
    from scipy.special import stdtrit

    return float(stdtrit(max(freedom, 3.0), 0.975)) / HALF_95


def _at_smoothing(
    evidence: Evidence, near: Fit, noise_of: Fit, smoothing_s: float, before: Fit | None = None
) -> Fit:
    """Fit at one smoothing, from a fit at another; with one `before` that, along their line."""
    point = near.point
    shift = point.shift_s + point.smoothing_s - smoothing_s
    start = replace(point, smoothing_s=smoothing_s, shift_s=shift)
    if before is not None and before.point.smoothing_s != point.smoothing_s:
        ahead = (smoothing_s - point.smoothing_s) / (point.smoothing_s - before.point.smoothing_s)
        start = replace(
            start,
            shift_s=point.shift_s + ahead * (point.shift_s - before.point.shift_s),
            offset=point.offset + ahead * (point.offset - before.point.offset),
            gain_error=point.gain_error + ahead * (point.gain_error - before.point.gain_error),
            gain=point.gain * (point.gain / before.point.gain) ** ahead,
            w=point.w + ahead * (point.w - before.point.w),
        )
    same = near.system if smoothing_s == point.smoothing_s else None
    return fitted(evidence, start, noise_of.noise, noise_of.weights, steps=6, system=same)


def _log_share(fit: Fit) -> float:
    return -fit.cost / 2 + float(smoothing_prior(np.array(fit.point.smoothing_s)))


def _over_smoothing(evidence: Evidence, fit: Fit) -> list[Fit]:
    """Fits over the grid of smoothing, as far from `fit` as any weight is left."""
    middle = int(np.argmin(np.abs(SMOOTHING_GRID_S - fit.point.smoothing_s)))
    first = _at_smoothing(evidence, fit, fit, float(SMOOTHING_GRID_S[middle]))
    fits = [first]
    for side in (range(middle + 1, len(SMOOTHING_GRID_S)), range(middle - 1, -1, -1)):
        near, before = first, fits[1] if len(fits) > 1 else None
        for k in side:
            now = _at_smoothing(evidence, near, fit, float(SMOOTHING_GRID_S[k]), before)
            near, before = now, near
            fits.append(near)
            if _log_share(near) < max(map(_log_share, fits)) - NEGLIGIBLE_LOG:
                break
    return sorted(fits, key=lambda f: f.point.smoothing_s)


def _loosened(fit: Fit, pitch: float) -> Fit:
    """The fit with a gain free to wander more, and with a given size of the pitch effect.

    The likeliest size of the gain error is, by its skew, a low guess.
    """
    return replace(fit, noise=replace(fit.noise, gain=LOOSER * fit.noise.gain, pitch=pitch))


def _all_fits(evidence: Evidence, fit: Fit) -> list[Fit]:
    """Fits over smoothing, without and with a pitch effect, as far as any weight is left."""
    fits = _over_smoothing(evidence, _loosened(fit, PITCH_SIZES[0]))
    start = max(fits, key=_log_share)
    for pitch in PITCH_SIZES[1:]:
        fits += _over_smoothing(evidence, replace(start, noise=replace(start.noise, pitch=pitch)))
    return fits


def _between(nodes: FloatArray, at: FloatArray) -> FloatArray:
    """Weights that give a curve's values between nodes by the cubic through the four nearest.

    Examples
    --------
    >>> nodes = np.array([0.0, 0.1, 0.2, 0.3])
    >>> _between(nodes, np.array([0.05])) @ nodes**2
    array([0.0025])
    """
    width = min(4, len(nodes))
    first = np.clip(np.searchsorted(nodes, at) - 2, 0, len(nodes) - width)
    out = np.zeros((len(at), len(nodes)))
    for j in range(width):
        weight = np.ones(len(at))
        for k in range(width):
            if k != j:
                weight *= (at - nodes[first + k]) / (nodes[first + j] - nodes[first + k])
        out[np.arange(len(at)), first + j] += weight
    return out


def _posterior(fits: list[Fit]) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Share, total lag, sigma and smoothing on a fine grid of smoothing, from fits on a coarse one.

    Well-determined smoothing lies between two of the grid; its log share is all but a parabola.
    """
    logs, totals, sigmas, smoothings = [], [], [], []
    for pitch in PITCH_SIZES:
        some = [f for f in fits if f.noise.pitch == pitch]
        nodes = np.array([f.point.smoothing_s for f in some])
        fine = np.arange(nodes[0], nodes[-1] + FINE_SMOOTHING_S / 2, FINE_SMOOTHING_S)
        weights = _between(nodes, fine)
        logs.append(weights @ np.array([_log_share(f) for f in some]))
        totals.append(weights @ np.array([f.point.shift_s for f in some]) + fine)
        sigma = weights @ np.array([f.shift_sigma_s for f in some])
        sigmas.append(np.maximum(sigma, min(f.shift_sigma_s for f in some)))
        smoothings.append(fine)
    log_share = np.concatenate(logs)
    shares = np.exp(log_share - np.max(log_share))
    return (
        shares / np.sum(shares),
        np.concatenate(totals),
        np.maximum(np.concatenate(sigmas), 1e-6),
        np.concatenate(smoothings),
    )


def _first_fit(
    motion: MotionSignal, speed: Series, shift_s: float, floor_mps: float
) -> tuple[Evidence, Fit] | None:
    """Quick fit near a place, at one smoothing; None where the log has next to nothing there."""
    evidence = gather(motion, speed, shift_s, floor_mps)
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
        trials = [_at_smoothing(evidence, fit, fit, s) for s in SMOOTHING_TRIALS_S]
        fit = max(trials, key=_log_share)
        total = fit.point.shift_s + fit.point.smoothing_s
        again = None
        if abs(total - shift_s) > FAR_S:
            again = _first_fit(motion, speed, total, evidence.log_floor_mps)
        if again is None:
            break
        shift_s, (evidence, fit) = total, again
    return evidence, tuned(evidence, fit.point, fit.noise, rounds=10)


def _score(evidence: Evidence, fit: Fit) -> tuple[float, float]:
    """Log probability of the motion given the log, and minus two log likelihood of the log."""
    weights = replace(fit.weights, motion=np.zeros(0))
    log_only = without_motion(evidence)
    log_fit = fitted(log_only, fit.point, fit.noise, weights, steps=2, fixed=True)
    return (log_fit.cost - fit.cost) / 2, log_fit.cost


def _support(evidence: Evidence, fit: Fit, log_cost: float) -> float:
    """Log of how much better motion and log are explained together than apart."""
    alone = tuned(without_log(evidence), fit.point, fit.noise, rounds=5, fixed=True)
    return (alone.cost + log_cost - fit.cost) / 2


def _far(fits: list[Fit], fit: Fit) -> bool:
    """Whether the size of the pitch effect is told, and `fit` was tuned for another."""
    best = max(fits, key=_log_share)
    others = [_log_share(f) for f in fits if f.noise.pitch != best.noise.pitch]
    told = bool(others) and _log_share(best) - max(others) > NEGLIGIBLE_LOG
    return told and fit.noise.pitch != best.noise.pitch


def _verdict(evidence: Evidence, fit: Fit) -> Verdict:
    fits = _all_fits(evidence, fit)
    best = max(fits, key=_log_share)
    for _ in range(2):
        if abs(best.point.smoothing_s - fit.point.smoothing_s) < 0.06 and not _far(fits, fit):
            break
        fit = tuned(evidence, best.point, best.noise, rounds=8)
        fits = _all_fits(evidence, fit)
        best = max(fits, key=_log_share)
    shares, totals, sigmas, smoothings = _posterior(fits)
    widening = curvature_sigma_s(evidence, best) / best.shift_sigma_s
    factor = float(np.clip(widening, 1.0, WIDEST_FACTOR))
    excess = max(gain_wander(evidence, best) - USUAL_WANDER, 0.0)
    sigmas = np.hypot(factor * sigmas, WANDER_S * math.hypot(excess, evidence.gain_bend))
    mean, smoothing = float(shares @ totals), float(shares @ smoothings)
    score, log_cost = _score(evidence, best)
    return Verdict(
        evidence,
        best,
        mean,
        math.sqrt(float(shares @ (sigmas**2 + (totals - mean) ** 2))),
        _mixture_interval(totals, sigmas * _student(log_freedom(evidence, best)), shares),
        smoothing,
        math.sqrt(float(shares @ (smoothings - smoothing) ** 2)),
        score,
        _support(evidence, best, log_cost),
    )


def estimate_offset(
    motion: MotionSignal,
    speed: Series,
    *,
    same_clock: bool = False,
    search_s: tuple[float, float] | None = None,
    extra_lag_s: float = 0.0,
    least_noise_mps: float = 0.0,
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
    least_noise_mps : float
        Noise that the log has at least, for curves already smoothed, whose error hides.

    Returns
    -------
    Alignment
        ``determined`` is False, with a reason and no numbers, where the evidence cannot tell.

    Notes
    -----
    Batch maximum likelihood of a continuous-time speed curve, after Furgale, Rehder and
    Siegwart 2013 (IROS); a delay kept as a filter state is prone to bias (arXiv 2106.00391).
    """
    if search_s is None and same_clock:
        search_s = SAME_CLOCK_SEARCH_S
    refused = early_refusal(motion, speed)
    if refused:
        return Alignment(determined=False, reason=refused)
    clean, dropout_mps = without_dropout(speed)
    step = rounding_step_mps(clean.values)
    floor = max(step / math.sqrt(12), least_noise_mps)
    places = candidates(motion, clean, search_s=search_s)
    verdicts = _rivals(motion, clean, places, floor, search_s)
    refused = late_refusal(places, verdicts, smooth=least_noise_mps > 0)
    if refused:
        return Alignment(determined=False, reason=refused)
    notes = []
    if step:
        notes.append(f"the log is rounded to steps of {step:.3f} m/s, which widens the interval")
    if dropout_mps:
        notes.append(f"the log shows 0 below about {dropout_mps:.1f} m/s; those zeros are left out")
    if extra_lag_s > 0:
        notes.append(
            f"{extra_lag_s * 1000:.0f} ms of the lag come from differencing logged positions"
        )
    return _alignment(verdicts, same_clock, tuple(notes))


def _with(verdicts: list[Verdict], new: Verdict) -> list[Verdict]:
    """The verdicts and a new one, the better of any two that have come to the same place."""
    same = [v for v in verdicts if abs(v.total_s - new.total_s) < RIVAL_APART_S]
    if any(v.score >= new.score for v in same):
        return verdicts
    return [v for v in verdicts if v not in same] + [new]


def _rivals(
    motion: MotionSignal,
    speed: Series,
    places: list[Candidate],
    floor_mps: float,
    search_s: tuple[float, float] | None,
) -> list[Verdict]:
    """Fits at the places worth it, best first."""
    verdicts: list[Verdict] = []
    quick_best = -math.inf
    for place in places:
        worse = 1 - place.correlation**2
        if verdicts and worse > 6 * (1 - min(places[0].correlation, 0.98) ** 2):
            continue
        if any(abs(place.shift_s - v.total_s) < RIVAL_APART_S for v in verdicts):
            continue
        first = _first_fit(motion, speed, place.shift_s, floor_mps)
        if first is None:
            continue
        quick = _score(*first)[0]
        if quick < quick_best - HOPELESS_LOG:
            continue
        quick_best = max(quick, quick_best)
        rough = _rough_fit(motion, speed, place.shift_s, first)
        total = rough[1].point.shift_s + rough[1].point.smoothing_s
        if search_s is not None and not search_s[0] <= total <= search_s[1]:
            continue
        if any(abs(total - v.total_s) < RIVAL_APART_S for v in verdicts):
            continue
        verdicts = _with(verdicts, _verdict(*rough))
        if len(verdicts) == MOST_RIVALS:
            break
    return sorted(verdicts, key=lambda v: -v.score)


def _alignment(verdicts: list[Verdict], same_clock: bool, notes: tuple[str, ...]) -> Alignment:
    best = verdicts[0]
    point = best.fit.point
    reason = None
    if not same_clock:
        reason = (
            "speed alone cannot tell the receiver's lag from a clock offset; "
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
        agreement=agreement(best),
        margin=margin(verdicts),
        reason=reason,
        notes=notes,
    )


def agreement(verdict: Verdict) -> float:
    """Correlation of motion with log speed moved back by the total."""
    e = verdict.evidence
    when = e.log_t_s - verdict.total_s
    there = np.interp(e.motion_t_s, when, e.log, left=np.nan, right=np.nan)
    ok = np.isfinite(there)
    if np.count_nonzero(ok) < 3 or np.std(there[ok]) == 0 or np.std(e.motion[ok]) == 0:
        return 0.0
    return float(np.corrcoef(e.motion[ok], there[ok])[0, 1])


def margin(verdicts: list[Verdict]) -> float:
    """Sigmas by which the best place explains the motion better than the next best."""
    best = verdicts[0]
    rival = verdicts[1].score if len(verdicts) > 1 else best.score - max(best.support, 0.0)
    return math.sqrt(2 * max(best.score - rival, 0.0))
