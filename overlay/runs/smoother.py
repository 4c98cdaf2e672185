"""True speed, acceleration and distance on footage time, with their uncertainty.

The receiver's smoothing and delay are undone by a fixed-interval smoother. Three things that a
stationary prior gets wrong are handled on their own: the corner at launch (rest ends at an
unknown instant, found by maximum likelihood and averaged over its posterior), jumps of the
acceleration (lift, brake, limiter) and single outlying readings; both of the latter by the
standardised smoothing errors of de Jong and Penzer, JASA 93 (1998) 800-806 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from overlay.errors import InputError, UsageError
from overlay.runs.model import Kinematics
from overlay.runs.rest import Span, noise_of, quantum, rest_spans, unfolded
from overlay.runs.statespace import (
    NEVER_AT_REST,
    Hypotheses,
    Readings,
    Smoothed,
    log_likelihood,
    run_smoother,
    states_at,
)
from overlay.runs.tuning import REST, SMOOTHER
from overlay.series import Series
from overlay.timebase import FloatArray

_JERKS = np.linspace(-3.0, 3.0, 9)
_MOVING_START = np.array([NEVER_AT_REST])


@dataclass(frozen=True)
class _Kind:
    """How motion may begin, and how likely that is before the log has spoken."""

    step: float
    launch_jerk: float
    log_prior: float


_MOVING = _Kind(0.0, 0.0, 0.0)
_SUDDEN = _Kind(SMOOTHER.step_mps2, 0.0, 0.0)
_GRADUAL = _Kind(0.0, SMOOTHER.ramp_jerk, -1.0)


@dataclass(frozen=True, eq=False)
class _Piece:
    """Part of a record with at most one launch, on footage time."""

    readings: Readings
    launch: Span | None  # where rest may end
    noise_mps: float
    noise_floor_mps: float


@dataclass(frozen=True, eq=False)
class _Posterior:
    """Hypotheses kept and their posterior weights."""

    what: Hypotheses
    weight: FloatArray


def smooth(
    speed: Series,
    *,
    delay_s: float,
    smoothing_s: float,
    timing_sigma_s: float,
    start_s: float | None = None,
    end_s: float | None = None,
    rate_hz: float = 100.0,
) -> Kinematics:
    """Undo the receiver's lag and smooth, with honest uncertainty.

    Parameters
    ----------
    speed : Series
        Speed in m/s on the log's clock, as the receiver shows it.
    delay_s : float
        Pure delay, clock offset included: ``log_time = footage_time + delay_s``; any sign.
    smoothing_s : float
        Time constant of the receiver's one-pole smoothing, >= 0.
    timing_sigma_s : float
        Standard uncertainty of the lag; carried along, not mixed into the other sigmas.
    start_s, end_s : float, optional
        Footage times of the grid's ends; default: the log's own.
    rate_hz : float
        Rate of the grid.

    Raises
    ------
    UsageError
        If smoothing or rate is out of range, or `end_s` is not after `start_s`.
    InputError
        If the log has fewer than four readings on the stretch.
    """
    if not (smoothing_s >= 0 and np.isfinite(smoothing_s) and np.isfinite(delay_s)):
        raise UsageError(f"smoothing {smoothing_s} s must be 0 or more and the delay finite")
    if not rate_hz > 0:
        raise UsageError(f"grid rate {rate_hz} Hz must be above 0")
    log = speed.shifted(-delay_s)
    if start_s is not None or end_s is not None:
        margin_s = 3.0 + 3 * smoothing_s
        low = -np.inf if start_s is None else start_s - margin_s
        high = np.inf if end_s is None else end_s + margin_s + smoothing_s
        log = log.between(low, high)
    if len(log) < 4:
        raise InputError(
            f"{speed.name}: {len(log)} readings between {start_s} and {end_s} s of footage; "
            "at least four are needed: check that log and clip belong together"
        )
    start = float(log.t_s[0]) if start_s is None else start_s
    end = float(log.t_s[-1]) if end_s is None else end_s
    if not end > start:
        raise UsageError(f"end {end} s is not after start {start} s")
    # The last instant is at or just after the end, lest the last frame show no number.
    grid = start + np.arange(int(np.ceil((end - start) * rate_hz - 1e-6)) + 1) / rate_hz
    return _joined(grid, log, _pieces(log, grid), smoothing_s, timing_sigma_s)


def _joined(
    grid: FloatArray,
    log: Series,
    pieces: list[_Piece],
    tau_s: float,
    timing_sigma_s: float,
) -> Kinematics:
    """Smooth each piece and put them end to end; distance goes on across the rests between."""
    mean, variance = np.zeros((len(grid), 3)), np.zeros((len(grid), 3))
    launch: tuple[float, float] | None = None
    covered, variance_m2 = 0.0, 0.0
    noises = []
    for i, piece in enumerate(pieces):
        fit, readings = _fitted(piece, tau_s)
        t = readings.t_s
        own = (grid >= t[0] if i else grid >= -np.inf) & (
            grid < t[-1] if i + 1 < len(pieces) else grid <= np.inf
        )
        at = np.r_[np.clip(grid[own], t[0], t[-1]), t[-1]]
        m, var = _mixture(at, readings, fit, tau_s)
        m[:, 0] += covered
        var[:, 0] += variance_m2
        covered, variance_m2 = float(m[-1, 0]), float(var[-1, 0])
        mean[own], variance[own] = m[:-1], var[:-1]
        noises.append(float(fit.weight @ fit.what.noise))
        if launch is None and piece.launch is not None:
            at_s = float(fit.weight @ fit.what.launch_s)
            spread = float(fit.weight @ (fit.what.launch_s - at_s) ** 2)
            launch = at_s, float(np.sqrt(spread))
    sigma = np.sqrt(np.maximum(variance, 0.0))
    step = log.median_step_s
    known = (grid >= log.t_s[0] - step) & (grid <= log.t_s[-1] + step)
    for gap_start, gap_end in log.gaps(REST.gap_steps * step):
        known &= ~((grid > gap_start) & (grid < gap_end))
    return Kinematics(
        t_s=grid,
        speed_mps=np.maximum(mean[:, 1], 0.0),
        accel_mps2=mean[:, 2],
        distance_m=mean[:, 0] - mean[0, 0],
        speed_sigma_mps=sigma[:, 1],
        accel_sigma_mps2=sigma[:, 2],
        distance_sigma_m=sigma[:, 0],
        timing_sigma_s=timing_sigma_s,
        known=known,
        launch_s=None if launch is None else launch[0],
        launch_sigma_s=None if launch is None else launch[1],
        speed_noise_mps=float(np.median(noises)),
    )


def _pieces(log: Series, grid: FloatArray) -> list[_Piece]:
    """Cut the record in the middle of each rest, so that each piece has at most one launch."""
    rough = noise_of(log)
    floor = max(REST.noise_floor_mps, quantum(log) / np.sqrt(12))
    rests = rest_spans(log, noise_mps=rough)
    log = unfolded(log, rests)
    first = min(float(grid[0]), float(log.t_s[0]))
    last = max(float(grid[-1]), float(log.t_s[-1]))
    inner = [r for r in rests if r.start_s > log.t_s[0] and r.end_s < log.t_s[-1]]
    cuts = [first, *((r.start_s + r.end_s) / 2 for r in inner), last]
    pieces = []
    for low, high in pairwise(cuts):
        part = log.between(low, high)
        begins = next((r for r in rests if r.start_s <= max(low, part.t_s[0]) <= r.end_s), None)
        ends = next((r for r in rests if begins is not r and r.end_s >= part.t_s[-1]), None)
        readings = _readings(part, (low, high), ends)
        window = None if begins is None else _launch_window(part, begins, rough)
        if window is not None:
            readings = _from_launch(readings, window)
        pieces.append(_Piece(readings, window, max(rough, floor), floor))
    return pieces


def _readings(part: Series, ends: tuple[float, float], stop: Span | None) -> Readings:
    """Everything measured in one piece, in order of time, with empty knots at its ends."""
    relative = np.ones(len(part))
    if part.sigma is not None and bool(np.all(part.sigma > 0)):
        relative = part.sigma / np.median(part.sigma)
    value, direct = part.values.copy(), np.zeros(len(part), dtype=bool)
    if stop is not None:
        still = part.t_s >= stop.start_s + 0.3
        value[still], relative[still], direct[still] = 0.0, SMOOTHER.still_mps, True
    # Where no reading lies at an end, an empty knot; the first one still centres the prior.
    pad = int(ends[0] != part.t_s[0]), int(ends[1] != part.t_s[-1])
    t_s = np.concatenate([ends[: pad[0]], part.t_s, ends[2 - pad[1] :]])
    value, direct = np.pad(value, pad, mode="edge"), np.pad(direct, pad)
    weight = np.pad(relative, pad, constant_values=np.inf)
    return Readings(t_s, value, weight, direct, np.zeros(len(t_s)))


def _launch_window(part: Series, rest: Span, noise: float) -> Span | None:
    """Where rest may end: from well before the log's rise to its first clear reading."""
    clear = (part.t_s > rest.end_s) & (part.values > max(0.5, 6 * noise))
    if not bool(np.any(clear)):
        return None
    rise_s = float(part.t_s[int(np.argmax(clear))])
    earliest = max(rest.start_s, rise_s - SMOOTHER.look_back_s - 1.5 * part.median_step_s)
    return Span(min(earliest, rise_s - 0.01), rise_s)


