"""Cutting motion and log to the stretch they may share, ready for the joint fit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from overlay.motion.model import MotionSignal, used
from overlay.series import Series
from overlay.sync.joint import Evidence, Noise, Point
from overlay.sync.spline import Grid
from overlay.timebase import FloatArray
from overlay.units import whole_unit_step_mps

BIN_S = 0.07
LEAST_KNOT_STEP_S = 0.1
PAD_S = 1.5
LOG_REACH_S = 0.8
GAIN_KNOT_S = 2.0
MOST_GAIN_KNOTS = 32
DRIFT_NEEDS_S = 180.0
REST_LIMIT_MPS = 0.5
LARGEST_REST_MPS = 0.25  # a noise of 0.2 m/s; more is a vehicle that creeps
REST_LEAST_S = 1.0
REST_MARGIN_S = 0.2
LEAST_AT_REST = 4
COLOUR_STEP_S = 0.26  # a log slower than this shows no colour that matters within a launch


def rounding_step_mps(values: FloatArray) -> float:
    """Step that all values are whole multiples of, in m/s; 0 when they are finer than 0.1 m/s.

    Finds logs in whole mph, km/h, knots or halves and tenths of them; also where all but 0 are
    raised by half a step (:func:`overlay.sync.rounding.raised`).

    Examples
    --------
    >>> round(rounding_step_mps(np.array([0, 1, 3, 8, 12, 13, 20, 22]) / 3.6), 4)
    0.2778
    """
    distinct = np.unique(np.round(values, 4))
    if len(distinct) < 5:
        return 0.0
    step = whole_unit_step_mps(values) or float(np.min(np.diff(distinct)))
    if step < 0.1:
        return 0.0
    ratio = distinct[distinct != 0.0] / step
    half = 0.5 * (round(2 * float(ratio[0])) % 2)
    off = ratio - half - np.rint(ratio - half)
    if float(np.max(np.abs(off))) > 0.05 * max(1.0, float(np.max(ratio)) / 20):
        return 0.0
    return float(distinct[-1] / (np.rint(ratio[-1] - half) + half))


def step_mps_of(speed: Series) -> float:
    """Step that a log's figures are rounded to, in m/s; 0 where they are not."""
    return rounding_step_mps(speed.values) if speed.step is None else speed.step


def without_dropout(speed: Series) -> tuple[Series, float]:
    """The log without zeros that only mean "too slow to tell", and that threshold in m/s.

    Some receivers show exactly 0 below some speed. Where a log jumps between an exact 0 and well
    above its rounding and noise, further than it goes in the steps beyond, the zeros within two
    seconds of the jump say nothing. A launch gains as much from one value to the next by itself.
    """
    zero = speed.values == 0.0
    moving = speed.values[~zero]
    if np.count_nonzero(zero) < 3 or len(moving) < 8:
        return speed, 0.0
    least = float(np.min(moving))
    step = step_mps_of(speed)
    if least < 0.4 or least < 1.5 * step or not _jumps(speed.values, 0.2 + 1.5 * step):
        return speed, 0.0
    t_moving = speed.t_s[~zero]
    right = np.searchsorted(t_moving, speed.t_s)
    after = np.append(t_moving, np.inf)[right] - speed.t_s
    before = speed.t_s - np.insert(t_moving, 0, -np.inf)[right]
    keep = ~zero | ((after > 2.0) & (before > 2.0))
    kept = replace(
        speed,
        t_s=speed.t_s[keep],
        values=speed.values[keep],
        sigma=None if speed.sigma is None else speed.sigma[keep],
    )
    return kept, least


def _jumps(values: FloatArray, margin: float) -> bool:
    """Whether values leave and reach 0 by more than half as much again as by the steps beyond."""
    for one_way in (values, values[::-1]):
        leaves = np.flatnonzero((one_way[:-3] == 0.0) & (one_way[1:-2] > 0.0))
        for i in leaves:
            beyond = float(np.max(np.diff(one_way[i + 1 : i + 4])))
            if one_way[i + 1] <= 1.5 * max(beyond, 0.0) + margin:
                return False
    return True


