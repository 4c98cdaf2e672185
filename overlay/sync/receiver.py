"""The receiver's model: true speed, smoothed by one pole and delayed.

``H(s) = exp(-s D) / (1 + s tau)``. On a steady ramp of slope a it reads ``a (D + tau)`` low,
so D + tau, the total lag, is what one launch shows best.
"""

from __future__ import annotations

import numpy as np

from overlay.errors import UsageError
from overlay.timebase import FloatArray


def apply_receiver(
    t_s: FloatArray,
    values: FloatArray,
    *,
    delay_s: float,
    smoothing_s: float,
    at_s: FloatArray,
) -> FloatArray:
    """What a receiver shows of a quantity, exact where that is linear between its samples.

    Parameters
    ----------
    t_s, values : ndarray of float, shape (n,)
        Samples of the truth; linear between, constant before the first and after the last.
    delay_s : float
        D, pure delay in seconds, any sign.
    smoothing_s : float
        tau, time constant of the pole in seconds, >= 0.
    at_s : ndarray of float, shape (m,)
        When the receiver shows a value.

    Returns
    -------
    ndarray of float, shape (m,)
        Shown values. Before the first sample the receiver has settled on the first value.

    Raises
    ------
    UsageError
        If `smoothing_s` is negative or no sample is given.

    Examples
    --------
    A ramp of 3 m/s^2 through D = 0.5 s and tau = 0.3 s reads 2.40 m/s low:

    >>> t = np.array([0.0, 20.0])
    >>> shown = apply_receiver(t, 3 * t, delay_s=0.5, smoothing_s=0.3, at_s=np.array([15.0]))
    >>> round(float(45.0 - shown[0]), 6)
    2.4
    """
    if smoothing_s < 0:
        raise UsageError(f"smoothing {smoothing_s} s is negative: give 0 or more")
    if not len(t_s):
        raise UsageError("no samples to smooth: give at least one")
    when = at_s - delay_s
    if smoothing_s < 1e-9 or len(t_s) == 1:
        return np.interp(when, t_s, values)
    filtered = _filtered(t_s, values, smoothing_s)
    left = np.clip(np.searchsorted(t_s, when, side="right") - 1, 0, len(t_s) - 1)
    slope = np.append(np.diff(values) / np.diff(t_s), 0.0)[left]
    since = np.maximum(when - t_s[left], 0.0)
    settled = values[left] + slope * (since - smoothing_s)
    start = filtered[left] - (values[left] - slope * smoothing_s)
    shown: FloatArray = settled + start * np.exp(-since / smoothing_s)
    return np.where(when <= t_s[0], values[0], shown)


def _filtered(t_s: FloatArray, values: FloatArray, smoothing_s: float) -> FloatArray:
    """Output of the pole at the samples themselves (first-order hold)."""
    step = np.diff(t_s)
    slope = np.diff(values) / step
    keep = np.exp(-step / smoothing_s)
    out = np.empty(len(t_s))
    out[0] = state = float(values[0])
    for i in range(len(step)):
        ramp = slope[i] * smoothing_s
        state = float(values[i + 1] - ramp + (state - values[i] + ramp) * keep[i])
        out[i + 1] = state
    return out
