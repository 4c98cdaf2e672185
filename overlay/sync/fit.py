"""Fitting the joint model: Gauss-Newton for the unknowns, restricted likelihood for the noise."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from overlay.sync.joint import Evidence, Noise, Point, System, Weights, assemble, start_rows
from overlay.sync.solve import Precision, curve_step, log_determinant, newton_step, precision
from overlay.timebase import FloatArray

SMALLEST_GAIN_ERROR = 1e-3
LARGEST_GAIN_ERROR = 0.5
LOG_NOISE_MPS = 0.1  # receivers' speed noise is 0.05 to 0.2 m/s; worth a few samples
LOG_NOISE_SAMPLES = 3.0
MOTION_NOISE_FLOOR = 1e-4
LARGEST_STEP_S = 0.3
LOOSE_JERK = 2.0  # m/s^2 per root second; the curve first follows the data
CALM_JERK = 0.5  # and is then judged as smooth as it shows, jumps apart
LOOSE_ROUNDS = 5
ROBUST_ROUNDS = (2, 4, 7)
COLOUR_ROUNDS = (3, 6)
# Receivers filter what they show, so their noise follows itself; where it seems to alternate the
# curve has followed it, and believing that would narrow the interval. Inverse hyperbolic tangents.
LEAST_COLOURS = {"motion": -0.5, "log": 0.0}
LEAST_COLOUR = 0.07  # less changes the interval by under a twelfth and is not worth its cost
JUMP_SPAN_S = 0.6  # a jump of acceleration shows between the means this far apart
JUMP_REACH_S = 0.2  # and lies within this of where the fit has it
JUMP_SHARE = 1.3
COMMON_JUMP_MPS2 = 1.0  # smaller ones are ordinary driving
STRAY = 2.5  # residuals beyond this many sigmas weigh less
OUTLIER = 5.0  # and beyond this much less
LARGEST_DROP = 1.0  # what is left to gain at the end of a climb is foreseen, if it is this little
NEAR_ENOUGH = 0.05  # sigmas of the shift: a step this short ends the climb


@dataclass(frozen=True, eq=False)
class Fit:
    """A fitted joint model."""

    # Estimates and robust weights
    point: Point
    noise: Noise
    weights: Weights
    cost: float  # Minus two log marginal likelihood
    shift_sigma_s: float  # Standard deviation of the shift at this smoothing and noise
    system: System  # Normal equations at the point


def unit_weights(evidence: Evidence) -> Weights:
    """No value distrusted yet."""
    return Weights(
        np.ones(len(evidence.motion)), np.ones(len(evidence.log)), np.ones(evidence.grid.size - 3)
    )


def cost_of(
    evidence: Evidence, noise: Noise, point: Point, system: System, weights: Weights
) -> float:
    """Minus two log marginal likelihood at a converged point, constants left out."""
    p = precision(evidence, noise)
    count = evidence.errors
    rows = evidence.grid.size - 3
    total = p.motion * system.rss["motion"] + p.log * system.rss["log"]
    total += p.rough * system.rss["rough"] + p.border[0] * point.offset**2
    total -= math.log(p.border[0]) - 4 * rows * math.log(evidence.grid.step_s)
    total += system.rss["start"] - 2 * np.linalg.slogdet(start_rows(evidence.grid))[1]
    total += float(p.border[1 : 1 + count] @ point.gain_error**2)
    total -= len(evidence.motion) * math.log(p.motion) + len(evidence.log) * math.log(p.log)
    total -= rows * (math.log(p.rough) + 2 * math.log1p(point.smoothing_s / evidence.grid.step_s))
    total -= float(np.sum(np.log(p.border[1 : 1 + count])))
    for colour, joined in (
        (noise.motion_colour, evidence.motion_joined),
        (noise.log_colour, evidence.log_joined),
    ):
        total -= float(np.sum(~joined)) * math.log1p(-(colour**2))
    total -= float(np.sum(np.log(weights.rough)))
    if evidence.drifts:
        total += p.border[-1] * point.drift**2
    return float(total + log_determinant(system, p, count + 1))


# Many parameters: the four that make a fit, and four that hold parts of it; all have defaults.
def climb(
    evidence: Evidence,
    point: Point,
    noise: Noise,
    weights: Weights,
    *,
    steps: int = 8,
    fixed: bool = False,
    held: bool = False,
    system: System | None = None,
) -> tuple[Point, System, float]:
    """Gauss-Newton at fixed noise; the point, its system and the shift's sigma.

    `system`, where given, is that of `point` at the same colours and weights.
    """
    p = precision(evidence, noise)
    system = system or assemble(evidence, point, noise, weights)
    sigma = math.inf
    count = evidence.errors
    wanted_before, moved_before = 0.0, 0.0
    for _ in range(steps):
        _, border, covariance, drop = newton_step(system, p, point, fixed, held)
        wanted = float(border[count + 2])
        sigma = math.sqrt(max(covariance[count + 2, count + 2], 0.0))
        move = wanted * _calmed(wanted, wanted_before, moved_before)
        move = float(np.clip(move, -LARGEST_STEP_S, LARGEST_STEP_S))
        if sigma > 0:  # the rest goes where it is best for that move
            border = border + covariance[:, count + 2] * ((move - wanted) / sigma**2)
        wanted_before, moved_before = wanted, move
        curve = curve_step(system, p, border) + _carried(evidence, p, point, move)
        point = _moved(evidence, point, border, curve)
        system = assemble(evidence, point, noise, weights)
        if abs(move) < NEAR_ENOUGH * sigma and abs(border[count + 1]) < 3e-3 and drop < 0.1:
            break
    return point, system, sigma


def _calmed(wanted: float, wanted_before: float, moved_before: float) -> float:
    """Share of the step to take: less than all where steps overshoot (the secant through two)."""
    if wanted * moved_before >= 0:
        return 1.0
    return float(np.clip(moved_before / (wanted_before - wanted), 0.25, 1.0))


def _carried(evidence: Evidence, p: Precision, point: Point, move_s: float) -> FloatArray:
    """What a step of the shift carries along of the curve, beyond first order.

    As far as the log tells the curve, the curve goes with it, noise and all, and a long step along
    its tangent would end beside it.
    """
    motion = p.motion * point.gain**2 * float(np.sum(evidence.motion_scale**-2))
    log = p.log * float(np.sum(evidence.log_scale**-2))
    steps = move_s / evidence.grid.step_s * log / max(log + motion, 1e-9)
    if not abs(steps) < 10:
        return np.zeros(len(point.w))
    here = np.arange(len(point.w), dtype=np.float64)
    there = _between(point.w, here + steps)
    slope = (_between(point.w, here + 0.01) - _between(point.w, here - 0.01)) / 0.02
    return np.asarray(there - point.w - steps * slope, dtype=np.float64)


def _between(values: FloatArray, place: FloatArray) -> FloatArray:
    """Cubic through the four nearest values of an even row, ends held."""
    padded = np.pad(values, 2, mode="edge")
    place = np.clip(place, -1.0, len(values)) + 2
    first = np.clip(place.astype(np.intp), 1, len(padded) - 3)
    f = place - first
    a, b, c, d = (padded[first + k] for k in (-1, 0, 1, 2))
    half = (c - a) + f * (2 * a - 5 * b + 4 * c - d + f * (3 * (b - c) + d - a))
    return np.asarray(b + 0.5 * f * half, dtype=np.float64)


def _moved(evidence: Evidence, point: Point, border: FloatArray, curve: FloatArray) -> Point:
    count = evidence.errors
    return replace(
        point,
        w=point.w + curve,
        offset=point.offset + float(border[0]),
        gain_error=point.gain_error + border[1 : 1 + count],
        gain=point.gain * math.exp(float(np.clip(border[count + 1], -0.5, 0.5))),
        shift_s=point.shift_s + float(border[count + 2]),
        drift=point.drift + (float(border[-1]) if evidence.drifts else 0.0),
    )


def _effective(system: System, p: Precision, random: int) -> tuple[float, ...]:
    """Effective parameters used by motion, log and roughness (trace terms)."""
    delta = 1e-3
    base = log_determinant(system, p, random)
    changed = (
        replace(p, motion=p.motion * (1 + delta)),
        replace(p, log=p.log * (1 + delta)),
        replace(p, rough=p.rough * (1 + delta)),
    )
    return tuple((log_determinant(system, q, random) - base) / math.log1p(delta) for q in changed)


def renewed_noise(evidence: Evidence, noise: Noise, system: System, usual_jerk: float) -> Noise:
    """One step of the variance fixed point of restricted likelihood (Fellner and Schall).

    Each variance is the weighted residual sum over its residual degrees of freedom
    (Schall 1991, Biometrika 78:719; stated from memory).
    """
    count = evidence.errors
    p = precision(evidence, noise)
    motion, log, rough = _effective(system, p, count + 1)
    rows = evidence.grid.size - 3
    motion_var = system.rss["motion"] / max(len(evidence.motion) - motion, 1.0)
    log_var = (system.rss["log"] + LOG_NOISE_SAMPLES * LOG_NOISE_MPS**2) / (
        max(len(evidence.log) - log, 0.0) + LOG_NOISE_SAMPLES
    )
    # a worth of two knots of the usual jerk keeps the curve from going stiff
    jerk_var = (
        evidence.grid.step_s
        * (system.rss["rough"] + 2 * usual_jerk**2 / evidence.grid.step_s)
        / (max(rows - rough, 0.1) + 2)
    )
    log_mps = max(math.sqrt(log_var), evidence.log_floor_mps)
    return replace(
        noise,
        motion=max(math.sqrt(motion_var), MOTION_NOISE_FLOOR),
        log_mps=noise.log_mps if evidence.log_known else log_mps,
        jerk=math.sqrt(jerk_var),
    )


def _regained(
    evidence: Evidence, point: Point, noise: Noise, system: System, weights: Weights
) -> Noise:
    """The gain error's size by search: from a wrong start the fixed point takes it for real."""
    best, least = noise.gain, math.inf
    for factor in (0.1, 0.4, 1.0, 2.5):
        size = float(np.clip(noise.gain * factor, SMALLEST_GAIN_ERROR, LARGEST_GAIN_ERROR))
        trial = replace(noise, gain=size)
        *_, gain = newton_step(system, precision(evidence, trial), point)
        cost = cost_of(evidence, trial, point, system, weights) - gain
        # within a factor of e of the usual one, before the data speak
        cost += math.log(size / evidence.gain_errors.drift) ** 2
        if cost < least - 1e-9:
            best, least = size, cost
    return replace(noise, gain=best)


