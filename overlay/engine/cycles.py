"""The sound unrolled over the engine's working cycles, where its harmonics stand still.

Given a rough course of the cycle rate, the sound is read at even steps of the engine's phase. In
frames of whole cycles the harmonics then lie on whole orders, except for what the course got
wrong; the error is read off all harmonics together, each weighted by how far it stands above the
noise around it (maximum likelihood for known noise and unknown strengths).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from overlay.engine.comb_model import Float32, low_passed
from overlay.timebase import FloatArray

FRAME_CYCLES = 5
STEP_CYCLES = 0.5
PER_CYCLE = 48
HARMONICS = 16


@dataclass(frozen=True, eq=False)
class FiringCourse:
    """Cycle rate over time, fit to be integrated."""

    t_s: FloatArray  # shape (n,): even times
    cycle_hz: FloatArray  # shape (n,): rate, > 0

    @property
    def phase(self) -> FloatArray:
        """Cycles passed since the first time (trapezium rule)."""
        from scipy.integrate import cumulative_trapezoid

        return np.asarray(cumulative_trapezoid(self.cycle_hz, self.t_s, initial=0))


@dataclass(frozen=True, eq=False)
class Refined:
    """Rate found around a rough course."""

    # Shape (n,): frame centres, rate, and its standard uncertainty from the noise.
    t_s: FloatArray
    cycle_hz: FloatArray
    sigma_hz: FloatArray
    # Shape (n,): mean log contrast of the harmonics against the places half-way between them.
    contrast: FloatArray


def unrolled(
    samples: Float32, rate_hz: float, course: FiringCourse, per_cycle: int
) -> tuple[Float32, FloatArray]:
    """Sound at even steps of phase, shape (m, channels), and the times of these steps.

    It is read densely first and then passed through a filter over phase, so that no noise folds
    down onto the harmonics.
    """
    phase = course.phase
    folds = max(1, int(np.ceil(rate_hz / float(course.cycle_hz.min()) / per_cycle)))
    dense = per_cycle * folds
    steps = np.arange(int(phase[-1] * dense)) / dense
    t_s = np.interp(steps, phase, course.t_s)
    grid = np.arange(len(samples)) / rate_hz
    columns = [np.interp(t_s, grid, samples[:, c]) for c in range(samples.shape[1])]
    turned = np.stack(columns, axis=1).astype(np.float32)
    if folds > 1 and len(turned):
        turned, _ = low_passed(turned, dense, per_cycle, multiple=folds)
    return turned, np.interp(np.arange(len(turned)) / per_cycle, phase, course.t_s)


def refine(
    samples: Float32,
    rate_hz: float,
    course: FiringCourse,
    *,
    reach: float,
    chirps: FloatArray,
) -> Refined | None:
    """Rate at each half cycle around a rough course; None when that is shorter than a frame.

    Parameters
    ----------
    samples : ndarray of float32, shape (n, channels)
        Free of anything above a third of the rate, so that straight lines interpolate it.
    reach : float
        Largest relative error of the course that is looked for.
    chirps : ndarray
        Relative changes of rate within a frame that are tried.
    """
    turned, when = unrolled(samples, rate_hz, course, PER_CYCLE)
    size = FRAME_CYCLES * PER_CYCLE
    starts = np.arange(0, len(turned) - size, round(STEP_CYCLES * PER_CYCLE))
    if not len(starts):
        return None
    deltas = np.linspace(-reach, reach, 2 * max(4, round(reach * HARMONICS * FRAME_CYCLES)) + 1)
    u = (np.arange(size) - (size - 1) / 2) / PER_CYCLE
    window = np.hanning(size + 2)[1:-1]
    orders = np.arange(1, HARMONICS + 1)
    frames = [turned[starts[:, None] + np.arange(size)[None, :], c] for c in range(turned.shape[1])]
    level = _power(frames, u, window, orders)
    noise = np.minimum(
        _noise(turned, starts, size, 1, level), _noise(turned, starts, size, 2, level)
    )
    best = np.full(len(starts), -np.inf)
    curves = np.zeros((len(starts), len(deltas)))
    for chirp in chirps:
        score = np.zeros((len(starts), len(deltas)))
        for j, delta in enumerate(deltas):
            moved = (1 + delta) * u + chirp / FRAME_CYCLES * u**2 / 2
            power = _power(frames, moved, window, orders)
            score[:, j] = np.sum(power / noise, axis=1)
        top = np.max(score, axis=1)
        curves = np.where((top > best)[:, None], score, curves)
        best = np.maximum(best, top)
    shift = _peak(curves, deltas)
    centre = starts + (size - 1) / 2
    t_s = np.interp(centre, np.arange(len(when)), when)
    rate = np.interp(t_s, course.t_s, course.cycle_hz) * (1 + shift)
    information = np.sum(orders**2 * np.maximum(level / noise - 1.0, 0.0), axis=1)
    sigma = rate * _relative_sigma(information, u, window)
    return Refined(t_s, rate, sigma, _contrast(level, noise))


def _power(
    frames: list[Float32], turns: FloatArray, window: FloatArray, orders: npt.NDArray[Any]
) -> FloatArray:
    """Power of the windowed frames at orders of a phase course, summed over channels."""
    angle = 2 * np.pi * turns[:, None] * orders[None, :]
    real = (window[:, None] * np.cos(angle)).astype(np.float32)
    imag = (window[:, None] * np.sin(angle)).astype(np.float32)
    total = np.zeros((len(frames[0]), len(orders)))
    for part in frames:
        total += (part @ real) ** 2 + (part @ imag) ** 2
    return total


def _noise(
    turned: Float32, starts: npt.NDArray[np.int64], size: int, times: int, level: FloatArray
) -> FloatArray:
    """Noise under the harmonics: power half-way between them, smoothed over time and order.

    Frames `times` as long lower what leaks from strong harmonics, unless the rate changes fast;
    either leak only adds, so the lesser of two lengths is the better answer.
    """
    from scipy.ndimage import uniform_filter

    reach = (times - 1) * size // 2
    padded = np.pad(turned, ((reach, reach), (0, 0)), mode="reflect" if reach else "constant")
    length = size * times
    rows = starts[:, None] + np.arange(length)[None, :]
    frames = [padded[rows, c] for c in range(turned.shape[1])]
    u = (np.arange(length) - (length - 1) / 2) / PER_CYCLE
    window = np.hanning(length + 2)[1:-1]
    between = _power(frames, u, window, np.arange(level.shape[1] + 1) + 0.5) / times
    pair = (between[:, 1:] + between[:, :-1]) / 2
    noise = uniform_filter(pair, (min(9, len(pair)) | 1, 3), mode="nearest")
    return np.asarray(np.maximum(noise, 1e-6 * np.max(level, axis=1, keepdims=True) + 1e-15))


def _contrast(level: FloatArray, noise: FloatArray) -> FloatArray:
    weight = 1.0 / (1.0 + np.arange(1, level.shape[1] + 1) / 8.0)
    ratio = np.clip(np.log(np.maximum(level, 1e-15) / noise), -2.0, 4.0)
    return np.asarray(ratio @ (weight / weight.sum()))


def _peak(curves: FloatArray, deltas: FloatArray) -> FloatArray:
    """Place of each row's largest value, refined by a parabola."""
    i = np.clip(np.argmax(curves, axis=1), 1, len(deltas) - 2)
    rows = np.arange(len(curves))
    low, mid, high = curves[rows, i - 1], curves[rows, i], curves[rows, i + 1]
    bow = low - 2 * mid + high
    safe = np.where(bow < 0, bow, -1.0)
    share = np.clip(np.where(bow < 0, (low - high) / (2 * safe), 0.0), -1, 1)
    return np.asarray(deltas[i] + share * (deltas[1] - deltas[0]))


def _relative_sigma(information: FloatArray, u: FloatArray, window: FloatArray) -> FloatArray:
    """Standard deviation of rate over rate, from the power ratios of the harmonics.

    With s the ratio of a tone's power to the noise's in the window's spectrum, the frequency
    estimate's variance is ``sum(w^2 u^2) (sum w)^2 / (2 (2 pi)^2 s sum(w^2) (sum(w u^2))^2)``
    for u in cycles (first-order error of the spectrum's peak; from memory, after Kay 1993).
    """
    second = np.sum(window * u**2)
    spread = np.sum(window**2 * u**2) / np.sum(window**2)
    variance = spread * np.sum(window) ** 2 / (2 * (2 * np.pi) ** 2 * second**2)
    return np.asarray(np.sqrt(variance / np.maximum(information, 1e-3)))
