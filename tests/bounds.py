"""Cramér–Rao bounds of the total lag: how well any unbiased method can do.

For a delay in samples with white noise of known size, sigma_D = sigma / sqrt(sum vdot^2) when
the speed's shape, scale and level are known. Unknown gain and offset cost what of vdot looks
like the speed itself or like a constant (Schur complement of the Fisher information). With
motion and log both noisy and the curve unknown, the two variances add.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from overlay.timebase import FloatArray

Curve = Callable[[FloatArray], FloatArray]


def projected_bound_s(
    slope: FloatArray, nuisance: list[FloatArray], sigma: float, prior: list[float] | None = None
) -> float:
    """Bound of a delay from derivatives at the samples.

    Parameters
    ----------
    slope : ndarray, shape (n,)
        Derivative of the observed quantity by the delay.
    nuisance : list of ndarray, shape (n,)
        Derivatives by the other unknowns.
    sigma : float
        Standard deviation of the white noise.
    prior : list of float or None
        Prior standard deviation of each other unknown (inf = unknown).
    """
    design = np.stack([slope, *nuisance], axis=1) / sigma
    fisher = design.T @ design
    for k, spread in enumerate(prior or []):
        fisher[k + 1, k + 1] += spread**-2 if spread > 0 else 1e18
    rest = fisher[1:, 1:]
    information = fisher[0, 0]
    if len(rest):
        information -= fisher[0, 1:] @ np.linalg.solve(rest, fisher[1:, 0])
    return float(1 / math.sqrt(information)) if information > 0 else math.inf


def delay_bound_s(
    t_s: FloatArray,
    curve: Curve,
    sigma: float,
    *,
    known: bool = False,
    others: list[tuple[FloatArray, float]] | None = None,
) -> float:
    """Bound of the delay of one noisy record of a speed curve.

    Parameters
    ----------
    t_s : ndarray, shape (n,)
        Sample times.
    curve : callable
        Speed at times, m/s.
    sigma : float
        Standard deviation of white noise, m/s.
    known : bool
        Whether scale and level are known; else both are estimated too.
    others : list of (ndarray, shape (n,), float) or None
        Derivatives by further unknowns, and the prior standard deviation of each (inf = unknown).

    Examples
    --------
    A launch from rest, 10 Hz, 0.1 m/s, from 1 s before to 3 s after: 5.6 ms, or 10.4 ms with
    unknown gain and offset:

    >>> def launch(t):
    ...     return 15 * (1 - np.exp(-np.maximum(t, 0) / 3))
    >>> t = np.arange(-0.95, 3, 0.1)
    >>> round(1000 * delay_bound_s(t, launch, 0.1, known=True), 1)
    5.6
    >>> round(1000 * delay_bound_s(t, launch, 0.1), 1)
    10.4
    """
    nuisance = [] if known else [curve(t_s), np.ones(len(t_s))]
    prior = [math.inf] * len(nuisance)
    for column, spread in others or []:
        nuisance.append(column)
        prior.append(spread)
    return projected_bound_s(_slope(curve, t_s), nuisance, sigma, prior)


def _slope(curve: Curve, t_s: FloatArray, step_s: float = 1e-4) -> FloatArray:
    return (curve(t_s + step_s) - curve(t_s - step_s)) / (2 * step_s)


def total_lag_bound_s(
    motion_t_s: FloatArray,
    motion_sigma_mps: float,
    log_t_s: FloatArray,
    log_sigma_mps: float,
    curve: Curve,
    shown: Curve,
    *,
    pitch_sigma: float = 0.0,
    shown_by_smoothing: Curve | None = None,
) -> float:
    """Bound of the total lag between a motion signal and a log, both noisy.

    Parameters
    ----------
    motion_t_s, log_t_s : ndarray
        Sample times; those of the log on the log's clock.
    motion_sigma_mps, log_sigma_mps : float
        White noise of each, in m/s.
    curve : callable
        True speed at footage times.
    shown : callable
        Speed that the receiver shows, without noise, at log times.
    pitch_sigma : float
        Prior standard deviation of a gain that follows acceleration, s^2/m; 0 = there is none.
    shown_by_smoothing : callable or None
        Derivative of `shown` by the smoothing at the same total, where the smoothing is unknown.
    """
    pitch = [(curve(motion_t_s) * _slope(curve, motion_t_s), pitch_sigma)] if pitch_sigma else []
    motion = delay_bound_s(motion_t_s, curve, motion_sigma_mps, others=pitch)
    unknown = [(shown_by_smoothing(log_t_s), math.inf)] if shown_by_smoothing else []
    log = delay_bound_s(log_t_s, shown, log_sigma_mps, others=unknown)
    return math.hypot(motion, log)


def joint_lag_bound_s(
    motion: tuple[float, float],
    log_t_s: FloatArray,
    log_sigma_mps: float,
    shown: Curve,
    *,
    shown_by_smoothing: Curve,
    shown_by_pitch: Curve,
    pitch_sigma: float,
) -> float:
    """Bound of the total lag where nobody knows the speed curve, the smoothing and the pitch.

    Then only what motion and log show differently tells, and an error of the gain that follows
    acceleration looks much like another smoothing. Both noises are put on the log's samples, as
    densities that add.

    Parameters
    ----------
    motion : (float, float)
        White noise of the motion signal, m/s, and its samples a second.
    log_t_s : ndarray
        Sample times of the log.
    log_sigma_mps : float
        Its white noise.
    shown : callable
        Speed that the receiver shows, without noise, at log times.
    shown_by_smoothing, shown_by_pitch : callable
        Derivative of `shown` by the smoothing at the same total, and what the receiver would make
        of speed times acceleration.
    pitch_sigma : float
        Prior standard deviation of the gain that follows acceleration, s^2/m.
    """
    step_s = float(np.median(np.diff(log_t_s)))
    sigma = math.hypot(log_sigma_mps, motion[0] / math.sqrt(motion[1] * step_s))
    others = [(shown_by_smoothing(log_t_s), math.inf), (shown_by_pitch(log_t_s), pitch_sigma)]
    return delay_bound_s(log_t_s, shown, sigma, others=others)
