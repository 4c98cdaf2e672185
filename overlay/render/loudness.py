"""How loud a sound is to a listener, and a gain that brings it to a target.

Measured as ITU-R BS.1770 says (K-weighting, gated blocks), by the encoder program's ``ebur128``.
"""

from __future__ import annotations

import math
import re
import subprocess
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from overlay.errors import EncoderError, UsageError
from overlay.render.encoder import ffmpeg_path

Samples = npt.NDArray[np.float32]

TARGETS_LUFS = (-14.0, -23.0)  # the net's usual level (common practice, no source); EBU R 128
CEILING_DBTP = -1.0  # EBU R 128: maximum permitted true peak
SILENT_LUFS = -60.0  # below this there is nothing to bring up


@dataclass(frozen=True)
class Loudness:
    """What was measured."""

    integrated_lufs: float  # of the whole programme, LUFS (the same as LKFS); -inf for silence
    # Highest peak between samples too, dB against full scale; -inf for silence.
    true_peak_dbtp: float


def measure(samples: Samples, rate_hz: int) -> Loudness:
    """Loudness of a sound.

    Parameters
    ----------
    samples : ndarray of float32, shape (n, channels)
        -1 to 1, one or two channels.

    Raises
    ------
    EncoderError
        If the program that measures fails.
    """
    channels = samples.shape[1]
    command = [ffmpeg_path(), "-hide_banner", "-nostats", "-f", "f32le", "-ar", str(rate_hz)]
    command += ["-ac", str(channels), "-i", "pipe:0", "-af", "ebur128=peak=true:framelog=quiet"]
    raw = np.ascontiguousarray(samples, np.float32).tobytes()
    done = subprocess.run(
        [*command, "-f", "null", "-"], input=raw, capture_output=True, check=False
    )
    said = done.stderr.decode("utf-8", "replace")
    summary = said[said.rfind("Summary:") :]
    level = re.search(r"\bI:\s+(\S+) LUFS", summary)
    peak = re.search(r"\bPeak:\s+(\S+) dBFS", summary)
    if done.returncode or level is None or peak is None:
        raise EncoderError(f"loudness cannot be measured: ffmpeg ended with {done.returncode}")
    return Loudness(_at_least(float(level[1]), -70.0), _at_least(float(peak[1]), -120.0))


def _at_least(value: float, floor: float) -> float:
    """The value, or silence where the gate lets nothing through."""
    return value if value > floor else -math.inf


def brought_to(
    samples: Samples, rate_hz: int, target_lufs: float
) -> tuple[Samples, Loudness, tuple[str, ...]]:
    """A sound at a target loudness, with its peaks kept under -1 dBTP.

    One gain serves all, so that loud stays louder than quiet. Where the peaks would then pass the
    ceiling they alone are held down, and that is said.

    Parameters
    ----------
    samples : ndarray of float32, shape (n, channels)
    target_lufs : float
        -36 to -9.

    Returns
    -------
    ndarray, Loudness, tuple of str
        The sound, what it measures now, and what a person should know.
    """
    if not -36 <= target_lufs <= -9:
        raise UsageError(f"a loudness of {target_lufs:g} LUFS: use -36 to -9, such as -14 or -23")
    found = measure(samples, rate_hz)
    if found.integrated_lufs < SILENT_LUFS:
        return samples, found, ("the sound is all but silent, so its loudness was left",)
    gain_db = target_lufs - found.integrated_lufs
    limit = 10 ** ((CEILING_DBTP - 0.5) / 20)  # between samples a peak is a little higher
    made, reached = samples, found
    for _ in range(4):
        made = held_under(samples * np.float32(10 ** (gain_db / 20)), rate_hz, limit)
        reached = measure(made, rate_hz)
        short_db = target_lufs - reached.integrated_lufs
        if abs(short_db) < 0.1:
            break
        gain_db += short_db
    notes = [f"sound at {reached.integrated_lufs:.1f} LUFS, peak {reached.true_peak_dbtp:.1f} dBTP"]
    if float(np.max(np.abs(samples))) * 10 ** (gain_db / 20) > limit:
        notes.append("peaks were held under -1 dBTP")
    return made, reached, tuple(notes)


def held_under(samples: Samples, rate_hz: int, limit: float) -> Samples:
    """The sound with its gain taken back smoothly around every peak above `limit` (0 to 1).

    The gain is the least that any sample within 5 ms needs, smoothed over as long, so it is down
    before a peak comes and never lets one through.
    """
    from scipy.ndimage import minimum_filter1d, uniform_filter1d

    peaks = np.max(np.abs(samples), axis=1)
    if not np.any(peaks > limit):
        return samples
    needed = np.minimum(1.0, limit / np.maximum(peaks, 1e-9))
    reach = max(1, round(0.005 * rate_hz))
    least = minimum_filter1d(needed, 2 * reach + 1, mode="nearest")
    gain = uniform_filter1d(least, 2 * reach + 1, mode="nearest")
    held: Samples = (samples * gain[:, None]).astype(np.float32)
    return held