def without_rest_level(speed: Series) -> Series:
    """The log, m/s, with its mean at rest taken off where the vehicle rests.

    A speed is never negative, so at rest a receiver's noise shows as a small speed: 0.8 sigma in
    the mean where it is the size of one component, 1.25 sigma of two (half-normal and Rayleigh
    distributions). That would be read as an early launch or a late stop.
    """
    values, t_s = speed.values, speed.t_s
    if not len(values) or float(np.min(values)) < 0.0:
        return speed
    slow = values < REST_LIMIT_MPS
    if np.count_nonzero(slow) < LEAST_AT_REST:
        return speed
    level = float(np.median(values[slow]))
    if level > LARGEST_REST_MPS:
        return speed
    limit = min(4 * level, REST_LIMIT_MPS)
    edges = np.flatnonzero(np.diff(values < limit, prepend=False, append=False))
    out = values.copy()
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        from_s = t_s[first] + (REST_MARGIN_S if first else 0.0)
        to_s = t_s[last - 1] - (REST_MARGIN_S if last < len(values) else 0.0)
        inside = slice(*np.searchsorted(t_s, [from_s, to_s + 1e-9]))
        if to_s - from_s >= REST_LEAST_S and inside.stop - inside.start >= LEAST_AT_REST:
            out[inside] -= np.mean(out[inside])
    return replace(speed, values=out)


def _relative(sigma: FloatArray | None, size: int) -> FloatArray:
    """Noise sizes relative to the usual one, believed half-way."""
    if sigma is None or not size:
        return np.ones(size)
    middle = float(np.median(sigma))
    if not np.isfinite(middle) or middle <= 0:
        return np.ones(size)
    return np.sqrt(0.5 + 0.5 * np.clip(sigma / middle, 0.2, 10.0) ** 2)


def knot_step_s(duration_s: float) -> float:
    """Spacing of knots: a tenth of a second, wider on records of minutes."""
    return float(np.clip(duration_s / 1200.0, LEAST_KNOT_STEP_S, 0.25))


def binned(motion: MotionSignal) -> MotionSignal:
    """Usable values, neighbours joined up to about a fifteenth of a second, longer on long records.

    The mean over a longer span is as exact as those it is made of, and knots lie further apart.
    """
    keep = used(motion)
    t_s, span, forward, sigma, quality = (
        x[keep] for x in (motion.t_s, motion.span_s, motion.forward, motion.sigma, motion.quality)
    )
    step = knot_step_s(float(t_s[-1] - t_s[0]))
    each = int(BIN_S * step / LEAST_KNOT_STEP_S / float(np.median(span)))
    if each < 2:
        return replace(motion, t_s=t_s, span_s=span, forward=forward, sigma=sigma, quality=quality)
    start, end = t_s - span / 2, t_s + span / 2
    breaks = np.concatenate([[True], np.abs(start[1:] - end[:-1]) > 0.1 * span[1:]])
    piece = np.cumsum(breaks) - 1
    since = np.arange(len(t_s)) - np.flatnonzero(breaks)[piece]
    first = np.flatnonzero(breaks | (since % each == 0))
    last = np.append(first[1:], len(t_s)) - 1
    size = np.add.reduceat(span, first)
    variance = np.add.reduceat((span * sigma) ** 2, first) / size**2
    return replace(
        motion,
        t_s=(start[first] + end[last]) / 2,
        span_s=end[last] - start[first],
        forward=np.add.reduceat(span * forward, first) / size,
        sigma=np.sqrt(variance),
        quality=np.add.reduceat(span * quality, first) / size,
    )