def _from_launch(readings: Readings, window: Span) -> Readings:
    """Without the readings of the rest before: many receivers quieten them, so their noise
    says nothing of the run's. The first knot stays, empty.
    """
    keep = readings.t_s >= window.start_s
    keep[0] = True
    kept = readings.pick(keep)
    kept.weight[0] = np.inf
    return kept


def _fitted(piece: _Piece, tau_s: float) -> tuple[_Posterior, Readings]:
    """Fit roughly, explain jumps and outliers, then weigh launch instants and kinds."""
    readings = piece.readings
    span = piece.launch
    launch = _MOVING_START if span is None else np.linspace(span.start_s, span.end_s, 9)
    kind = _MOVING if span is None else _GRADUAL
    noise = np.log10(piece.noise_mps) + np.array([-0.3, -0.15, 0.0, 0.15, 0.3])
    noise = np.maximum(noise, np.log10(piece.noise_floor_mps))
    best = _likeliest(readings, _grid(launch, _JERKS, noise, kind), tau_s)
    for _ in range(SMOOTHER.passes):
        explained = _explained(readings, run_smoother(readings, best, tau_s), best)
        if explained is None:
            break
        readings = explained
        best = _likeliest(readings, _grid(best.launch_s, _JERKS, noise, kind), tau_s)
    if span is None:
        return _Posterior(best, np.ones(1)), readings
    # Later readings say nothing of the launch.
    early = readings.pick(readings.t_s <= span.end_s + SMOOTHER.launch_reach_s)
    found = [_zoomed_search(early, span, best, tau_s, kind) for kind in (_SUDDEN, _GRADUAL)]
    return _kept(found, best), readings