def _robust(residual: FloatArray, sigma: float) -> FloatArray:
    z = np.abs(residual) / sigma
    weight = np.where(z > STRAY, STRAY / np.maximum(z, STRAY), 1.0)
    return np.where(z > OUTLIER, STRAY * OUTLIER / np.maximum(z, OUTLIER) ** 2, weight)


def _bent(evidence: Evidence, point: Point, noise: Noise) -> FloatArray:
    """Relative precision of the roughness at each knot: low where acceleration jumps.

    A launch, a lift and a stop are jumps of acceleration within a tenth of a second. One
    roughness for all would smooth them, and a smoother curve asks for less smoothing by the
    receiver. So round each jump the curve is free to make it at any one knot, wherever the
    smoothing tried puts it.
    """
    step = evidence.grid.step_s
    count = evidence.grid.size - 3
    v = point.w[1:] + point.smoothing_s / step * np.diff(point.w)
    reach = max(1, round(JUMP_SPAN_S / 2 / step))
    accel = np.convolve(np.diff(v), np.full(2 * reach - 1, 1 / (2 * reach - 1)), "same") / step
    jump = np.zeros(count)
    jump[reach : count - reach] = np.abs(accel[2 * reach : count] - accel[: count - 2 * reach])
    jump = np.maximum(jump - COMMON_JUMP_MPS2, 0.0)
    wide = 2 * max(1, round(JUMP_REACH_S / step)) + 1
    nearby = np.lib.stride_tricks.sliding_window_view(np.pad(jump, wide // 2), wide).max(axis=1)
    usual = noise.jerk / math.sqrt(step)
    share = JUMP_SHARE / math.sqrt(wide + reach)
    return np.asarray(1 / (1 + (share * nearby / step / usual) ** 2))


def _recoloured(
    evidence: Evidence, point: Point, noise: Noise, weights: Weights, fixed: bool
) -> Noise:
    """Move each colour down the marginal likelihood by a quadratic through three values."""
    here_system = assemble(evidence, point, noise, weights)
    for source, joined in (("motion", evidence.motion_joined), ("log", evidence.log_joined)):
        name = f"{source}_colour"
        if not bool(np.any(joined)):
            continue
        here = math.atanh(getattr(noise, name))
        costs = []
        for step in (-0.12, 0.0, 0.12):
            trial = replace(noise, **{name: math.tanh(here + step)})
            system = here_system
            if step:
                system = assemble(evidence, point, trial, weights, like=here_system, only=source)
            *_, gain = newton_step(system, precision(evidence, trial), point, fixed)
            costs.append(
                cost_of(evidence, trial, point, system, weights) - gain + (here + step) ** 2
            )
        bend = costs[0] - 2 * costs[1] + costs[2]
        tilt = (costs[2] - costs[0]) / 2
        move = -tilt / bend if bend > 1e-9 else -math.copysign(2.0, tilt)
        there = float(np.clip(here + 0.12 * np.clip(move, -2.5, 2.5), LEAST_COLOURS[source], 1.8))
        there = 0.0 if abs(there) < LEAST_COLOUR else there
        noise = replace(noise, **{name: math.tanh(there)})
        if source == "motion":
            here_system = assemble(evidence, point, noise, weights, like=here_system, only=source)
    return noise


def tuned(
    evidence: Evidence,
    point: Point,
    noise: Noise,
    *,
    rounds: int = 12,
    fixed: bool = False,
    colours: bool = True,
) -> Fit:
    """Fit everything, noise included, from a starting point."""
    weights = unit_weights(evidence)
    if not colours:
        noise = replace(noise, motion_colour=0.0, log_colour=0.0)
    system: System | None = None
    for round_ in range(rounds):
        before = noise
        steps = 2 if round_ < 2 else 1
        point, system, _ = climb(
            evidence, point, noise, weights, steps=steps, fixed=fixed, system=system
        )
        noise = renewed_noise(
            evidence, noise, system, LOOSE_JERK if round_ < LOOSE_ROUNDS else CALM_JERK
        )
        if not fixed:
            noise = _regained(evidence, point, noise, system, weights)
        if round_ in ROBUST_ROUNDS:
            weights = Weights(
                _robust(system.residual["motion"], noise.motion),
                _robust(system.residual["log"], noise.log_mps),
                _bent(evidence, point, noise),
            )
            system = None
        if colours and round_ in COLOUR_ROUNDS:
            noise = _recoloured(evidence, point, noise, weights, fixed)
            system = None
        elif round_ > max(ROBUST_ROUNDS) and _close(before, noise):
            break
    return fitted(evidence, point, noise, weights, fixed=fixed)


def _close(a: Noise, b: Noise) -> bool:
    return all(
        abs(math.log(getattr(a, k) / getattr(b, k))) < 0.02 for k in ("motion", "log_mps", "jerk")
    )


# Many parameters: those of `climb`.
def fitted(
    evidence: Evidence,
    point: Point,
    noise: Noise,
    weights: Weights,
    *,
    steps: int = 8,
    fixed: bool = False,
    held: bool = False,
    system: System | None = None,
) -> Fit:
    """Converged fit at fixed noise; `fixed`, `held` and `system` as elsewhere in this module."""
    point, system, sigma = climb(
        evidence, point, noise, weights, steps=steps, fixed=fixed, held=held, system=system
    )
    cost = cost_of(evidence, noise, point, system, weights)
    *_, drop = newton_step(system, precision(evidence, noise), point, fixed, held)
    return Fit(point, noise, weights, cost - min(drop, LARGEST_DROP), sigma, system)


def log_freedom(evidence: Evidence, fit: Fit) -> float:
    """Degrees of freedom that the size of the log's noise rests on, its usual size included.

    That of rounding is known; the rest is a share of all (Satterthwaite 1946, Biometrics 2:110).
    """
    p = precision(evidence, fit.noise)
    _, log, _ = _effective(fit.system, p, evidence.errors + 1)
    freedom = max(len(evidence.log) - log, 0.0) + LOG_NOISE_SAMPLES
    if not evidence.log_known:
        return freedom
    own = fit.noise.log_mps**2
    return freedom * ((own + evidence.log_step_mps**2 / 12) / own) ** 2


def curvature_sigma_s(evidence: Evidence, fit: Fit) -> float:
    """Sigma of the shift from the marginal likelihood itself, a sigma and a half either side.

    The Gauss-Newton figure takes noise in the fitted slope for information; the likelihood
    with the curve integrated out does not.
    """
    reach = 1.5 * fit.shift_sigma_s
    rise = 0.0
    for side in (-reach, reach):
        start = replace(fit.point, shift_s=fit.point.shift_s + side)
        moved = fitted(evidence, start, fit.noise, fit.weights, steps=3, held=True)
        rise += (moved.cost - fit.cost) / 2
    return reach / math.sqrt(max(rise, 0.05))
