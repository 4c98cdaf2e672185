"""How well a comb of harmonics stands out of the sound at each time and each cycle rate.

The sound is cut into frames of 4 to 8 working cycles, one length for each octave of rates. Each
frame is stretched as if the rate rose or fell steadily within it (a launch sweeps an octave in
half a second), and its spectrum taken. A rate scores by how far the spectrum's logarithm at its
multiples stands above the places between them: halves of the true rate find nothing at their odd
multiples, doubles find full places between, and wind lifts both alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from overlay.timebase import FloatArray

Float32 = npt.NDArray[np.float32]

HARMONICS = 14
LEAST_CYCLES = 4  # Hann's main lobe is then as wide as the comb's spacing, and no wider
OVERSAMPLING = 2.5  # of the sound against the frames, so that straight lines interpolate it
SAMPLES = 256  # of a frame: 64 in a cycle of the octave's lowest rate, 14 * 2 of them in use
BINS = 1024
CANDIDATES = 64  # an octave: 1.1 % apart
CHIRPS = np.array([-0.75, -0.55, -0.38, -0.24, -0.12, 0.0, 0.12, 0.24, 0.38, 0.55, 0.75])
HOPS = 8  # frames overlap by 7/8


@dataclass(frozen=True, eq=False)
class Scores:
    """Comb scores."""

    t_s: FloatArray  # shape (n,): times from the first sample
    cycle_hz: FloatArray  # shape (m,): candidate rates, geometric
    # Shape (n, m): mean log contrast; near 0 or below in noise, 1 and more for an engine near the
    # microphone.
    score: FloatArray


def low_passed(
    samples: Float32,
    rate_hz: float,
    wanted_hz: float,
    *,
    pass_hz: float | None = None,
    multiple: int = 1,
) -> tuple[Float32, float]:
    """The sound at another rate, without shift in time.

    Parameters
    ----------
    samples : ndarray of float32, shape (n, channels)
    rate_hz, wanted_hz : float
        Samples a second now and wanted.
    pass_hz : float, optional
        Where the pass band ends; by default at 0.46 of the rate wanted.
    multiple : int
        With ``rate_hz / wanted_hz`` a whole number and given here, the rate wanted is met
        exactly; otherwise within a few parts in a thousand.

    Returns
    -------
    (ndarray of float32, shape (m, channels); float)
        The sound and its true rate; sample i belongs to the time ``i / rate``.
    """
    from scipy.fft import next_fast_len

    least = -(-(len(samples) + int(0.1 * rate_hz) + 16) // multiple)
    size = multiple * next_fast_len(least, real=True)
    spectrum = np.fft.rfft(np.pad(samples, ((0, size - len(samples)), (0, 0))), axis=0)
    count = max(2, round(size * wanted_hz / rate_hz))
    keep = min(count // 2 + 1, len(spectrum))
    limit = (pass_hz or 0.46 * wanted_hz) * size / rate_hz
    edge = np.clip(1 + (limit - np.arange(keep)) / (0.08 * limit), 0, 1)[:, None]
    out = np.fft.irfft(spectrum[:keep] * edge, count, axis=0) * (count / size)
    actual_hz = rate_hz * count / size
    return out[: int(len(samples) * count / size)].astype(np.float32), actual_hz


def comb_scores(
    samples: Float32, rate_hz: float, low_hz: float, high_hz: float, *, step_s: float
) -> Scores:
    """Score every cycle rate from `low_hz` to `high_hz` at times `step_s` apart.

    `samples` are of shape (n, channels), `rate_hz` of them a second.
    """
    duration_s = len(samples) / rate_hz
    t_s = np.arange(0.0, duration_s, step_s)
    octaves = max(1, int(np.ceil(np.log2(high_hz / low_hz) - 1e-9)))
    weights = _comb_matrix()
    parts = [_octave(samples, rate_hz, low_hz * 2**k, t_s, weights) for k in range(octaves)]
    rates = low_hz * 2 ** (np.arange(octaves * CANDIDATES) / CANDIDATES)
    keep = rates <= high_hz * 1.0001
    return Scores(t_s, rates[keep], np.concatenate(parts, axis=1)[:, keep])


def _octave(
    samples: Float32, rate_hz: float, low_hz: float, t_s: FloatArray, weights: Float32
) -> FloatArray:
    """Scores of one octave of rates, shape (times, CANDIDATES)."""
    frame_hz = SAMPLES / LEAST_CYCLES * low_hz
    fine_hz = min(frame_hz * OVERSAMPLING, rate_hz)
    fine, fine_hz = low_passed(samples, rate_hz, fine_hz, pass_hz=0.46 * frame_hz)
    length = LEAST_CYCLES / low_hz * fine_hz
    hop = length / HOPS
    margin = int(0.7 * length) + 3  # the strongest chirp reaches 0.67 from the centre
    fine = np.pad(fine, ((margin, margin), (0, 0)))
    centres = np.arange(0.0, len(fine) - 2 * margin + hop, hop)
    start = np.minimum(np.round(centres).astype(np.int64) + margin, len(fine) - margin)
    times = (start - margin) / fine_hz
    best: FloatArray | None = None
    window = np.hanning(SAMPLES + 1)[:-1].astype(np.float32)
    for chirp in CHIRPS:
        score = np.asarray(_whitened(fine, start, chirp, length, window) @ weights)
        best = score if best is None else np.maximum(best, score)
    assert best is not None
    spot = np.interp(t_s, times, np.arange(len(times)))
    left = np.minimum(spot.astype(np.int64), max(len(times) - 2, 0))
    right = np.minimum(left + 1, len(times) - 1)
    share = (spot - left)[:, None]
    return np.asarray((1 - share) * best[left] + share * best[right], np.float64)


def _whitened(
    fine: Float32, start: npt.NDArray[np.int64], chirp: float, length: float, window: Float32
) -> Float32:
    """Log spectra of frames unwarped by `chirp`, less their trend over frequency; bounded."""
    from scipy.fft import rfft  # on many short rows five times as fast as numpy's
    from scipy.ndimage import uniform_filter1d

    u = (np.arange(SAMPLES) + 0.5) / SAMPLES - 0.5
    # rate * (1 + chirp * t) is even in u when t + chirp t^2 / 2 = u, t and u in frame lengths
    t = u if chirp == 0 else (np.sqrt(1 + 2 * chirp * u) - 1) / chirp
    place = t * length
    whole = np.floor(place).astype(np.int64)
    share = (place - whole).astype(np.float32)
    rows = start[:, None] + whole[None, :]
    power: Float32 | None = None
    for channel in range(fine.shape[1]):
        line = np.ascontiguousarray(fine[:, channel])
        left = line[rows]
        frames = (left + share * (line[rows + 1] - left)) * window
        spectrum = rfft(frames, BINS, axis=1)
        part = (spectrum.real**2 + spectrum.imag**2).astype(np.float32)
        power = part if power is None else power + part
    assert power is not None
    log = np.log(power + 1e-3 * np.mean(power, axis=1, keepdims=True) * 1e-3 + 1e-12)
    width = round(3 * BINS / SAMPLES * LEAST_CYCLES) | 1  # three spacings of the lowest comb
    trend = uniform_filter1d(log, width, axis=1, mode="nearest")
    return np.asarray(np.clip(log - trend, -2.0, 3.0), np.float32)


def _comb_matrix() -> Float32:
    """Contrast of each candidate as a linear map of a log spectrum, shape (bins, CANDIDATES)."""
    matrix = np.zeros((BINS // 2 + 1, CANDIDATES))
    order = np.arange(1, HARMONICS + 1)
    share = 1.0 / (1.0 + order / 8.0)
    share /= share.sum()
    for column in range(CANDIDATES):
        # in bins: rate over the frame rate, SAMPLES / LEAST_CYCLES in a cycle of the lowest
        spacing = 2 ** (column / CANDIDATES) * LEAST_CYCLES / SAMPLES * BINS
        for k, part in zip(order, share, strict=True):
            _put(matrix, k * spacing, column, part)
            for between in (-0.5, -1 / 3, 1 / 3, 0.5):
                _put(matrix, (k + between) * spacing, column, -part / 4)
    return matrix.astype(np.float32)


def _put(matrix: FloatArray, place: float, column: int, part: float) -> None:
    whole = int(place)
    if whole + 1 < len(matrix):
        matrix[whole, column] += part * (whole + 1 - place)
        matrix[whole + 1, column] += part * (place - whole)
