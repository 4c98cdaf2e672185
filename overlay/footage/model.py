"""What footage is read into."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from overlay.timebase import FloatArray, FrameTimes

Luma = npt.NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class ClipFacts:
    """What is known of a clip from its container and packets, without decoding pictures.

    Attributes
    ----------
    path : str
        The file as named by the user.
    width, height : int
        Size in pixels as displayed: after rotation, before pixel aspect.
    rotation_deg : int
        Clockwise turn, 0, 90, 180 or 270, that the container asks a player to apply.
    pixel_aspect : Fraction
        Width over height of one pixel (after rotation); 1 for square pixels.
    frame_times : FrameTimes
        True presentation times of every frame.
    duration_s : float
        From the first frame's start to the last frame's end, seconds.
    frame_rate_hz : Fraction
        Average rate; see `is_variable`.
    is_variable : bool
        Whether frame lengths differ.
    video_codec, pixel_format : str
        As the decoder names them, such as ``h264`` and ``yuv420p``.
    bit_depth : int
        Bits a sample.
    color_range, color_space, color_primaries, color_transfer : str
        ``tv``, ``pc`` or ``unknown``; standard names, ``unknown`` when untagged.
    is_interlaced : bool
        Whether frames are two fields.
    audio_codec : str or None
        None for a clip without sound.
    audio_rate_hz, audio_channels : int
        0 without sound.
    audio_start_s : float
        Footage time at which the sound starts (negative: before the first frame).
    audio_duration_s : float
        Seconds of sound.
    created_utc : datetime or None
        Creation time written by the camera; a hint that may be wrong by whole hours.
    is_cut_off : bool
        Whether the file ends before its index says; what is there is used.
    is_mirrored : bool
        Whether the container asks a player to swap left and right before the turn.
    """

    path: str
    width: int
    height: int
    rotation_deg: int
    pixel_aspect: Fraction
    frame_times: FrameTimes
    duration_s: float
    frame_rate_hz: Fraction
    is_variable: bool
    video_codec: str
    pixel_format: str
    bit_depth: int
    color_range: str
    color_space: str
    color_primaries: str
    color_transfer: str
    is_interlaced: bool
    audio_codec: str | None
    audio_rate_hz: int
    audio_channels: int
    audio_start_s: float
    audio_duration_s: float
    created_utc: datetime | None
    is_cut_off: bool
    is_mirrored: bool = False


@dataclass(frozen=True, eq=False)
class LumaFrame:
    """One small grey picture at its true time, upright (rotation applied).

    Attributes
    ----------
    t_s : float
        Footage time in seconds.
    luma : ndarray of uint8, shape (height, width)
        Brightness as coded, 0 to 255.
    """

    t_s: float
    luma: Luma


@dataclass(frozen=True, eq=False)
class Sound:
    """Sound of a clip.

    Attributes
    ----------
    samples : ndarray of float32, shape (n, channels)
        PCM, -1 to 1.
    rate_hz : int
        Samples a second and channel.
    start_s : float
        Footage time of the first sample.
    """

    samples: npt.NDArray[np.float32]
    rate_hz: int
    start_s: float

    @property
    def t_s(self) -> FloatArray:
        """Footage time of each sample, shape (n,)."""
        return self.start_s + np.arange(len(self.samples)) / self.rate_hz
