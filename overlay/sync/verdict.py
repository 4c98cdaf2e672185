"""What the evidence says of the total lag at one place in the log, whatever the smoothing is.

The receiver's smoothing and the size of the pitch effect are seldom told. So the joint model is
fitted over a grid of both, and the total is the mixture of all fits by their probability.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from overlay.motion.model import GainErrors
from overlay.motion.trust import LEAST_BEND
from overlay.sync.evidence import without_log, without_motion
from overlay.sync.fit import Fit, curvature_sigma_s, fitted, log_freedom, tuned
from overlay.sync.joint import Evidence
from overlay.sync.rounding import unrounded
from overlay.sync.same_run import gain_wander, one_way, usual_wander
from overlay.timebase import FloatArray
from overlay.units import Z95

SMOOTHING_GRID_S = np.arange(0.0, 1.01, 0.1)
FINE_SMOOTHING_S = 0.02
NEGLIGIBLE_LOG = 9.0
WIDEST_FACTOR = 1.5
LONE_WANDER_S = 8.0  # so much with a lone launch: measured on logs of other launches
WANDER_S = 2.0  # speed over acceleration in a launch: a gain that is off moves events by that much


@dataclass(frozen=True, eq=False)
class OffsetVerdict:
    """The fit at one place in the log, and its total over the smoothing that fits."""

    # What was compared, and the best fit
    evidence: Evidence
    fit: Fit
    # Mean and standard deviation of the total lag, smoothing integrated out
    total_s: float
    sigma_s: float
    interval_s: tuple[float, float]  # 95 % interval
    # Mean and standard deviation of the smoothing
    smoothing_s: float
    smoothing_sigma_s: float
    score: float  # Log probability of the motion given the log here, to compare places
    support: float  # Log of how much better motion and log are explained together than apart


def smoothing_prior(smoothing_s: FloatArray) -> FloatArray:
    """Log prior of the smoothing: even up to 0.8 s, then falling (receivers' usual range)."""
    beyond = np.maximum(smoothing_s - 0.8, 0.0)
    out: FloatArray = -0.5 * (beyond / 0.15) ** 2
    return out


def mixture_interval(
    means: FloatArray, sigmas: FloatArray, shares: FloatArray
) -> tuple[float, float]:
    """95 % interval of a mixture of normal distributions, by their shares."""
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

    return float(stdtrit(max(freedom, 3.0), 0.975)) / Z95


def at_smoothing(
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


def log_share(fit: Fit) -> float:
    """Log probability of a fit's smoothing, up to a constant."""
    return -fit.cost / 2 + float(smoothing_prior(np.array(fit.point.smoothing_s)))


def _over_smoothing(evidence: Evidence, fit: Fit) -> list[Fit]:
    """Fits over the grid of smoothing, as far from `fit` as any weight is left."""
    middle = int(np.argmin(np.abs(SMOOTHING_GRID_S - fit.point.smoothing_s)))
    first = at_smoothing(evidence, fit, fit, float(SMOOTHING_GRID_S[middle]))
    fits = [first]
    for side in (range(middle + 1, len(SMOOTHING_GRID_S)), range(middle - 1, -1, -1)):
        near, before = first, fits[1] if len(fits) > 1 else None
        for k in side:
            now = at_smoothing(evidence, near, fit, float(SMOOTHING_GRID_S[k]), before)
            near, before = now, near
            fits.append(near)
            if log_share(near) < max(map(log_share, fits)) - NEGLIGIBLE_LOG:
                break
    return sorted(fits, key=lambda f: f.point.smoothing_s)


def _all_fits(evidence: Evidence, fit: Fit) -> list[Fit]:
    """Fits over smoothing, without and with a pitch effect, as far as any weight is left."""
    fits: list[Fit] = []
    for pitch in evidence.gain_errors.pitch:
        start = replace(fit, noise=replace(fit.noise, pitch=pitch))
        fits += _over_smoothing(evidence, start)
        fit = max(fits, key=log_share)
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


def _posterior(
    fits: list[Fit], errors: GainErrors
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Share, total lag, sigma and smoothing on a fine grid of smoothing, from fits on a coarse one.

    Well-determined smoothing lies between two of the grid; its log share is all but a parabola.
    """
    logs, totals, sigmas, smoothings = [], [], [], []
    for pitch, usual in zip(errors.pitch, errors.pitch_shares, strict=True):
        some = [f for f in fits if f.noise.pitch == pitch]
        nodes = np.array([f.point.smoothing_s for f in some])
        fine = np.arange(nodes[0], nodes[-1] + FINE_SMOOTHING_S / 2, FINE_SMOOTHING_S)
        weights = _between(nodes, fine)
        logs.append(weights @ np.array([log_share(f) for f in some]) + math.log(usual))
        totals.append(weights @ np.array([f.point.shift_s for f in some]) + fine)
        sigma = weights @ np.array([f.shift_sigma_s for f in some])
        sigmas.append(np.maximum(sigma, min(f.shift_sigma_s for f in some)))
        smoothings.append(fine)
    log_of_share = np.concatenate(logs)
    shares = np.exp(log_of_share - np.max(log_of_share))
    return (
        shares / np.sum(shares),
        np.concatenate(totals),
        np.maximum(np.concatenate(sigmas), 1e-6),
        np.concatenate(smoothings),
    )


def score_of(evidence: Evidence, fit: Fit) -> tuple[float, float]:
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
    best = max(fits, key=log_share)
    others = [log_share(f) for f in fits if f.noise.pitch != best.noise.pitch]
    told = bool(others) and log_share(best) - max(others) > NEGLIGIBLE_LOG
    return told and fit.noise.pitch != best.noise.pitch


def gain_error_s(evidence: Evidence, fit: Fit) -> float:
    """Standard deviation of the total, s, by errors of the gain that the fit cannot see.

    Where the vehicle pulls away and slows down again, an error that goes with the speed moves both
    ends of the run apart and shows; so does one that wanders, the more so the denser the log. Of
    speed that only rises, or only falls, both make another run, at another time.
    """
    excess = max(gain_wander(evidence, fit) - usual_wander(evidence), 0.0)
    if one_way(evidence, fit):
        return math.hypot(LONE_WANDER_S * excess, WANDER_S * evidence.gain_bend)
    every_s = float(np.median(np.diff(evidence.log_t_s))) if len(evidence.log) > 1 else 1.0
    bend = max(evidence.gain_bend - LEAST_BEND, 0.0) * math.sqrt(min(every_s, 1.0))
    return WANDER_S * math.hypot(excess, bend)


def verdict_of(evidence: Evidence, fit: Fit) -> OffsetVerdict:
    """The total at one place over all smoothing and pitch effects, from a tuned fit there."""
    if evidence.log_step_mps:
        evidence, fit = unrounded(evidence, fit)
    fits = _all_fits(evidence, fit)
    best = max(fits, key=log_share)
    for _ in range(2):
        if abs(best.point.smoothing_s - fit.point.smoothing_s) < 0.06 and not _far(fits, fit):
            break
        fit = tuned(evidence, best.point, best.noise, rounds=8)
        fits = _all_fits(evidence, fit)
        best = max(fits, key=log_share)
    shares, totals, sigmas, smoothings = _posterior(fits, evidence.gain_errors)
    widening = curvature_sigma_s(evidence, best) / best.shift_sigma_s
    factor = float(np.clip(widening, 1.0, WIDEST_FACTOR))
    other_s = math.hypot(gain_error_s(evidence, best), evidence.gain_errors.lag_s)
    sigmas = np.hypot(factor * sigmas, other_s)
    mean, smoothing = float(shares @ totals), float(shares @ smoothings)
    score, log_cost = score_of(evidence, best)
    return OffsetVerdict(
        evidence,
        best,
        mean,
        math.sqrt(float(shares @ (sigmas**2 + (totals - mean) ** 2))),
        mixture_interval(totals, sigmas * _student(log_freedom(evidence, best)), shares),
        smoothing,
        math.sqrt(float(shares @ (smoothings - smoothing) ** 2)),
        score,
        _support(evidence, best, log_cost),
    )
