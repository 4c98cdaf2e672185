"""What a rounded log says: not a value with an error, but between which two values the speed lies.

Half a step either side of the figure shown, anything is as likely. Taking that for white noise of
step^2/12 wastes what the changes from one figure to the next tell, and such errors average out
better than noise does. So each figure is replaced by a value with a normal error of its own, such
that the speed's mean and variance come out as by its two limits (expectation propagation; Minka
2001, UAI 17:362; stated from memory). The size of the receiver's noise before rounding follows by
expectation-maximisation.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from overlay.motion.model import BoolArray
from overlay.series import Series
from overlay.sync.fit import LOG_NOISE_MPS, LOG_NOISE_SAMPLES, Fit, fitted
from overlay.sync.joint import Evidence, log_part
from overlay.sync.solve import factored, newton_step, precision
from overlay.sync.spline import Rows
from overlay.timebase import FloatArray

Rounding = Literal["nearest", "down", "unknown"]

COARSE_STEP_MPS = 0.2  # of a finer log half a step is less than a receiver's own noise
ROUNDS = 8
SETTLED = 0.02  # relative change of the noise's size that ends the rounds
NOISE_ROUNDS = 4
LEAST_NOISE_STEPS = 0.02
FARTHEST = 6.0  # sigmas outside its limits; what lies further off is handled as if there
LEAST_TOLD = 1e-4  # of what an exact value would tell
NEAR_MOVING_S = 0.25  # zeros this close to other figures may hide a vehicle that creeps
LEAST_SHOWN_STEPS = 0.25  # and it does not creep backward: only noise is below 0


def raised(speed: Series, by_mps: float) -> Series:
    """A log whose figures were cut off, in the middle of what each stands for; 0 stays, as at rest.

    Parameters
    ----------
    speed : Series
        m/s, as shown.
    by_mps : float
        Half a step.

    Examples
    --------
    >>> log = Series("speed_mps", np.arange(3.0), np.array([0.0, 1.0, 2.0]))
    >>> raised(log, 0.5).values.tolist()
    [0.0, 1.5, 2.5]
    """
    return replace(speed, values=np.where(speed.values > 0, speed.values + by_mps, speed.values))


@dataclass(frozen=True, eq=False)
class Cut:
    """What it does to a normal variable to be known to lie between two limits."""

    # shape (m,): first derivative by the mean of the log probability to lie between, and minus the
    # second
    pull: FloatArray
    told: FloatArray


def cut(mean: FloatArray, sigma: FloatArray, low: FloatArray, high: FloatArray) -> Cut:
    """Derivatives of the log probability that a normal variable lies between two limits.

    Parameters
    ----------
    mean, sigma : ndarray, shape (m,)
        Of the variable.
    low, high : ndarray, shape (m,)
        Finite limits.

    Examples
    --------
    Known to lie between -1 and 1, a standard normal variable keeps 0.2911 of its variance:

    >>> one = np.ones(1)
    >>> middle = cut(0 * one, one, -one, one)
    >>> round(float(1 - middle.told[0]), 4)
    0.2911
    """
    from scipy.special import ndtr

    a, b = (low - mean) / sigma, (high - mean) / sigma
    off = np.maximum(a - FARTHEST, 0.0) + np.minimum(b + FARTHEST, 0.0)
    a, b = a - off, b - off
    share = np.where(a > 0, ndtr(-a) - ndtr(-b), ndtr(b) - ndtr(a))  # exact in the left tail
    at_a, at_b = (np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi) / share for z in (a, b))
    pull = at_a - at_b
    told = np.clip(pull**2 + b * at_b - a * at_a, LEAST_TOLD, 1.0)
    return Cut(pull / sigma, told / sigma**2)


def variances(factor: FloatArray, rows: Rows) -> FloatArray:
    """Variance of each row's value, shape (m,), m^2/s^2, from the coefficients' precision.

    Only the band of the inverse is found, from its end (Takahashi, Fagan and Chen 1973, PICA 8;
    stated from memory).

    Parameters
    ----------
    factor : ndarray, shape (band + 1, size)
        Cholesky factor of the precision, lower banded form.
    rows : Rows
        No wider than the band and one.
    """
    band, size = len(factor) - 1, factor.shape[1]
    inverse = np.zeros((band + 1, size + band))
    later = np.zeros((band, band))  # covariance of the coefficients that follow
    for j in range(size - 1, -1, -1):
        own, below = factor[0, j], factor[1:, j]
        across = -(later @ below) / own
        inverse[0, j] = (1 / own - below @ across) / own
        inverse[1:, j] = across
        later[1:, 1:] = later[:-1, :-1].copy()
        later[0, 0] = inverse[0, j]
        later[0, 1:] = later[1:, 0] = across[:-1]
    out = np.zeros(len(rows))
    for k in range(rows.values.shape[1]):
        for i in range(k + 1):
            both = rows.values[:, i] * rows.values[:, k] * (1.0 if i == k else 2.0)
            out += both * inverse[k - i, np.minimum(rows.first + i, size)]
    return out


@dataclass(frozen=True, eq=False)
class Limits:
    """Between which values each logged speed lies before rounding, m/s, shape (m,) each.

    `usual` is the relative size of its noise, `weight` how far it is trusted, `rests` whether the
    vehicle stands.
    """

    low: FloatArray
    high: FloatArray
    usual: FloatArray
    weight: FloatArray
    rests: BoolArray


def _limits(evidence: Evidence, weight: FloatArray) -> Limits:
    step, shown, t_s = evidence.log_step_mps, evidence.log, evidence.log_t_s
    zero = np.abs(shown) < step / 4
    moving = np.concatenate([[-np.inf], t_s[~zero], [np.inf]])
    after = np.searchsorted(moving, t_s)
    near = np.minimum(moving[after] - t_s, t_s - moving[after - 1]) < NEAR_MOVING_S
    low = shown - step * np.where(zero, LEAST_SHOWN_STEPS, 0.5)
    over = np.abs(shown[~zero] / step % 1 - 0.5)
    cut_off = bool(len(over)) and float(np.median(over)) < 0.25  # then 0 stands for a whole step
    high = shown + step * np.where(zero & cut_off, 1.0, 0.5)
    return Limits(low, high, evidence.log_scale, weight, zero & ~near)


def _told(evidence: Evidence, fit: Fit) -> tuple[FloatArray, FloatArray]:
    """Mean and variance of the speed the receiver would show unrounded, by all that is known."""
    plain = replace(evidence, log_scale=np.ones(len(evidence.log)))
    part = log_part(plain, fit.point, 0.0, fit.weights.log)
    p = precision(evidence, fit.noise)
    f = factored(fit.system, p)
    *_, covariance, _ = newton_step(fit.system, p, fit.point)
    border = part.columns - np.stack([part.rows.times(c) for c in f.solved.T], axis=1)
    variance = np.einsum("ij,jk,ik->i", border, covariance, border)
    return evidence.log - part.misfit, variance + variances(f.factor, part.rows)


def _noise(mean: FloatArray, variance: FloatArray, limits: Limits, sigma_mps: float) -> float:
    """One step towards the likeliest size of the noise before rounding.

    `mean` and `variance` are of each speed by all but its own figure.
    """
    own = (sigma_mps * limits.usual) ** 2
    c = cut(mean, np.sqrt(variance + own), limits.low, limits.high)
    square = (own + own**2 * (c.pull**2 - c.told)) / limits.usual**2
    total = float(limits.weight @ square) + LOG_NOISE_SAMPLES * LOG_NOISE_MPS**2
    return float(np.sqrt(total / (float(np.sum(limits.weight)) + LOG_NOISE_SAMPLES)))


def unrounded(evidence: Evidence, fit: Fit) -> tuple[Evidence, Fit]:
    """Evidence whose log has a value and an error of its own in place of each rounded figure.

    Parameters
    ----------
    evidence : Evidence
        With a log in steps of ``log_step_mps``, > 0.
    fit : Fit
        A fit to it that takes rounding for white noise.

    Returns
    -------
    Evidence, Fit
        Of the same grid, motion and times. The log's noise is no more to be estimated.
    """
    limits = _limits(evidence, fit.weights.log)
    least = LEAST_NOISE_STEPS * evidence.log_step_mps
    sigma = LOG_NOISE_MPS
    now = replace(evidence, log_known=True, log_joined=np.zeros(len(evidence.log), dtype=np.bool_))
    for _ in range(ROUNDS):
        mean, variance = _told(now, fit)
        site = (fit.noise.log_mps * now.log_scale) ** 2
        rest = np.maximum(1 / variance - limits.weight / site, 1e-6)
        mean = (mean / variance - limits.weight * now.log / site) / rest
        before = sigma
        for _ in range(NOISE_ROUNDS):
            sigma = max(_noise(mean, 1 / rest, limits, sigma), least)
        own = (sigma * limits.usual) ** 2
        c = cut(mean, np.sqrt(1 / rest + own), limits.low, limits.high)
        now = replace(
            now,
            log=np.where(limits.rests, 0.0, mean + c.pull / c.told),
            log_scale=np.sqrt(np.where(limits.rests, own, 1 / c.told - 1 / rest)) / sigma,
        )
        noise = replace(fit.noise, log_mps=sigma, log_colour=0.0)
        fit = fitted(now, fit.point, noise, fit.weights)
        if abs(sigma - before) < SETTLED * before:
            break
    return now, fit
