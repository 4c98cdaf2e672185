"""Loudness against published values."""

from __future__ import annotations

import numpy as np
import pytest

from overlay.errors import UsageError
from overlay.render.loudness import CEILING_DBTP, brought_to, held_under, measure

RATE_HZ = 48_000


def tone(hz: float, level_dbfs: float, seconds: float, channels: tuple[int, ...]) -> np.ndarray:
    at = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    wave = 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * hz * at)
    return np.stack([wave * on for on in channels], 1).astype(np.float32)


def test_measure__reference_tone_of_the_standard() -> None:
    # ITU-R BS.1770-5, annex 1: 0 dBFS, 997 Hz on one front channel reads -3.01 LKFS.
    assert measure(tone(997, 0, 5, (1, 0)), RATE_HZ).integrated_lufs == pytest.approx(
        -3.01, abs=0.1
    )
    assert measure(tone(997, 0, 5, (1,)), RATE_HZ).integrated_lufs == pytest.approx(-3.01, abs=0.1)


@pytest.mark.parametrize("level", [-23.0, -33.0])
def test_measure__compliance_tones(level: float) -> None:
    # EBU Tech 3341, minimum requirements, cases 1 and 2: stereo 1000 Hz, 20 s, within 0.1 LU.
    assert measure(tone(1000, level, 20, (1, 1)), RATE_HZ).integrated_lufs == pytest.approx(
        level, abs=0.1
    )


def test_measure__silence_between_is_gated() -> None:
    # EBU Tech 3341, case 3: -36 for 10 s, -23 for 60 s, -36 for 10 s reads -23.0.
    quiet, loud = tone(1000, -36, 10, (1, 1)), tone(1000, -23, 60, (1, 1))
    mixed = np.concatenate([quiet, loud, quiet])
    assert measure(mixed, RATE_HZ).integrated_lufs == pytest.approx(-23, abs=0.1)


@pytest.mark.parametrize("target", [-14.0, -23.0])
def test_brought_to__target_with_peaks_under_the_ceiling(
    target: float, rng: np.random.Generator
) -> None:
    noise = 0.1 * rng.standard_normal((6 * RATE_HZ, 2))
    noise[:: RATE_HZ // 4] = 0.9  # knocks far above the rest
    made, reached, notes = brought_to(noise.astype(np.float32), RATE_HZ, target)
    again = measure(made, RATE_HZ)
    assert again.integrated_lufs == pytest.approx(target, abs=0.3)
    assert again.true_peak_dbtp <= CEILING_DBTP + 0.05
    assert reached == again
    assert any("held" in note for note in notes) == (target > -20)


def test_brought_to__silence_is_left(rng: np.random.Generator) -> None:
    silence = np.zeros((RATE_HZ, 2), np.float32)
    made, _, notes = brought_to(silence, RATE_HZ, -14)
    assert not made.any()
    assert "silent" in notes[0]
    with pytest.raises(UsageError, match="-36 to -9"):
        brought_to(silence, RATE_HZ, 0)


def test_held_under__never_above_and_quiet_parts_untouched(rng: np.random.Generator) -> None:
    sound = (0.1 * rng.standard_normal((RATE_HZ, 2))).astype(np.float32)
    sound[RATE_HZ // 2] = 3.0
    made = held_under(sound, RATE_HZ, 0.5)
    assert np.max(np.abs(made)) <= 0.5 + 1e-6
    far = np.abs(np.arange(RATE_HZ) - RATE_HZ // 2) > RATE_HZ // 50
    low = np.max(np.abs(sound), axis=1) < 0.5
    near = np.convolve(~low, np.ones(RATE_HZ // 50), "same") > 0
    assert np.array_equal(made[far & ~near], sound[far & ~near])