def gather(motion: MotionSignal, speed: Series, shift_s: float) -> Evidence:
    """Motion and the log values around it when the log runs `shift_s` ahead of footage."""
    motion = binned(motion)
    t_s, span = motion.t_s, motion.span_s
    start, end = float(t_s[0] - span[0] / 2), float(t_s[-1] + span[-1] / 2)
    step = knot_step_s(end - start)
    grid = Grid(start - PAD_S, step, int(np.ceil((end - start + 2 * PAD_S) / step)))
    near = speed.between(start - LOG_REACH_S + shift_s, end + LOG_REACH_S + shift_s)
    knots = int(np.clip(np.ceil((end - start) / GAIN_KNOT_S), 2, MOST_GAIN_KNOTS))
    position = (t_s - start) / (end - start) * knots
    hats = np.maximum(0.0, 1 - np.abs(position[:, None] - np.arange(knots + 1)[None, :]))
    scale = _relative(motion.sigma, len(t_s)) / np.sqrt(np.clip(motion.quality, 0.05, 1))
    scale /= float(np.median(scale))
    log_every_s = near.median_step_s
    log_joined = np.diff(near.t_s, prepend=-np.inf) < 1.5 * log_every_s
    if not log_every_s < COLOUR_STEP_S:
        log_joined = np.zeros(len(near), dtype=np.bool_)
    step_mps = step_mps_of(speed)
    both = min(end, float(speed.t_s[-1]) - shift_s) - max(start, float(speed.t_s[0]) - shift_s)
    return Evidence(
        motion_t_s=t_s,
        motion_span_s=span,
        motion=motion.forward,
        motion_scale=scale,
        motion_joined=np.diff(t_s, prepend=-np.inf) < 1.6 * float(np.median(np.diff(t_s))),
        log_t_s=near.t_s,
        log=near.values,
        log_scale=_relative(near.sigma, len(near)),
        log_joined=log_joined,
        log_step_mps=step_mps,
        log_floor_mps=step_mps / float(np.sqrt(12)),
        grid=grid,
        gain_basis=hats,
        drifts=both > DRIFT_NEEDS_S,
        gain_bend=motion.gain_bend,
        gain_errors=motion.gain_errors,
    )


def without_motion(evidence: Evidence) -> Evidence:
    """The log alone."""
    none = np.zeros(0)
    return replace(
        evidence,
        motion_t_s=none,
        motion_span_s=none,
        motion=none,
        motion_scale=none,
        motion_joined=np.zeros(0, dtype=np.bool_),
        gain_basis=np.zeros((0, evidence.gain_basis.shape[1])),
    )


def without_log(evidence: Evidence) -> Evidence:
    """The motion alone."""
    none = np.zeros(0)
    return replace(
        evidence, log_t_s=none, log=none, log_scale=none, log_joined=np.zeros(0, dtype=np.bool_)
    )


def starting_point(evidence: Evidence, shift_s: float, smoothing_s: float) -> Point:
    """Rough values for every unknown, from a log that is `shift_s` late."""
    e = evidence
    when = e.log_t_s - shift_s
    log_there = np.interp(e.motion_t_s, when, e.log)
    inside = (e.motion_t_s >= when[0]) & (e.motion_t_s <= when[-1])
    both = log_there[inside]
    gain = float(both @ e.motion[inside] / max(float(both @ both), 1e-9))
    gain = max(gain, 1e-4)
    centres = e.grid.start_s + e.grid.step_s * (np.arange(e.grid.size) - 1.0)
    w = np.interp(centres, when + smoothing_s, e.log)
    return Point(shift_s - smoothing_s, 0.0, smoothing_s, gain, 0.0, np.zeros(e.errors), w)


def starting_noise(evidence: Evidence) -> Noise:
    """Rough noise sizes: second differences see little but noise."""
    motion = evidence.motion
    rough = float(np.median(np.abs(np.diff(motion)))) / 0.9539 if len(motion) > 2 else 0.1
    return Noise(
        motion=max(rough, 1e-3),
        log_mps=max(0.1, evidence.log_floor_mps),
        jerk=3.0,
        gain=max(0.02, evidence.gain_errors.drift),
    )
