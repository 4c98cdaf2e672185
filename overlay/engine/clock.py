"""The offset of an RPM log's clock against footage, from two courses of engine speed.

``offset_s`` is log time minus footage time. The whole possible range is searched first: at each
offset the logged course either explains the heard one or does no better than chance, and parts of
the clip that the log does not cover count for nothing. The best place is then fitted by robust
maximum likelihood on the log's own samples, with the residuals' autocorrelation in the interval.

What a logger shows may itself be late: one that averages over its step shows engine speed half a
step late, one that counts whole turns about half a turn more. Two courses alone cannot tell that
from a clock that runs ahead; it is reported as `logger_delay_up_to_s` and never hidden.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from overlay.engine.sound_rpm import SoundRpm
from overlay.engine.tuning import BY_SOUND, SOUND
from overlay.series import Series
from overlay.timebase import FloatArray
from overlay.units import Z95

ROUNDS = 12
TAIL = 4.0  # degrees of freedom of the residuals' t distribution
FACTORS = ((1.0, ""), (0.5, "half"), (2.0, "twice"))


@dataclass(frozen=True)
class ClockOffset:
    """A log's clock against footage."""

    determined: bool
    offset_s: float | None  # log time minus footage time at which the log shows what is heard
    interval_s: tuple[float, float] | None  # 95 % interval
    reason: str  # why it is not determined, or on what it rests, in words
    # How much of the offset may be the logger's own averaging and not its clock.
    logger_delay_up_to_s: float = 0.0


def refused(reason: str) -> ClockOffset:
    """A refusal with its reason."""
    return ClockOffset(False, None, None, reason)


def rpm_clock_offset(heard: SoundRpm, logged: Series) -> ClockOffset:
    """Clock offset between an RPM log, on its own clock, and the footage whose sound was heard.

    Refuses when nothing is heard, engine speed does not change, or two places fit alike.
    """
    sure = heard.confidence >= SOUND.least_confidence
    if np.count_nonzero(sure) < 25:
        return refused("no engine is heard in the clip for long enough")
    log = running(logged)
    if len(log) < 8:
        return refused("the log holds fewer than eight engine speeds above 0")
    times, values = heard.t_s[sure], heard.rpm[sure]
    if _change(values) < 0.06:
        return refused("the engine speed that is heard hardly changes, so no offset fits best")
    if _change(log.values) < 0.06:
        return refused("the logged engine speed hardly changes, so no offset fits best")
    support = -np.inf
    for tried, named in FACTORS:
        found = _seek(times, values * tried, log)
        if found[1] > support + 3.0:
            offset, support, margin = found
            factor, name = tried, named
    if support < BY_SOUND.least_support:
        return refused("the logged engine speed does not match the sound: is it the right log?")
    if margin < BY_SOUND.least_margin:
        return refused(f"two places in the log match the sound alike, one at {offset:.2f} s")
    fitted = _fit(heard, sure, factor, log, offset)
    if fitted is None:
        return refused("engine speed changes too little in the common part for a useful answer")
    centre, sigma = fitted
    half = Z95 * float(np.hypot(sigma, BY_SOUND.model_sigma_s))
    if half > BY_SOUND.widest_half_s:
        return refused("engine speed changes too little against its noise for a useful answer")
    reason = "engine sound matched to the logged engine speed"
    if name:
        reason += f", at {name} the speed heard, since the log settles the octave"
    late = log.median_step_s / 2
    return ClockOffset(True, centre, (centre - half, centre + half), reason, late)


def running(logged: Series) -> Series:
    """The samples of a log in which the engine turns."""
    keep = logged.values > 0
    return replace(logged, t_s=logged.t_s[keep], values=logged.values[keep], sigma=None)


def _change(values: FloatArray) -> float:
    low, high = np.percentile(values, [3, 97])
    return float(np.log(high / low))


def _seek(times: FloatArray, values: FloatArray, log: Series) -> tuple[float, float, float]:
    """Best offset of the whole range, its support, and its margin over any other place."""
    count = max(4, int((times[-1] - times[0]) / 0.1))
    spots = np.linspace(times[0], times[-1], count)
    nearest = np.abs(times[np.searchsorted(times, spots).clip(0, len(times) - 1)] - spots) < 0.06
    spots = spots[nearest]
    course = np.log(np.interp(spots, times, values))
    first = float(log.t_s[0] - spots[-1])
    last = float(log.t_s[-1] - spots[0])
    offsets = np.arange(first, last + BY_SOUND.seed_step_s, BY_SOUND.seed_step_s)
    grid = np.arange(float(log.t_s[0]), float(log.t_s[-1]), BY_SOUND.seed_step_s)
    logs = np.log(np.interp(grid, log.t_s, log.values))
    logs[_in_gap(grid, log)] = np.nan
    padded = np.full(len(grid) + 2, np.nan)
    padded[1:-1] = logs
    weight = 1.0
    if len(spots) > 1:
        weight = min(1.0, float(np.median(np.diff(spots))) / BY_SOUND.independent_s)
    centre = float(np.median(logs[np.isfinite(logs)]))
    chance = _log_t(course - centre, BY_SOUND.chance_spread)
    total = np.zeros(len(offsets))
    for spot, here, plain in zip(spots, course, chance, strict=True):
        index = np.round((spot + offsets - grid[0]) / BY_SOUND.seed_step_s).astype(np.int64) + 1
        there = padded[np.clip(index, 0, len(padded) - 1)]
        gain = _log_t(there - here, BY_SOUND.spread) - plain
        total += np.where(np.isfinite(gain), gain, 0.0)
    total *= weight
    i = int(np.argmax(total))
    far = np.abs(offsets - offsets[i]) > BY_SOUND.reach_s
    second = float(np.max(total[far])) if np.any(far) else 0.0
    return float(offsets[i]), float(total[i]), float(total[i] - max(second, 0.0))


