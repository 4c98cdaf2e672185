"""Motion with white jerk seen through a receiver, discretised exactly.

The state is distance, speed, acceleration and the receiver's reading ``(s, v, a, y)``::

    ds/dt = v      dv/dt = a      da/dt = w      dy/dt = (v - y) / tau

with white noise `w` of intensity `q` (m^2/s^5). Over a step `h` the state moves by ``F(h)`` and
gains the covariance ``q Q(h)``. The receiver's pure delay is a shift of its clock, not a state.

References
----------
Bar-Shalom, Li, Kirubarajan: *Estimation with Applications to Tracking and Navigation* (2001),
section 6.2.3 (white-jerk model; from memory). Bierman: *Factorization Methods for Discrete
Sequential Estimation* (1977), chapter X (modified Bryson-Frazier smoother; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from overlay.runs.tuning import JERK
from overlay.timebase import FloatArray

BoolArray = npt.NDArray[np.bool_]

NEVER_AT_REST = -np.inf
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)


@dataclass(frozen=True, eq=False)
class Readings:
    """What was measured, on footage time, in order; a knot without reading has `sigma` inf."""

    t_s: FloatArray  # shape (n,)
    value_mps: FloatArray  # shape (n,)
    # Shape (n,): standard deviation of each reading as a multiple of the receiver's noise
    # (receiver) or in m/s (direct); inf where nothing was read.
    weight: FloatArray
    direct: BoolArray  # shape (n,): True where speed itself was measured, not through the receiver
    extra_jerk: FloatArray  # shape (n,): jerk intensity added over the step that ends at each knot

    def pick(self, keep: BoolArray) -> Readings:
        """Those where `keep` is true."""
        return Readings(*(getattr(self, name)[keep] for name in self.__dataclass_fields__))


@dataclass(frozen=True, eq=False)
class Hypotheses:
    """Parameter sets tried side by side, each an array of shape (b,)."""

    jerk: FloatArray  # intensity of the jerk, m^2/s^5
    noise: FloatArray  # receiver's noise, m/s
    launch_s: FloatArray  # instant at which rest ends, or `NEVER_AT_REST`
    step: FloatArray  # prior standard deviation of the acceleration right after launch, m/s^2
    launch_jerk: FloatArray  # jerk intensity added during `JERK.launch_span_s` from launch

    def pick(self, index: npt.NDArray[np.intp]) -> Hypotheses:
        """Those at `index`, in that order."""
        return Hypotheses(*(getattr(self, name)[index] for name in self.__dataclass_fields__))


def ramp_response(h: FloatArray, tau_s: float) -> FloatArray:
    """Reading of the receiver a time `h` after a unit ramp of speed starts: h - tau(1 - e^-h/tau).

    Examples
    --------
    >>> round(float(ramp_response(np.array(10.0), 0.3)), 6)
    9.7
    """
    return h + tau_s * np.expm1(-h / tau_s) if tau_s > JERK.instant_s else h


def transition(h: FloatArray, tau_s: float) -> FloatArray:
    """``F(h)``, shape (..., 4, 4), for steps `h` >= 0 in seconds."""
    f = np.zeros((*h.shape, 4, 4))
    f[..., 0, 0] = f[..., 1, 1] = f[..., 2, 2] = 1.0
    f[..., 0, 1] = f[..., 1, 2] = f[..., 3, 2] = h
    f[..., 0, 2] = h**2 / 2
    gone = -np.expm1(-h / tau_s) if tau_s > JERK.instant_s else np.ones_like(h)
    f[..., 3, 3] = 1.0 - gone
    f[..., 3, 1] = gone
    f[..., 3, 2] = ramp_response(h, tau_s)
    return f


def jerk_gain(h: FloatArray, tau_s: float) -> FloatArray:
    """State a time `h` after a unit impulse of jerk, shape (..., 4)."""
    return np.stack([h**2 / 2, h, np.ones_like(h), ramp_response(h, tau_s)], axis=-1)


def jerk_covariance(h: FloatArray, tau_s: float) -> FloatArray:
    """``Q(h)`` for unit intensity, shape (..., 4, 4): the integral of gain times its transpose.

    Gauss-Legendre with 8 nodes: exact for the polynomial terms, to rounding for the exponential
    while `h` stays below about ten `tau_s`; and never indefinite.
    """
    at = h[..., None] * (_NODES + 1) / 2
    gain = jerk_gain(at, tau_s)
    weight = h[..., None] * _WEIGHTS / 2
    covariance: FloatArray = np.einsum("...k,...ki,...kj->...ij", weight, gain, gain)
    return covariance


def moving_prior(first_mps: float, tau_s: float) -> tuple[FloatArray, FloatArray]:
    """Mean (4,) and covariance (4, 4) of a vehicle that is already moving at the first knot.

    Speed within 10 m/s of the first reading, acceleration within 5 m/s^2 (standard deviations,
    wide for the vehicles meant); the reading trails the speed by ``tau a``.
    """
    mean = np.array([0.0, first_mps, 0.0, first_mps])
    spread_v, spread_a = 10.0**2, 5.0**2
    p = np.zeros((4, 4))
    p[1, 1] = p[1, 3] = p[3, 1] = spread_v
    p[2, 2] = spread_a
    p[2, 3] = p[3, 2] = -tau_s * spread_a
    p[3, 3] = spread_v + tau_s**2 * spread_a + (0.1**2 if tau_s > JERK.instant_s else 0.0)
    return mean, p


def _intensity(
    start_s: FloatArray, end_s: FloatArray, extra: FloatArray, what: Hypotheses
) -> FloatArray:
    """Mean jerk intensity over the moving part of each step, shape (..., b)."""
    launch = what.launch_s
    moving = end_s - np.maximum(start_s, launch)
    heavy = np.minimum(end_s, launch + JERK.launch_span_s) - np.maximum(start_s, launch)
    share = np.clip(heavy / np.where(moving > 0, moving, 1.0), 0.0, 1.0)
    since = np.maximum((np.maximum(start_s, launch) + end_s) / 2 - launch, 0.0)
    early = 1.0 + JERK.early * np.exp(-since / JERK.early_s)
    intensity: FloatArray = what.jerk * early + extra + what.launch_jerk * share
    return intensity


def step_covariance(
    start_s: FloatArray,
    end_s: FloatArray,
    intensity: FloatArray,
    what: Hypotheses,
    tau_s: float,
) -> tuple[FloatArray, FloatArray]:
    """Transition and covariance of steps under each hypothesis.

    Parameters
    ----------
    start_s, end_s, intensity : ndarray, broadcastable to (..., b)
        Ends of each step and the jerk intensity over it.

    Returns
    -------
    f, q : ndarray, shape (..., b, 4, 4)
        Before launch nothing moves; at launch the acceleration gains ``step**2``.
    """
    launch = what.launch_s
    h = np.maximum(end_s - np.maximum(start_s, launch), 0.0)
    q = intensity[..., None, None] * jerk_covariance(h, tau_s)
    born = (launch >= start_s) & (launch < end_s)
    if bool(np.any(born)):
        gain = jerk_gain(h, tau_s)
        step = np.where(born, what.step**2, 0.0)
        q = q + step[..., None, None] * gain[..., :, None] * gain[..., None, :]
    return transition(h, tau_s), q


def log_likelihood(readings: Readings, what: Hypotheses, tau_s: float) -> FloatArray:
    """Log likelihood of the readings under each hypothesis, shape (b,).

    A Kalman filter on ``(v, a, y)`` written out, so that all hypotheses go through each step
    together: one pass costs little more for a hundred of them than for one.
    """
    t, b = readings.t_s, len(what.jerk)
    zero = np.zeros(b)
    launch = what.launch_s
    v, a, y = zero.copy(), zero.copy(), zero.copy()
    p_vv, p_va, p_vy, p_aa, p_ay, p_yy = (zero.copy() for _ in range(6))
    if launch[0] == NEVER_AT_REST:
        mean, p = moving_prior(float(readings.value_mps[0]), tau_s)
        v, y = v + mean[1], y + mean[3]
        p_vv, p_va, p_vy = p_vv + p[1, 1], p_va + p[1, 2], p_vy + p[1, 3]
        p_aa, p_ay, p_yy = p_aa + p[2, 2], p_ay + p[2, 3], p_yy + p[3, 3]
    begun, settled = float(np.min(launch)), float(np.max(launch)) + JERK.launch_span_s
    steps = np.diff(t, prepend=t[0])
    plain_f, plain_q = transition(steps, tau_s), jerk_covariance(steps, tau_s)
    edges = np.r_[t[:1], t[:-1]][:, None], t[:, None]
    intensity = _intensity(*edges, readings.extra_jerk[:, None], what)
    unsettled = np.flatnonzero((t > begun) & (np.r_[t[:1], t[:-1]] < settled))
    first = int(unsettled[0]) if len(unsettled) else 0
    own = slice(first, int(unsettled[-1]) + 1 if len(unsettled) else 0)
    own_f, own_q = step_covariance(edges[0][own], edges[1][own], intensity[own], what, tau_s)
    total = zero.copy()
    for k in range(len(t)):
        if k and t[k] > begun:
            if t[k - 1] >= settled:
                f, q = plain_f[k], plain_q[k] * intensity[k][:, None, None]
            else:
                f, q = own_f[k - first], own_q[k - first]
            q_vv, q_va, q_vy = q[:, 1, 1], q[:, 1, 2], q[:, 1, 3]
            q_aa, q_ay, q_yy = q[:, 2, 2], q[:, 2, 3], q[:, 3, 3]
            h, f_v, f_a, f_y = f[..., 1, 2], f[..., 3, 1], f[..., 3, 2], f[..., 3, 3]
            y = f_v * v + f_a * a + f_y * y
            v = v + h * a
            c_v = f_v * p_vv + f_a * p_va + f_y * p_vy  # covariance of the new y with old v, a, y
            c_a = f_v * p_va + f_a * p_aa + f_y * p_ay
            c_y = f_v * p_vy + f_a * p_ay + f_y * p_yy
            p_yy = f_v * c_v + f_a * c_a + f_y * c_y + q_yy
            p_vy, p_ay = c_v + h * c_a + q_vy, c_a + q_ay
            p_vv = p_vv + h * (2 * p_va + h * p_aa) + q_vv
            p_va, p_aa = p_va + h * p_aa + q_va, p_aa + q_aa
        weight = readings.weight[k]
        if not np.isfinite(weight):
            continue
        if readings.direct[k]:
            g_v, g_a, g_y, error = p_vv, p_va, p_vy, readings.value_mps[k] - v
            s = p_vv + weight**2
        else:
            g_v, g_a, g_y, error = p_vy, p_ay, p_yy, readings.value_mps[k] - y
            s = p_yy + (weight * what.noise) ** 2
        gain = error / s
        total -= 0.5 * (error * gain + np.log(2 * np.pi * s))
        v, a, y = v + g_v * gain, a + g_a * gain, y + g_y * gain
        n_v, n_a, n_y = g_v / s, g_a / s, g_y / s
        p_vv, p_va, p_vy = p_vv - g_v * n_v, p_va - g_v * n_a, p_vy - g_v * n_y
        p_aa, p_ay, p_yy = p_aa - g_a * n_a, p_ay - g_a * n_y, p_yy - g_y * n_y
    return total


@dataclass(frozen=True, eq=False)
class Smoothed:
    """A filter pass forward and the adjoint pass back, for ``b`` hypotheses over ``n`` knots."""

    # Filtered state at each knot.
    mean: FloatArray  # shape (n, b, 4)
    covariance: FloatArray  # shape (n, b, 4, 4)
    # Bryson-Frazier lambda and Lambda just before each knot's reading.
    adjoint: FloatArray  # shape (n, b, 4)
    information: FloatArray  # shape (n, b, 4, 4)
    # Shape (n, b): standardised smoothing error of each reading (de Jong and Penzer 1998); 0
    # without one.
    residual: FloatArray


def run_smoother(readings: Readings, what: Hypotheses, tau_s: float) -> Smoothed:
    """Filter forward and go back once; :func:`states_at` then gives the state anywhere."""
    t, n, b = readings.t_s, len(readings.t_s), len(what.jerk)
    mean, cov = np.zeros((n, b, 4)), np.zeros((n, b, 4, 4))
    gains, errors, spreads = np.zeros((n, b, 4)), np.zeros((n, b)), np.ones((n, b))
    edge = np.r_[t[:1], t[:-1]][:, None], t[:, None]
    intensity = _intensity(*edge, readings.extra_jerk[:, None], what)
    f, q = step_covariance(*edge, intensity, what, tau_s)
    m, p = np.zeros((b, 4)), np.zeros((b, 4, 4))
    if what.launch_s[0] == NEVER_AT_REST:
        prior = moving_prior(float(readings.value_mps[0]), tau_s)
        m, p = m + prior[0], p + prior[1]
    seen = np.where(readings.direct, 1, 3)
    for k in range(n):
        if k:
            m = np.einsum("bij,bj->bi", f[k], m)
            p = f[k] @ p @ f[k].swapaxes(1, 2) + q[k]
        weight, i = readings.weight[k], seen[k]
        if np.isfinite(weight):
            noise = weight if readings.direct[k] else weight * what.noise
            spreads[k] = p[:, i, i] + noise**2
            errors[k] = readings.value_mps[k] - m[:, i]
            gains[k] = p[:, :, i] / spreads[k][:, None]
            m = m + gains[k] * errors[k][:, None]
            p = p - gains[k][:, :, None] * p[:, i, None, :]
            p = (p + p.swapaxes(1, 2)) / 2
        mean[k], cov[k] = m, p
    return _backward(readings, f, (mean, cov), (gains, errors, spreads), seen)


def _backward(
    readings: Readings,
    f: FloatArray,
    filtered: tuple[FloatArray, FloatArray],
    updates: tuple[FloatArray, FloatArray, FloatArray],
    seen: npt.NDArray[np.int_],
) -> Smoothed:
    """Bryson-Frazier recursion from the last knot to the first."""
    gains, errors, spreads = updates
    n, b = errors.shape
    adjoint, information = np.zeros((n, b, 4)), np.zeros((n, b, 4, 4))
    residual = np.zeros((n, b))
    lam, big = np.zeros((b, 4)), np.zeros((b, 4, 4))
    for k in range(n - 1, -1, -1):
        if np.isfinite(readings.weight[k]):
            i, gain = seen[k], gains[k]
            score = errors[k] / spreads[k] - np.einsum("bi,bi->b", gain, lam)
            carried = np.einsum("bij,bj->bi", big, gain)
            own = 1 / spreads[k] + np.einsum("bi,bi->b", gain, carried)
            residual[k] = score / np.sqrt(own)
            lam = lam.copy()
            lam[:, i] += score
            big = big.copy()
            big[:, i, :] -= carried
            big[:, :, i] -= carried
            big[:, i, i] += own
        adjoint[k], information[k] = lam, big
        lam = np.einsum("bji,bj->bi", f[k], lam)
        big = f[k].swapaxes(1, 2) @ big @ f[k]
    return Smoothed(filtered[0], filtered[1], adjoint, information, residual)


def states_at(
    t_s: FloatArray, readings: Readings, passes: Smoothed, what: Hypotheses, tau_s: float
) -> tuple[FloatArray, FloatArray]:
    """Smoothed mean (m, b, 4) and covariance (m, b, 4, 4) at times within the knots."""
    knots = readings.t_s
    k = np.clip(np.searchsorted(knots, t_s, side="right") - 1, 0, len(knots) - 2)
    extra = readings.extra_jerk[k + 1][:, None]
    start, end, at = knots[k][:, None], knots[k + 1][:, None], t_s[:, None]
    f, q = step_covariance(start, at, _intensity(start, end, extra, what), what, tau_s)
    m = np.einsum("mbij,mbj->mbi", f, passes.mean[k])
    p = f @ passes.covariance[k] @ f.swapaxes(2, 3) + q
    onward = transition(np.maximum(end - np.maximum(at, what.launch_s), 0.0), tau_s)
    lam = np.einsum("mbji,mbj->mbi", onward, passes.adjoint[k + 1])
    big = onward.swapaxes(2, 3) @ passes.information[k + 1] @ onward
    return m + np.einsum("mbij,mbj->mbi", p, lam), p - p @ big @ p
