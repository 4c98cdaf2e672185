"""The sound of a clip as PCM on footage time."""

from __future__ import annotations

import os
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

from overlay.errors import UsageError
from overlay.footage.container import decoded, opened, packets
from overlay.footage.frames import Pictures
from overlay.footage.model import Sound

Samples = npt.NDArray[np.float32]

# A jump of time stamps by more than this is a true gap; less is rounding of coarse time bases
# (1 ms in MKV) and of cameras' own clocks.
_GAP_S = 0.02


def read_sound(
    path: str | os.PathLike[str], *, rate_hz: int | None = None, mono: bool = False
) -> Sound | None:
    """All sound of a clip's first sound track.

    Parameters
    ----------
    path : str or path
        The clip.
    rate_hz : int, optional
        Samples a second wanted; the track's own rate when left out.
    mono : bool
        Whether to give the mean of the channels in place of each.

    Returns
    -------
    Sound or None
        PCM from the first sample to the last, silence (zeros) where the recording has gaps;
        None for a clip without sound. `start_s` is exact relative to the first picture.

    Raises
    ------
    InputError
        If the file is not a film that can be read.
    UsageError
        If `rate_hz` is not positive.
    """
    if rate_hz is not None and rate_hz < 1:
        raise UsageError(f"sound rate {rate_hz} Hz is not possible; use for example 16000")
    with opened(path) as clip:
        if clip.sound is None:
            return None
        origin = next(((frame.pts or 0) for _, frame in Pictures(clip)), 0)
        origin_s = Fraction(0) if clip.has_decode_times_only else origin * _base(clip.video)
    with opened(path) as clip:
        collected = _Collector(rate_hz, mono)
        for packet in packets(clip, clip.sound):
            for frame in decoded(packet)[0]:
                collected.add(frame, _base(clip.sound))
        return collected.sound(origin_s)


def _base(stream: Any) -> Fraction:
    return Fraction(stream.time_base or Fraction(1, 1000))


class _Collector:
    """Puts decoded pieces end to end, at the place that their time stamps say."""

    def __init__(self, rate_hz: int | None, mono: bool) -> None:
        self._wanted_hz = rate_hz
        self._mono = mono
        self._source_hz = 0
        self._channels = 0
        self._start_s: Fraction | None = None
        self._placed = 0
        self._pieces: list[Samples] = []
        self._resampler: Any = None

    def add(self, frame: Any, time_base: Fraction) -> None:
        piece = _as_float(frame)
        if self._mono:
            piece = piece.mean(axis=1, keepdims=True, dtype=np.float32)
        if self._start_s is None:
            self._begin(frame, piece, time_base)
        if piece.shape[1] != self._channels or frame.sample_rate != self._source_hz:
            return  # the track changes its layout midway: its time stays silent
        if frame.pts is not None and self._start_s is not None:
            since_s = frame.pts * time_base - self._start_s
            missing = round(since_s * self._source_hz) - self._placed
            if missing > _GAP_S * self._source_hz:
                self._put(np.zeros((missing, self._channels), dtype=np.float32))
            elif missing < -_GAP_S * self._source_hz:
                piece = piece[-missing:]
        self._put(piece)

    def _begin(self, frame: Any, piece: Samples, time_base: Fraction) -> None:
        self._start_s = (frame.pts or 0) * time_base
        self._source_hz = frame.sample_rate
        self._channels = piece.shape[1]
        if self._wanted_hz is not None and self._wanted_hz != self._source_hz:
            from av import AudioResampler

            self._resampler = AudioResampler(
                format="fltp", layout=f"{self._channels}c", rate=self._wanted_hz
            )

    def _put(self, piece: Samples) -> None:
        if not len(piece):
            return
        if self._resampler is None:
            self._pieces.append(piece)
        else:
            self._resample(piece)
        self._placed += len(piece)

    def _resample(self, piece: Samples) -> None:
        from av import AudioFrame

        frame = AudioFrame.from_ndarray(
            np.ascontiguousarray(piece.T), format="fltp", layout=f"{self._channels}c"
        )
        frame.sample_rate = self._source_hz
        frame.time_base = Fraction(1, self._source_hz)
        frame.pts = self._placed
        self._pieces += [out.to_ndarray().T for out in self._resampler.resample(frame)]

    def sound(self, origin_s: Fraction) -> Sound | None:
        if self._resampler is not None:  # what the filter still holds belongs to the end
            self._pieces += [out.to_ndarray().T for out in self._resampler.resample(None)]
        if not self._pieces or self._start_s is None:
            return None
        return Sound(
            samples=np.ascontiguousarray(np.concatenate(self._pieces), dtype=np.float32),
            rate_hz=self._wanted_hz or self._source_hz,
            start_s=float(self._start_s - origin_s),
        )


def _as_float(frame: Any) -> Samples:
    """A decoded frame as float32, shape (n, channels), -1 to 1."""
    data = frame.to_ndarray()
    if not frame.format.is_planar:
        data = data.reshape(-1, frame.layout.nb_channels).T
    if data.dtype == np.uint8:
        data = data.astype(np.float32) / 128 - 1
    elif data.dtype.kind == "i":
        data = data.astype(np.float32) / -float(np.iinfo(data.dtype).min)
    samples: Samples = np.ascontiguousarray(data.T, dtype=np.float32)
    return samples
