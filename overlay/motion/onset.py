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
_ROOT_STEPS = 120
_SOFTEST_S = 0.6  # longest that clutch and throttle take up: common practice, no source
_ALIKE = 2.0


@dataclass(frozen=True)
class Onset:
    """First instant of motion.

    Attributes
    ----------
    t_s : float
        Footage time.
    sigma_s : float
        Standard uncertainty, seconds.
    """

    t_s: float
    sigma_s: float


def motion_onset(signal: MotionSignal) -> Onset | None:
    """First instant of lasting motion; None if the clip starts while moving or never moves.

    A broken line (rest, then a ramp with a bend) is fitted to the values around the first lasting
    rise; where the ramp leaves rest is the onset.

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
    """Mean and spread of the break t0 over all starts that fit, sharp or soft.

    A clutch takes up and a throttle opens over a time r, unknown up to `_SOFTEST_S`: until then
    the speed grows with the square of time, from then on in line. A sharp corner alone would put
    the start of a soft one late by about r/2.
    """
    if len(t) < 6:
        return None
    step = float(np.median(np.diff(t)))
    tries = np.linspace(t[0] + 2 * step, t[-1] - 2 * step, _ROOT_STEPS)
    costs = np.array([_break_cost(t, value, sigma, x, 0.0)[0] for x in tries])
    corner = float(tries[int(np.argmin(costs))])
    _, slope, offset = _break_cost(t, value, sigma, corner, 0.0)
    if slope <= 0 or offset > _UNDER_WAY or corner - t[0] < _LEAST_STILL_S / 2:
        return None
    softness = np.linspace(0.0, _SOFTEST_S, 13)
    starts = np.arange(max(t[0], corner - _SOFTEST_S), corner + 0.1, min(step / 3, 0.01))
    grid = np.array([[_break_cost(t, value, sigma, x, r) for r in softness] for x in starts])
    cost = np.where(grid[..., 1] > 0, grid[..., 0], np.inf)
    # Noise is taken as large as the best misfit says, and its neighbours as half alike.
    free = max(len(t) - 5, 1)
    scale = _ALIKE * max(float(np.min(cost)) / free, 1e-12)
    chance = np.exp(-(cost - np.min(cost)) / (2 * scale)).sum(axis=1)
    chance /= chance.sum()
    best = float(chance @ starts)
    spread = float(np.sqrt(chance @ (starts - best) ** 2))
    return Onset(best, float(np.hypot(spread, step / 4)))


def _break_cost(
    t: FloatArray, value: FloatArray, sigma: FloatArray, at_s: float, soft_s: float
) -> tuple[float, float, float]:
    """Weighted misfit, slope and offset of the best start at `at_s`, soft over `soft_s`."""
    gone = np.maximum(t - at_s, 0.0)
    ramp = gone
    if soft_s > 0:
        ramp = np.where(gone < soft_s, gone * gone / (2 * soft_s), gone - soft_s / 2)
    design = np.stack([np.ones_like(t), ramp, ramp * ramp], axis=-1) / sigma[:, None]
    found, *_ = np.linalg.lstsq(design, value / sigma, rcond=None)
    rest = design @ found - value / sigma
    cost = float(np.sum(np.minimum(rest * rest, 25.0)))
    return cost, float(found[1]), float(found[0])
