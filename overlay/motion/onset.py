"""The instant at which the vehicle starts to move, as the picture shows it.

A seed and a check for the alignment, not the estimate: at 3 m/s^2 an uncertainty of 0.1 m/s is
33 ms already.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from overlay.motion.model import MotionSignal, used
from overlay.timebase import FloatArray

# The level that counts as well under way, and for how long; a shake by hand does not keep it up.
_UNDER_WAY = 0.15
_HOLD_S = 0.5
_LEAST_STILL_S = 0.2
_FIT_TOP = 0.35
# How long the acceleration takes to grow: a clutch and a throttle take a quarter of a second
# (common practice, no source), an electric motor hardly any.
_SOFTNESS_S = np.array([0.005, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.55, 0.6])
_USUAL_SOFTNESS_S = 0.3
_ALIKE = 1.4  # neighbouring values err alike: they tell as much as fewer would


@dataclass(frozen=True)
class Onset:
    """First instant of motion."""

    t_s: float  # Footage time
    sigma_s: float  # Standard uncertainty, seconds
    # The part of it that comes from not knowing how softly the vehicle sets off, which is the
    # clutch's and the driver's and so about the same in all runs of a day
    soft_sigma_s: float = 0.0


def motion_onset(signal: MotionSignal) -> Onset | None:
    """First instant of lasting motion; None if the clip starts while moving or never moves.

    Rest, then a ramp that sets in softly and may bend, is fitted to the values around the first
    lasting rise; where it leaves rest is the onset. How soft the start is can hardly be told, and
    sigma holds that.

    Parameters
    ----------
    signal : MotionSignal

    Returns
    -------
    Onset or None
    """
    good = used(signal)
    if signal.reason is not None or int(good.sum()) < 8:
        return None
    t, value = signal.t_s[good], signal.forward[good]
    sigma = np.maximum(signal.sigma[good], 1e-4)
    rise = _first_lasting(t, value)
    if rise is None or t[rise] - t[0] < _LEAST_STILL_S:
        return None
    start = _fit_window_start(t, value, rise)
    stop = rise
    while stop + 1 < len(t) and value[stop] < _FIT_TOP and t[stop] - t[rise] < 1.5:
        stop += 1
    window = slice(start, stop + 1)
    return _fit_break(t[window], value[window], sigma[window])


def _first_lasting(t: FloatArray, value: FloatArray) -> int | None:
    """Index at which the signal first stays well under way for a while."""
    above = value > _UNDER_WAY
    for k in np.flatnonzero(above):
        hold = (t >= t[k]) & (t <= t[k] + _HOLD_S)
        if hold.sum() >= 3 and np.mean(above[hold]) > 0.9 and t[-1] >= t[k] + 0.5 * _HOLD_S:
            return int(k)
    return None


def _fit_window_start(t: FloatArray, value: FloatArray, rise: int) -> int:
    """Up to two seconds before the signal last was near zero."""
    k = rise
    while k > 0 and value[k] > 0.03:
        k -= 1
    return int(np.searchsorted(t, t[k] - 2.0))


def _fit_break(t: FloatArray, value: FloatArray, sigma: FloatArray) -> Onset | None:
    """Mean and spread of the break over all soft starts, each as likely as it fits.

    The start is ``b + a s(t - t0) + c s(t - t0)^2``, where the slope of s grows evenly from 0 to 1
    over the softness and stays so.
    """
    if len(t) < 6:
        return None
    step = float(np.median(np.diff(t)))
    breaks = np.arange(t[0] + 2 * step, t[-1] - 2 * step, min(step / 3, 0.01))
    if not len(breaks):
        return None
    chi2, slope, offset = _costs(t, value, sigma, breaks)
    spare = max(len(t) - 5, 1)
    # Where even the best start strays by more than sigma says, sigma is too small.
    scale = _ALIKE * max(float(chi2.min()) / spare, 1.0)
    log = -0.5 * chi2 / scale - _SOFTNESS_S / _USUAL_SOFTNESS_S
    log = np.where(slope > 0, log, -np.inf)
    if not np.isfinite(log).any():
        return None
    share = np.exp(log - log.max())
    share /= share.sum()
    best = np.unravel_index(int(np.argmax(share)), share.shape)
    mean = float(np.sum(share * breaks[:, None]))
    spread = float(np.sqrt(np.sum(share * (breaks[:, None] - mean) ** 2)))
    if offset[best] > _UNDER_WAY or mean - t[0] < _LEAST_STILL_S / 2:
        return None
    weight = share.sum(axis=0)
    means = (breaks @ share) / np.maximum(weight, 1e-300)
    soft = float(np.sqrt(weight @ (means - mean) ** 2))
    return Onset(mean, float(np.hypot(spread, step / 4)), soft)


def _costs(
    t: FloatArray, value: FloatArray, sigma: FloatArray, breaks: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Misfit, slope and offset for each break and softness, shape (breaks, softnesses)."""
    past = np.maximum(t - breaks[:, None, None], 0.0)
    soft = _SOFTNESS_S[:, None]
    ramp = np.where(past < soft, past * past / (2 * soft), past - soft / 2)
    design = np.stack([np.ones_like(ramp), ramp, ramp * ramp], axis=-1) / sigma[:, None]
    target = value / sigma
    normal = np.swapaxes(design, -1, -2) @ design
    normal[..., range(3), range(3)] *= 1 + 1e-9
    normal[..., range(3), range(3)] += 1e-9
    found = np.linalg.solve(normal, np.swapaxes(design, -1, -2) @ target[:, None])
    rest = (design @ found)[..., 0] - target
    cost: FloatArray = np.sum(np.minimum(rest * rest, 25.0), axis=-1)
    return cost, np.asarray(found[..., 1, 0]), np.asarray(found[..., 0, 0])
