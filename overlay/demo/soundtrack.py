"""What the camera hears: the engine's firing, wind, tyres and a marshal's whistle.

A single-cylinder four-stroke fires once in two turns, so the firing rate is ``rpm / 120`` hertz
(elementary). The sound is built from the integral of that rate, so its phase follows the true
engine speed at every sample. Sound time equals footage time: sample 0 belongs to the first frame.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.integrate import cumulative_trapezoid

from overlay.demo.vehicle import Motion
from overlay.timebase import FloatArray

RATE_HZ = 48000
CYCLE = 2048  # samples of one firing cycle's table


@dataclass(frozen=True)
class SoundSpec:
    """How loud each part is; 1 is the ordinary level, 0 leaves it out."""

    engine: float = 1.0
    wind: float = 1.0
    tyres: float = 1.0
    whistle: float = 1.0
    # Factor on the firing rate's first harmonic, which small microphones often lose.
    fundamental: float = 0.6
    drive: float = 1.0  # gain into the clipping stage; over 3 the record clips audibly
    rng_seed: int = 1


def soundtrack(motion: Motion, spec: SoundSpec | None = None) -> npt.NDArray[np.float32]:
    """Sound of a whole run: float32, shape (n, 2), left and right between -1 and 1 at 48 kHz."""
    spec = spec or SoundSpec()
    rng = np.random.default_rng([spec.rng_seed, 41])
    n = int(motion.duration_s * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    speed = motion.at("speed_mps", t)
    engine = 0.26 * spec.engine * _engine(motion, t, spec, rng)
    left, right = engine.copy(), np.roll(engine, 14)  # 0.3 ms: the exhaust is on the left
    gusts = 1 + 0.3 * _slow_noise(n, 3.0, rng)
    for side in (left, right):
        side += 0.10 * spec.wind * (speed / 12) ** 2 * gusts * _coloured(n, 20, 450, rng)
        side += 0.030 * spec.tyres * (speed / 12) * _coloured(n, 250, 1400, rng)
        side += 0.004 * _coloured(n, 60, 3000, rng)
    whistle = 0.09 * spec.whistle * _whistle(motion, t)
    stereo = np.stack([left + 1.2 * whistle, right + 0.7 * whistle], 1)
    return np.asarray(np.tanh(spec.drive * stereo), np.float32)


def firing_phase(motion: Motion, t_s: FloatArray) -> FloatArray:
    """Number of firings since footage time 0, the integral of rpm / 120."""
    turns = cumulative_trapezoid(motion.engine_rpm / 120, motion.t_s, initial=0)
    return np.interp(t_s, motion.t_s, turns)


def _engine(motion: Motion, t: FloatArray, spec: SoundSpec, rng: np.random.Generator) -> FloatArray:
    phase = firing_phase(motion, t)
    load = 0.35 + 0.65 * motion.at("throttle", t)
    cycle = np.floor(phase).astype(int)
    strength = 1 + 0.08 * rng.standard_normal(int(cycle[-1]) + 2)  # no two firings are alike
    at = np.arange(CYCLE + 1) / CYCLE
    within = phase - cycle
    tones = sum(
        share * np.interp(within, at, _cycle_table(spec, steepness))
        for steepness, share in ((0.75, load), (1.5, 1 - load))
    )
    rasp = np.exp(-7 * within) * _coloured(len(t), 700, 4000, rng)
    rpm = motion.at("engine_rpm", t)
    loud = (0.45 + 0.55 * load) * np.clip(rpm / 3000, 0.45, 1.3)
    return np.asarray(loud * strength[cycle] * (tones + 0.22 * load * rasp))


def _cycle_table(spec: SoundSpec, steepness: float) -> FloatArray:
    """One firing cycle: 48 harmonics falling with order, with two broad exhaust resonances."""
    order = np.arange(1, 49)
    level = order**-steepness * (1 + 0.9 * np.exp(-(((order - 4) / 2.0) ** 2)))
    level = level * (1 + 0.6 * np.exp(-(((order - 13) / 4.0) ** 2)))
    level[0] *= spec.fundamental
    angle = np.arange(CYCLE + 1) / CYCLE * 2 * np.pi
    shift = 0.9 * order**1.3
    wave = (level[:, None] * np.cos(order[:, None] * angle[None, :] + shift[:, None])).sum(0)
    return np.asarray(wave / np.sqrt(np.mean(wave**2)))


def _coloured(n: int, low_hz: float, high_hz: float, rng: np.random.Generator) -> FloatArray:
    """Noise between two frequencies, standard deviation 1, two seconds or more of it looped."""
    size = min(n, 1 << 18)
    tones = np.fft.rfft(rng.standard_normal(size))
    rate = np.fft.rfftfreq(size, 1 / RATE_HZ)
    shape = (rate / low_hz) ** 2 / (1 + (rate / low_hz) ** 2) / (1 + (rate / high_hz) ** 2)
    noise = np.fft.irfft(tones * shape, size)
    return np.asarray(np.resize(noise / noise.std(), n))


def _slow_noise(n: int, rate_hz: float, rng: np.random.Generator) -> FloatArray:
    knots = rng.standard_normal(int(n / RATE_HZ * rate_hz) + 3)
    return np.interp(np.arange(n) / RATE_HZ * rate_hz, np.arange(len(knots)), knots)


def _whistle(motion: Motion, t: FloatArray) -> FloatArray:
    """A pea whistle just before the throttle opens; none when the cart never rests."""
    if not np.isfinite(motion.launch_s):
        return np.zeros_like(t)
    start = max(0.05, motion.launch_s - 0.75)
    inside = np.clip(np.minimum(t - start, start + 0.45 - t) / 0.02, 0, 1)
    trill = 2750 + 130 * np.sin(2 * np.pi * 31 * t)
    return np.asarray(inside * np.sin(2 * np.pi * np.cumsum(trill) / RATE_HZ))
