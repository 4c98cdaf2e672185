"""A second camera's clock, from the sound that it and the camera on board both heard.

The camera on board hears its engine at once, one beside the track later by the distance over the
speed of sound, and at another pitch while that distance changes (Doppler). Both follow from where
the vehicle was at each instant, which its run tells, and from where the camera stands along the
run, which is sought too: for each place the sound on board is played as it would arrive there, and
set against what was heard by its spectrum over time.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from overlay.footage.model import Sound
from overlay.timebase import FloatArray
from overlay.units import Z95

RATE_HZ, HOP, WINDOW = 16000, 160, 1024
LOW_HZ, OCTAVES, BANDS = 60.0, 6, 24  # bands in an octave
MEAN_HOPS, AROUND_BANDS, MOST_CONTRAST = 5, 12, 3.0
ASIDE_M, ASIDE_SIGMA_M = 7.0, 4.0  # from the line driven to the camera: common practice, no source
STEP_M, BEFORE_M, BEYOND_M = 10.0, 30.0, 60.0  # places tried along the run, and beyond its ends
LEAST_OVERLAP_S, LEAST_SHARE = 4.0, 0.5
LONGEST_S = 180.0  # of either sound, so that memory stays bounded
NEAR_S = 0.6  # around the best offset: what lies further off is another one
BLOCK_S, RESAMPLES = 0.8, 300
# Of simulated carts the sound of one run is alike to 0.13 to 0.54, 1.6 to 2.1 times as much as at
# the best other offset; that of another run of the same cart, or of another cart, 1.2 to 1.5 times.
LEAST_ALIKE, LEAST_LEAD = 0.1, 1.55
WIDEST_S = 0.25
CELSIUS = 15.0  # of the air: 10 K more move sound from 60 m away by 3 ms


@dataclass(frozen=True)
class Apart:
    """How far two cameras' clocks are apart."""

    # Footage time beside the track less that on board, of the same instant; None where the sounds
    # cannot tell, with the `reason`.
    offset_s: float | None = None
    interval_s: tuple[float, float] | None = None  # 95 % interval
    # Where the camera stands along the run, metres from its start, as far as that shows.
    camera_m: float = 0.0
    alike: float = 0.0  # correlation of both sounds' spectra over time, -1 to 1
    # Pitch beside the track over that on board while the vehicle drives.
    lowest: float = 1.0
    highest: float = 1.0
    reason: str | None = None


def speed_of_sound_mps(celsius: float) -> float:
    """In dry air, metres a second: 331.3 + 0.606 T, the usual textbook line.

    Examples
    --------
    >>> round(speed_of_sound_mps(20.0), 1)
    343.4
    """
    return 331.3 + 0.606 * celsius


def clocks_apart(
    on_board: Sound,
    beside: Sound,
    t_s: FloatArray,
    distance_m: FloatArray,
) -> Apart:
    """How far the clock of a camera beside the track is apart from the one on board.

    Parameters
    ----------
    on_board, beside : Sound
        Each on its own footage time.
    t_s, distance_m : ndarray, shape (n,)
        The way driven over the footage time on board; a straight line.

    Notes
    -----
    Of a camera that the vehicle never passes, place and clock are hardly told apart: both make all
    sound late alike. The interval is by resampling blocks of the time that both heard (Künsch 1989,
    Annals of Statistics 17:1217), place and offset sought anew in each, with the uncertainty of how
    far from the line the camera stands.
    """
    source, other = _mono(on_board), _mono(beside)
    if min(len(source), len(other)) < LEAST_OVERLAP_S * RATE_HZ:
        return Apart(reason=f"its sound, or that on board, lasts under {LEAST_OVERLAP_S:g} s")
    if max(len(source), len(other)) > LONGEST_S * RATE_HZ:
        return Apart(reason=f"its sound, or that on board, lasts over {LONGEST_S:g} s: cut it out")
    if not (np.ptp(source) > 0 and np.ptp(other) > 0):
        return Apart(reason="it, or the clip on board, is silent")
    heard, own_t_s = _contrast(other), on_board.start_s + np.arange(len(source)) / RATE_HZ
    sound_mps = speed_of_sound_mps(CELSIUS)
    places = np.arange(
        distance_m[0] - BEFORE_M, distance_m[-1] + BEYOND_M + STEP_M, STEP_M, dtype=np.float64
    )
    tried = [
        _contrast(_arriving(source, own_t_s, t_s, _away(distance_m, p), sound_mps)) for p in places
    ]
    found = [_correlation(one, heard) for one in tried]
    best = max(range(len(places)), key=lambda k: float(np.max(found[k][1])))
    lags, values = found[best]
    at = int(lags[int(np.argmax(values))])
    alike, lead = float(np.max(values)), _lead(found, at)
    base = Apart(camera_m=float(places[best]), alike=alike)
    if alike < LEAST_ALIKE or lead < LEAST_LEAD:
        return replace(
            base,
            reason="the two clips did not hear the same run: their sounds are alike to "
            f"{alike:.2f}, {lead:.1f} times as much as at the best other offset",
        )
    shifts = _resampled(tried, heard, at)
    spread_s = float(np.std(shifts)) * HOP / RATE_HZ
    offset_s = beside.start_s - on_board.start_s + float(np.mean(shifts)) * HOP / RATE_HZ
    half_s = Z95 * float(np.hypot(spread_s, ASIDE_SIGMA_M / sound_mps))
    if half_s > WIDEST_S:
        return replace(base, reason=f"the sounds give the offset only to ± {half_s:.2f} s")
    rate = np.gradient(_away(distance_m, places[best]), t_s)
    pitch = 1 / (1 + rate / sound_mps)
    return replace(
        base,
        offset_s=offset_s,
        interval_s=(offset_s - half_s, offset_s + half_s),
        lowest=float(np.min(pitch)),
        highest=float(np.max(pitch)),
    )


