"""Engine sounds with a known course, made without any code of the project's demo."""

from __future__ import annotations

import numpy as np

from overlay.footage.model import Sound
from overlay.timebase import FloatArray

RATE_HZ = 16000


def engine(
    rpm: FloatArray,
    rng: np.random.Generator,
    *,
    cylinders: int = 1,
    strokes: int = 4,
    harmonics: int = 30,
    missing: tuple[int, ...] = (),
    even_bias: float = 0.0,
) -> FloatArray:
    """A harmonic engine sound of standard deviation 1; `rpm` is given at every sample.

    Strengths and phases of the harmonics are random; `missing` harmonics of the working cycle are
    left out; `even_bias` in dB lifts the even ones (whole orders of the crank).
    """
    phase = 2 * np.pi * np.cumsum(rpm / (30 * strokes)) / RATE_HZ
    out = np.zeros(len(rpm))
    for k in range(1, harmonics * cylinders + 1):
        level = (1 + k / (4 * cylinders)) ** -1.0 * 10 ** (rng.normal(0, 4) / 20)
        level *= 1.0 if k % cylinders == 0 else 0.15
        level *= 10 ** (even_bias / 20) if k % 2 == 0 else 1.0
        if k not in missing and k * float(rpm.max()) / (30 * strokes) < 0.45 * RATE_HZ:
            out += level * np.cos(k * phase + rng.uniform(0, 2 * np.pi))
    return out / out.std()


def wind(count: int, rng: np.random.Generator) -> FloatArray:
    """Wind at a microphone: noise that falls by 6 dB an octave above 30 Hz, gusting; std 1."""
    tones = np.fft.rfft(rng.standard_normal(count))
    rate = np.fft.rfftfreq(count, 1 / RATE_HZ)
    noise = np.fft.irfft(tones * (rate / 30) / (1 + (rate / 30) ** 2), count)
    knots = 1 + 0.3 * rng.standard_normal(count // (RATE_HZ // 3) + 3)
    noise *= np.interp(np.arange(count) / (RATE_HZ / 3), np.arange(len(knots)), knots)
    return noise / noise.std()


def sweep(rng: np.random.Generator, seconds: float = 6.0) -> FloatArray:
    """Engine speed at each sample of a launch: idle, a fast rise, a pull, a lift, idle."""
    idle, grip, top = rng.uniform(1100, 1900), rng.uniform(2300, 3200), rng.uniform(3600, 7000)
    start, rise = rng.uniform(0.5, 1.2), rng.uniform(0.25, 0.6)
    lift = seconds - rng.uniform(1.2, 1.8)
    fall = rng.uniform(0.5, 0.9)
    knots = [0, start, start + rise, start + rise + 0.5, lift, lift + fall, seconds]
    course = np.interp(
        np.arange(int(seconds * RATE_HZ)) / RATE_HZ,
        knots,
        [idle, idle, grip, grip, top, idle, idle],
    )
    width = RATE_HZ // 12 | 1
    padded = np.pad(course, width // 2, mode="edge")
    return np.convolve(padded, np.ones(width) / width, mode="valid")


def sound(samples: FloatArray, start_s: float = 0.0) -> Sound:
    """One channel of sound at a tenth of full scale."""
    scaled = (0.1 * samples).astype(np.float32)[:, None]
    return Sound(samples=scaled, rate_hz=RATE_HZ, start_s=start_s)


def times(course: FloatArray) -> FloatArray:
    return np.arange(len(course)) / RATE_HZ
