"""Whether a course of the cycle rate is the true one, or a simple multiple or part of it.

The whole stretch is unrolled over its cycles and long frames resolve orders that lie a sixth
apart. A multiple is judged by what it must explain: orders that are there and lie on its comb
speak for it, orders that are there and do not lie on its comb speak against it, and places of its
comb that are empty speak against it. A missing first harmonic is one empty place of many.
"""

from __future__ import annotations

import numpy as np

from overlay.engine.comb_model import Float32
from overlay.engine.cycles import FiringCourse, unrolled
from overlay.engine.firing import Firing
from overlay.timebase import FloatArray

PARTS = 6
FRAME_CYCLES = 12
PER_CYCLE = 64
TOP_ORDER = 15
WELL_BELOW = 2.5  # 11 dB, as a logarithm of power
# of the course's rate, in sixths
MULTIPLES: tuple[int, ...] = (2, 3, 4, 6, 9, 12, 18)


def presence(samples: Float32, rate_hz: float, course: FiringCourse) -> FloatArray | None:
    """Log contrast of each sixth of an order over its surroundings; None if too short.

    Returns
    -------
    ndarray, shape (PARTS * TOP_ORDER + 1,)
        Element m belongs to order ``m / PARTS`` of the course's rate.
    """
    turned, _ = unrolled(samples, rate_hz, course, PER_CYCLE)
    cycles = FRAME_CYCLES if len(turned) >= FRAME_CYCLES * PER_CYCLE else FRAME_CYCLES // 2
    size = cycles * PER_CYCLE
    if len(turned) < size:
        return None
    starts = np.arange(0, len(turned) - size + 1, size // 4)
    window = np.hanning(size + 2)[1:-1].astype(np.float32)
    spectrum = np.zeros((TOP_ORDER + 2) * cycles)
    for start in starts:
        piece = turned[start : start + size] * window[:, None]
        power = np.sum(np.abs(np.fft.rfft(piece, axis=0)) ** 2, axis=1)
        spectrum += np.log(power[: len(spectrum)] + 1e-6 * np.mean(power) + 1e-15)
    spectrum /= len(starts)
    floor = _floor(spectrum, cycles)
    step = cycles // PARTS
    above = spectrum - floor
    return np.asarray(above[: TOP_ORDER * cycles + 1 : step])


def _floor(spectrum: FloatArray, reach: int) -> FloatArray:
    """Lower third of the surroundings of each bin."""
    padded = np.pad(spectrum, reach, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    return np.asarray(np.percentile(windows, 35, axis=1))


def multiple_scores(above: FloatArray, firing: Firing) -> dict[int, float]:
    """How well each multiple (in sixths of the course's rate) explains the orders, in nats or so.

    `above` comes from :func:`presence`.
    """
    least = np.full(len(above), 0.5)
    if firing.cylinders > 1:  # what cylinders differ by is heard too, but well below the firing
        wide = np.pad(above, 2 * PARTS, mode="edge")
        windows = np.lib.stride_tricks.sliding_window_view(wide, 4 * PARTS + 1)
        least = np.maximum(least, np.max(windows, axis=1) - WELL_BELOW)
    there = np.clip((above - least) / 0.5, -1.0, 2.0)
    there[:3] = 0.0  # below half an order lies the wind, and the direct current
    weight = 1.0 / (1.0 + np.arange(len(there)) / PARTS / 6.0)
    total = float(np.sum(np.maximum(there, 0.0) * weight))
    scores = {}
    for multiple in MULTIPLES:
        places = np.arange(multiple, len(there), multiple)
        value = there[places]
        gain = float(np.sum(value * weight[places]))
        explained = float(np.sum(np.maximum(value, 0.0) * weight[places]))
        scores[multiple] = gain - (total - explained)
    return scores
