"""Motion and log of runs whose truth is known, made for the tests."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from overlay.motion.model import MotionSignal
from overlay.series import Series
from overlay.sync.receiver import apply_receiver

Curve = Callable[[np.ndarray], np.ndarray]
FINE_S = 0.01


def launch(at_s: float = 1.0, vmax: float = 15.0, rise_s: float = 3.0) -> Curve:
    return lambda t: vmax * (1 - np.exp(-np.maximum(t - at_s, 0.0) / rise_s))


def two_launches(t: np.ndarray) -> np.ndarray:
    return np.interp(t, [2, 5, 7, 8, 10, 13, 13.5], [0, 8, 8, 6, 12, 0, 0])


def motion_of(
    curve: Curve,
    rng: np.random.Generator,
    *,
    length_s: float = 15.0,
    fps: float = 30.0,
    sigma_mps: float = 0.4,
) -> MotionSignal:
    fine = np.arange(-1.0, length_s + 1.0, FINE_S)
    speed = curve(fine)
    way = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2 * FINE_S)])
    frames = np.arange(0.0, length_s, 1 / fps)
    shown = np.diff(np.interp(frames, fine, way)) * fps
    shown = shown + rng.normal(0.0, sigma_mps, len(shown))
    scale = 1 / max(float(np.percentile(np.abs(shown), 98)), 1e-9)
    middle = (frames[1:] + frames[:-1]) / 2
    n = len(middle)
    return MotionSignal(
        middle,
        np.full(n, 1 / fps),
        shown * scale,
        np.ones(n),
        np.full(n, sigma_mps * scale),
        moving_share=0.9,
    )


def log_of(
    curve: Curve,
    rng: np.random.Generator,
    *,
    start_s: float = -20.0,
    end_s: float = 40.0,
    rate_hz: float = 10.0,
    sigma_mps: float = 0.07,
    delay_s: float = 0.6,
    smoothing_s: float = 0.3,
    step_mps: float = 0.0,
) -> Series:
    fine = np.arange(start_s - 10.0, end_s + 10.0, FINE_S)
    at = np.arange(start_s, end_s, 1 / rate_hz)
    shown = apply_receiver(fine, curve(fine), delay_s=delay_s, smoothing_s=smoothing_s, at_s=at)
    shown = shown + rng.normal(0.0, sigma_mps, len(at))
    if step_mps:
        shown = np.rint(np.maximum(shown, 0.0) / step_mps) * step_mps
    return Series("speed_mps", at, shown)