def _away(distance_m: FloatArray, place_m: float) -> FloatArray:
    """Metres from the vehicle to a camera at a place along the run."""
    return np.asarray(np.hypot(distance_m - place_m, ASIDE_M))


def _arriving(
    source: FloatArray, own_t_s: FloatArray, t_s: FloatArray, away_m: FloatArray, sound_mps: float
) -> FloatArray:
    """The sound on board as it arrives after the way through the air, at the same times."""
    left_s = np.interp(own_t_s, t_s, away_m) / sound_mps
    arrives_s = own_t_s + left_s
    return np.interp(own_t_s, arrives_s, source, left=0.0, right=0.0)


def _mono(sound: Sound) -> FloatArray:
    """The mean of the channels at `RATE_HZ`."""
    from scipy.signal import resample_poly

    mono = sound.samples.mean(axis=1, dtype=np.float64)
    if sound.rate_hz == RATE_HZ:
        return np.asarray(mono)
    shared = int(np.gcd(RATE_HZ, sound.rate_hz))
    return np.asarray(resample_poly(mono, RATE_HZ // shared, sound.rate_hz // shared))


def _contrast(sound: FloatArray) -> npt.NDArray[np.float32]:
    """Logarithm of the spectrum over its surroundings and its mean over time, shape (n, bands).

    Neither loudness nor the colour of a microphone is in it.
    """
    from scipy.ndimage import uniform_filter1d

    frames = np.lib.stride_tricks.sliding_window_view(sound.astype(np.float32), WINDOW)[::HOP]
    power = np.abs(np.fft.rfft(frames * np.hanning(WINDOW).astype(np.float32), axis=1)) ** 2
    hertz = LOW_HZ * 2 ** (np.arange(OCTAVES * BANDS) / BANDS)
    column = np.clip(hertz * WINDOW / RATE_HZ, 0, power.shape[1] - 1.001)
    left = column.astype(np.intp)
    share = column - left
    bands = power[:, left] * (1 - share) + power[:, left + 1] * share
    bands = uniform_filter1d(bands, MEAN_HOPS, axis=0)
    log = np.log(bands + 1e-3 * float(np.mean(bands)) + 1e-20)
    log = log - uniform_filter1d(log, 2 * AROUND_BANDS + 1, axis=1)
    log = np.clip(log - log.mean(axis=0), -MOST_CONTRAST, MOST_CONTRAST)
    return np.asarray(log, np.float32)


def _correlation(
    one: npt.NDArray[np.float32], other: npt.NDArray[np.float32]
) -> tuple[npt.NDArray[np.intp], FloatArray]:
    """Hops by which the second is late, and the correlation over the time that both cover."""
    size = 1 << int(np.ceil(np.log2(len(one) + len(other))))

    def crossed(a: npt.NDArray[Any], b: npt.NDArray[Any]) -> FloatArray:
        product = np.conj(np.fft.rfft(a, size, axis=0)) * np.fft.rfft(b, size, axis=0)
        return np.asarray(np.fft.irfft(product.sum(axis=1), size))

    lags = np.arange(-len(one) + 1, len(other), dtype=np.intp)
    both = crossed(one, other)[lags]
    power = [(x**2).sum(axis=1, keepdims=True) for x in (one, other)]
    first = crossed(power[0], np.ones((len(other), 1)))[lags]
    second = crossed(np.ones((len(one), 1)), power[1])[lags]
    shared = np.minimum(len(one), len(other) - lags) - np.maximum(0, -lags)
    least = max(LEAST_OVERLAP_S * RATE_HZ / HOP, LEAST_SHARE * min(len(one), len(other)))
    value = both / np.sqrt(np.maximum(first * second, 1e-9))
    return lags, np.where(shared >= least, value, -1.0)


def _lead(found: list[tuple[npt.NDArray[np.intp], FloatArray]], at: int) -> float:
    """How many times as much alike as at the best other offset."""
    values = np.max([v for _, v in found], axis=0)
    far = (np.abs(found[0][0] - at) > NEAR_S * RATE_HZ / HOP) & (values > -1.0)
    other = float(np.max(values[far], initial=-1.0))
    return float(np.max(values)) / max(other, 1e-3) if np.any(far) else 0.0


def _resampled(
    tried: list[npt.NDArray[np.float32]], heard: npt.NDArray[np.float32], at: int
) -> FloatArray:
    """Offsets in hops, place sought anew, in resamples of blocks of the time both heard."""
    reach = round(NEAR_S * RATE_HZ / HOP / 2)
    lags = np.arange(at - reach, at + reach + 1)
    block = round(BLOCK_S * RATE_HZ / HOP)
    first, last = max(0, -int(lags[0])), min(len(tried[0]), len(heard) - int(lags[-1]))
    count = max(1, (last - first) // block)
    last = first + count * block
    sums = np.zeros((len(tried), len(lags), count))
    for k, one in enumerate(tried):
        own = one[first:last]
        for j, lag in enumerate(lags):
            alike = np.einsum("tf,tf->t", own, heard[first + lag : last + lag])
            sums[k, j] = alike.reshape(count, block).sum(axis=1)
        sums[k] /= np.sqrt(float(np.sum(own**2)) + 1e-9)
    rng = np.random.default_rng(1)
    draws = rng.multinomial(count, np.full(count, 1 / count), size=RESAMPLES)
    total = np.einsum("kjb,rb->rkj", sums, draws)
    best = np.unravel_index(total.reshape(RESAMPLES, -1).argmax(axis=1), total.shape[1:])[1]
    return np.asarray(lags[best], dtype=np.float64)