def _likeliest(readings: Readings, what: Hypotheses, tau_s: float) -> Hypotheses:
    """Most likely launch; the jerk's logarithm and the noise's variance averaged."""
    score = log_likelihood(readings, what, tau_s)
    weight = np.exp(score - np.max(score))
    weight /= np.sum(weight)
    top = what.pick(np.array([int(np.argmax(weight))]))
    jerk = np.array([10 ** float(weight @ np.log10(what.jerk))])
    noise = np.array([float(np.sqrt(weight @ what.noise**2))])
    return replace(top, jerk=jerk, noise=noise)


def _explained(readings: Readings, passes: Smoothed, what: Hypotheses) -> Readings | None:
    """Allow for the largest jumps of acceleration and the outliers; None where there is none."""
    t = readings.t_s
    info = passes.information[:, 0, 2, 2]
    jump = passes.adjoint[:, 0, 2] / np.sqrt(np.maximum(info, 1e-30))
    jump[t < what.launch_s[0] + 0.5] = 0.0
    jump[:2] = jump[-2:] = 0.0
    outlier = np.abs(passes.residual[:, 0])
    extra, weight = readings.extra_jerk.copy(), readings.weight.copy()
    height = np.maximum(np.abs(jump), outlier * (SMOOTHER.jump_sigmas / SMOOTHER.outlier_sigmas))
    done = 0
    while float(np.max(height)) > SMOOTHER.jump_sigmas and done < 6:
        k = int(np.argmax(height))
        if height[k] > abs(jump[k]):
            weight[k] *= outlier[k] / 2
        else:
            size = min(max(abs(jump[k]) / np.sqrt(info[k]), 1.0), 10.0)
            extra[np.abs(t - t[k]) <= SMOOTHER.jump_half_s] += size**2 / (2 * SMOOTHER.jump_half_s)
        height[np.abs(t - t[k]) < 2 * SMOOTHER.jump_half_s] = 0.0
        done += 1
    return replace(readings, extra_jerk=extra, weight=weight) if done else None