def _in_gap(grid: FloatArray, log: Series) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    inside = np.zeros(len(grid), dtype=np.bool_)
    for start, end in log.gaps(max(4 * log.median_step_s, 0.6)):
        inside |= (grid > start) & (grid < end)
    return inside


def _log_t(residual: FloatArray, spread: float) -> FloatArray:
    """Log density of a t distribution, its constant left out."""
    part = (residual / spread) ** 2 / TAIL
    return np.asarray(-(TAIL + 1) / 2 * np.log1p(part) - np.log(spread))


def _fit(
    heard: SoundRpm,
    sure: np.ndarray[tuple[int, ...], np.dtype[np.bool_]],
    factor: float,
    log: Series,
    offset_s: float,
) -> tuple[float, float] | None:
    """Offset and its standard deviation, on the log's own samples."""
    rpm = np.where(sure, heard.rpm * factor, np.nan)
    slope = np.gradient(rpm, heard.t_s)
    # A frame's mean over a curve differs from the middle by curvature times the frame's variance.
    soft = np.where(np.isfinite(heard.sigma_rpm), heard.sigma_rpm * factor, np.inf)

    def predicted(offset: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        at = log.t_s - offset
        outside = {"left": np.nan, "right": np.nan}
        value = np.interp(at, heard.t_s, rpm, **outside)
        return value, np.interp(at, heard.t_s, slope, **outside), np.interp(at, heard.t_s, soft)

    return fit_offset(log, predicted, offset_s)


def fit_offset(
    log: Series,
    predicted: Callable[[float], tuple[FloatArray, FloatArray, FloatArray]],
    offset_s: float,
) -> tuple[float, float] | None:
    """Robust fit of an offset by reweighted least squares on the samples of a log.

    Gives the offset and its standard uncertainty; None where nothing constrains it.

    Parameters
    ----------
    predicted : callable
        Gives, for an offset, the value expected at each sample, its slope in time, and its
        standard uncertainty; NaN where nothing is known.
    offset_s : float
        Where to start.
    """
    offset = offset_s
    for _ in range(ROUNDS):
        value, slope, soft = predicted(offset)
        good = np.isfinite(value) & np.isfinite(slope) & np.isfinite(soft)
        if np.count_nonzero(good) < 6:
            return None
        residual = log.values[good] - value[good]
        noise = max(1.4826 * float(np.median(np.abs(residual))), 1e-3 * float(np.mean(value[good])))
        spread2 = noise**2 + soft[good] ** 2
        weight = (TAIL + 1) / (TAIL + residual**2 / spread2) / spread2
        lean = slope[good]
        information = float(np.sum(weight * lean**2))
        if information <= 0:
            return None
        step = -float(np.sum(weight * lean * residual)) / information
        offset += float(np.clip(step, -0.1, 0.1))
        if abs(step) < 1e-5:
            break
    # Sandwich with the residuals' autocovariance: neighbours within a quarter second may agree.
    score = weight * lean * residual
    reach = max(1, min(len(score) // 4, round(0.25 / max(log.median_step_s, 1e-3))))
    meat = float(np.sum(score**2))
    for k in range(1, reach + 1):
        meat += 2 * (1 - k / (reach + 1)) * float(np.sum(score[k:] * score[:-k]))
    # The score's own slope, which the weights bend: a sandwich by the weights is a third too thin.
    far2 = residual**2 / spread2
    bread = float(np.sum(weight * lean**2 * (TAIL - far2) / (TAIL + far2)))
    plain = 1 / information
    robust = max(meat, 0.0) / max(bread, information / 2) ** 2
    # Few samples on steep parts say little about their own scatter: about Student's widening.
    share = weight * lean**2
    free = max(float(np.sum(share) ** 2 / np.sum(share**2)) - 2, 1.0)
    widening = 1 + 1.6 / free
    return offset, widening * float(np.sqrt(max(plain, robust)))
