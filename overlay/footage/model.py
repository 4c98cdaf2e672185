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
    """What is known of a clip from its container and packets, without decoding pictures."""

    path: str  # the file as named by the user
    # Size in pixels as displayed: after rotation, before pixel aspect.
    width: int
    height: int
    # Clockwise turn, 0, 90, 180 or 270, that the container asks a player to apply.
    rotation_deg: int
    pixel_aspect: Fraction  # width over height of one pixel (after rotation); 1 for square pixels
    frame_times: FrameTimes  # true presentation times of every frame
    duration_s: float  # from the first frame's start to the last frame's end, seconds
    frame_rate_hz: Fraction  # average rate; see `is_variable`
    is_variable: bool  # whether frame lengths differ
    # As the decoder names them, such as ``h264`` and ``yuv420p``.
    video_codec: str
    pixel_format: str
    bit_depth: int  # bits a sample
    # ``tv``, ``pc`` or ``unknown``; standard names, ``unknown`` when untagged.
    color_range: str
    color_space: str
    color_primaries: str
    color_transfer: str
    is_interlaced: bool  # whether frames are two fields
    audio_codec: str | None  # None for a clip without sound
    # 0 without sound.
    audio_rate_hz: int
    audio_channels: int
    # Footage time at which the sound starts (negative: before the first frame).
    audio_start_s: float
    audio_duration_s: float  # seconds of sound
    # Creation time written by the camera; a hint that may be wrong by whole hours.
    created_utc: datetime | None
    is_cut_off: bool  # whether the file ends before its index says; what is there is used
    # Whether the container asks a player to swap left and right before the turn.
    is_mirrored: bool = False


@dataclass(frozen=True, eq=False)
class LumaFrame:
    """One small grey picture at its true time, upright (rotation applied)."""

    t_s: float  # footage time in seconds
    luma: Luma  # shape (height, width): Brightness as coded, 0 to 255


@dataclass(frozen=True, eq=False)
class Sound:
    """Sound of a clip."""

    samples: npt.NDArray[np.float32]  # shape (n, channels): PCM, -1 to 1
    rate_hz: int  # samples a second and channel
    start_s: float  # footage time of the first sample

    @property
    def t_s(self) -> FloatArray:
        """Footage time of each sample, shape (n,)."""
        return self.start_s + np.arange(len(self.samples)) / self.rate_hz