def _zoomed_search(
    readings: Readings, span: Span, rough: Hypotheses, tau_s: float, kind: _Kind
) -> tuple[Hypotheses, FloatArray]:
    """Launch instants of one kind on a grid zoomed in on their posterior, with log densities.

    The jerk of the launch may differ from that of the whole run by a factor of ten or so.
    """
    launch = np.linspace(span.start_s, span.end_s, 9)
    decades = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
    jerk, noise = np.log10(rough.jerk) + decades, np.log10(rough.noise)
    prior = np.tile(-0.5 * (decades / 0.5) ** 2, 9)
    for _ in range(8):
        what = _grid(launch, jerk, noise, kind)
        score = log_likelihood(readings, what, tau_s) + prior
        weight = np.exp(score - np.max(score))
        weight /= np.sum(weight)
        spacing = float(launch[1] - launch[0])
        launch, zoomed = _zoom(launch, what.launch_s, weight, span)
        if not zoomed:
            break
    return what, score + np.log(spacing) + kind.log_prior


def _zoom(
    axis: FloatArray, values: FloatArray, weight: FloatArray, limits: Span
) -> tuple[FloatArray, bool]:
    """A finer or shifted axis around the posterior; and whether it differs enough to go on."""
    middle = float(weight @ values)
    spread = float(np.sqrt(weight @ (values - middle) ** 2))
    spacing = float(axis[1] - axis[0])
    half = max(3.0 * spread, spacing)
    low, high = max(middle - half, limits.start_s), min(middle + half, limits.end_s)
    if not high > low:
        low, high = middle - spacing / 2, middle + spacing / 2
    resolved = spread > 0.8 * spacing
    at_limit = low == limits.start_s or high == limits.end_s
    edge = min(middle - float(axis[0]), float(axis[-1]) - middle) < 1.5 * spread
    return np.linspace(low, high, len(axis)), not resolved or (edge and not at_limit)


def _grid(launch: FloatArray, jerk: FloatArray, noise: FloatArray, kind: _Kind) -> Hypotheses:
    """Every combination of launch instant, jerk and noise for one kind of launch."""
    t, q, r = (x.ravel() for x in np.meshgrid(launch, jerk, noise, indexing="ij"))
    same = np.ones(len(t))
    return Hypotheses(10**q, 10**r, t, kind.step * same, kind.launch_jerk * same)


def _kept(found: list[tuple[Hypotheses, FloatArray]], rough: Hypotheses) -> _Posterior:
    """One hypothesis for each launch instant and kind that matters, with its summed weight."""
    top = max(float(np.max(score)) for _, score in found)
    kept, share = [], []
    for what, score in found:
        weight = np.exp(score - top)
        for t in np.unique(what.launch_s):
            kept.append((rough.jerk[0], rough.noise[0], t, what.step[0], what.launch_jerk[0]))
            share.append(float(np.sum(weight[what.launch_s == t])))
    shares = np.array(share) / np.sum(share)
    major = shares > 0.01
    what = Hypotheses(*np.array(kept)[major].T)
    return _Posterior(what, shares[major] / np.sum(shares[major]))


def _mixture(
    at_s: FloatArray, readings: Readings, fit: _Posterior, tau_s: float
) -> tuple[FloatArray, FloatArray]:
    """Posterior mean and variance of distance, speed, acceleration, each (m, 3)."""
    passes = run_smoother(readings, fit.what, tau_s)
    mean, variance = np.zeros((len(at_s), 3)), np.zeros((len(at_s), 3))
    for low in range(0, len(at_s), SMOOTHER.block):
        part = slice(low, low + SMOOTHER.block)
        m, p = states_at(at_s[part], readings, passes, fit.what, tau_s)
        m, var = m[:, :, :3], np.diagonal(p, axis1=2, axis2=3)[:, :, :3]
        centre = np.einsum("b,mbi->mi", fit.weight, m)
        mean[part] = centre
        variance[part] = np.einsum("b,mbi->mi", fit.weight, var + (m - centre[:, None, :]) ** 2)
    return mean, variance
