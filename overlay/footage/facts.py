"""Facts of a clip, read from its packets; only the first picture and sound are decoded."""

from __future__ import annotations

import os
import struct
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np

from overlay.errors import InputError
from overlay.footage.container import OpenClip, decoded, opened, packets
from overlay.footage.model import ClipFacts
from overlay.footage.upright import upright_of
from overlay.timebase import FrameTimes, IntArray

if TYPE_CHECKING:
    from av import VideoFrame


def _by_code(names: str) -> dict[int, str]:
    return {code: name for code, name in enumerate(names.split()) if name != "-"}


# By their code points in ITU-T H.273 tables 2 to 4, under the names that FFmpeg gives them.
_RANGES = _by_code("- tv pc")
_SPACES = _by_code(
    "gbr bt709 - - fcc bt470bg smpte170m smpte240m ycgco bt2020nc bt2020c - - - ictcp"
)
_PRIMARIES = _by_code(
    "- bt709 - - bt470m bt470bg smpte170m smpte240m film bt2020 smpte428 smpte431 smpte432"
)
_TRANSFERS = _by_code(
    "- bt709 - - gamma22 gamma28 smpte170m smpte240m linear - - iec61966-2-4 - iec61966-2-1"
    " bt2020-10 bt2020-12 smpte2084 - arib-std-b67"
)
_FRAMES_FOR_FIELDS = 9
_USUAL_RATES = (24, 25, 30, 48, 50, 60, 100, 120, 240)
_EPOCHS = (1904, 1970)  # years that containers write for "no date"


@dataclass
class _Scan:
    """What one pass over the packets collects."""

    pts: list[int] = field(default_factory=list)
    dts: list[int] = field(default_factory=list)
    last_duration: int = 0
    first: VideoFrame | None = None
    decoded_pts: list[int] = field(default_factory=list)
    sound_start: int | None = None
    sound_end: int | None = None

    def add_picture(self, packet: Any) -> None:
        if packet.size and not packet.is_discard:
            at = packet.pts if packet.pts is not None else packet.dts
            if at is not None:
                if not self.pts or at >= max(self.pts[-40:]):
                    self.last_duration = packet.duration or 0
                self.pts.append(at)
            if packet.dts is not None:
                self.dts.append(packet.dts)
        if self.first is None or (
            self.first.interlaced_frame and len(self.decoded_pts) < _FRAMES_FOR_FIELDS
        ):
            frames, _ = decoded(packet)
            self.first = self.first or (frames[0] if frames else None)
            self.decoded_pts += [frame.pts for frame in frames if frame.pts is not None]

    def add_sound(self, packet: Any) -> None:
        if self.sound_start is None:
            frames, _ = decoded(packet)
            self.sound_start = frames[0].pts if frames else None
        if packet.size and packet.pts is not None and not packet.is_discard:
            end = packet.pts + (packet.duration or 0) - _trimmed_ticks(packet)
            self.sound_end = max(end, self.sound_end if self.sound_end is not None else end)


def probe(path: str | os.PathLike[str]) -> ClipFacts:
    """What a clip is: times of all frames, size, turn, colour, sound.

    Every packet is read; of the pictures only the first is decoded. Frames that an edit list
    hides do not count, and neither do those before the first picture that can be decoded.

    Parameters
    ----------
    path : str or path
        A film file: MP4, MOV, MKV, WebM, AVI, TS and the like.

    Raises
    ------
    InputError
        If the file is missing, empty, not a film, without its index, or holds no pictures.
    """
    scan = _Scan()
    with opened(path) as clip:
        is_cut_off = clip.structure.is_cut_off
        both = [clip.video, clip.sound] if clip.sound and not is_cut_off else [clip.video]
        for packet in packets(clip, *both):
            if packet.stream is clip.video:
                scan.add_picture(packet)
            else:
                scan.add_sound(packet)
        if len(both) == 2 or not clip.sound:
            return _facts(clip, scan)
    with opened(path) as clip:
        # In a file that is cut off, one stream's end would end the reading of the other.
        for packet in packets(clip, clip.sound):
            scan.add_sound(packet)
        return _facts(clip, scan)


def _facts(clip: OpenClip, scan: _Scan) -> ClipFacts:
    first = scan.first
    pts = np.array(scan.pts) if first is None else _presented(clip, scan, first)
    if first is None or len(pts) < 2:
        raise InputError(
            f"{clip.path}: holds fewer than two pictures that can be decoded and have times of "
            "their own; use a clip of a whole run"
        )
    time_base = clip.video.time_base or Fraction(1, 1000)
    times = FrameTimes(pts, time_base)
    last_ticks = 0 if clip.has_decode_times_only else scan.last_duration
    last_ticks = last_ticks or round(float(np.median(np.diff(times.pts))))
    span = Fraction(int(times.pts[-1] - times.pts[0])) * time_base
    upright = upright_of(first, clip.video.sample_aspect_ratio)
    sound = _sound_facts(clip, scan, int(times.pts[0]) * time_base)
    range_name = "pc" if first.format.name.startswith("yuvj") else "unknown"
    return ClipFacts(
        path=clip.path,
        width=upright.width,
        height=upright.height,
        rotation_deg=upright.rotation_deg,
        is_mirrored=upright.is_mirrored,
        pixel_aspect=upright.pixel_aspect,
        frame_times=times,
        duration_s=float(span + last_ticks * time_base),
        frame_rate_hz=_average_rate(times, clip.video.average_rate),
        is_variable=times.is_variable,
        video_codec=_codec_name(clip.video),
        pixel_format=first.format.name,
        bit_depth=first.format.components[0].bits,
        color_range=_RANGES.get(int(first.color_range), range_name),
        color_space=_SPACES.get(int(first.colorspace), "unknown"),
        color_primaries=_PRIMARIES.get(int(first.color_primaries), "unknown"),
        color_transfer=_TRANSFERS.get(int(first.color_trc), "unknown"),
        is_interlaced=first.interlaced_frame,
        created_utc=_created(clip.container.metadata, clip.video.metadata),
        is_cut_off=clip.structure.is_cut_off,
        **sound,
    )


def _codec_name(stream: Any) -> str:
    """The standard's name (``av1``), not that of the decoder in use (such as ``libdav1d``)."""
    return str(stream.codec_context.codec.canonical_name)


def _presented(clip: OpenClip, scan: _Scan, first: VideoFrame) -> IntArray:
    """Presentation times in order: none twice, none before the first picture decoded.

    A recording cut out of a stream may begin with frames whose references are missing; decoders
    leave them out, so the clip starts at the first frame that comes out of the decoder.
    """
    if clip.has_decode_times_only:
        # Each frame is shown one reordering later than it is decoded: the same steps.
        return np.unique(np.array(scan.dts or scan.pts, dtype=np.int64))
    pts = np.unique(np.array(scan.pts, dtype=np.int64))
    pts = pts[pts >= first.pts] if first.pts is not None else pts
    return whole_frames(pts, scan.decoded_pts) if first.interlaced_frame else pts


def whole_frames(pts: IntArray, decoded_pts: list[int]) -> IntArray:
    """Times of frames where some frames come as two packets, one for each field.

    Interlaced H.264 may store the fields of a frame apart (field pictures, ITU-T H.264 section
    7.4.3); the decoder then gives one frame, at the first field's time.

    Parameters
    ----------
    pts : ndarray of int64, shape (n,)
        Times of all packets, increasing.
    decoded_pts : list of int
        Times of the first frames out of the decoder.

    Examples
    --------
    >>> whole_frames(np.arange(0, 240, 20), [0, 40, 80, 120]).tolist()
    [0, 40, 80, 120, 160, 200]
    >>> whole_frames(np.arange(0, 160, 40), [0, 40, 80, 120]).tolist()
    [0, 40, 80, 120]
    """
    if len(decoded_pts) < 3:
        return pts
    least = 0.75 * float(np.median(np.diff(decoded_pts)))
    kept: list[int] = []
    for at in pts.tolist():
        if not kept or at - kept[-1] >= least:
            kept.append(at)
    return np.array(kept, dtype=np.int64)


def _average_rate(times: FrameTimes, said: Fraction | None) -> Fraction:
    """Frames a second; a rate that the file says or a usual one where the times agree in a tick."""
    span = int(times.pts[-1] - times.pts[0])
    measured = (len(times) - 1) / (span * times.time_base)
    usual = [Fraction(rate) for rate in _USUAL_RATES]
    usual += [rate * 1000 / 1001 for rate in usual]
    # Times in whole milliseconds cannot tell 30 from 29.97 in a short clip: ask the file first.
    for rates in ([said] if said in usual else [], usual, [said] if said else []):
        nearest = min(rates, key=lambda rate: abs(rate - measured), default=measured)
        if rates and abs(nearest / measured - 1) <= Fraction(1, span):
            return nearest
    return measured.limit_denominator(1001)


def _sound_facts(clip: OpenClip, scan: _Scan, origin_s: Fraction) -> dict[str, Any]:
    if clip.sound is None or scan.sound_start is None or scan.sound_end is None:
        none = {"audio_codec": None, "audio_rate_hz": 0, "audio_channels": 0}
        return none | {"audio_start_s": 0.0, "audio_duration_s": 0.0}
    time_base = clip.sound.time_base or Fraction(1, 1000)
    return {
        "audio_codec": _codec_name(clip.sound),
        "audio_rate_hz": clip.sound.codec_context.sample_rate,
        "audio_channels": clip.sound.codec_context.channels,
        "audio_start_s": float(scan.sound_start * time_base - origin_s),
        "audio_duration_s": float((scan.sound_end - scan.sound_start) * time_base),
    }


def _trimmed_ticks(packet: Any) -> int:
    """Ticks at a sound packet's end that the encoder only padded."""
    if not packet.has_sidedata("skip_samples"):
        return 0
    _, at_end = struct.unpack("<II", bytes(packet.get_sidedata("skip_samples"))[:8])
    rate = packet.stream.codec_context.sample_rate
    if not rate:  # damage: the sound cannot be decoded either
        return 0
    return round(Fraction(at_end, rate) / Fraction(packet.time_base))


def _created(*metadata: Mapping[str, str]) -> datetime | None:
    for tags in metadata:
        text = tags.get("creation_time")
        if not text:
            continue
        try:
            when = datetime.fromisoformat(text.replace(" ", "T", 1))
        except ValueError:
            continue
        when = when if when.tzinfo else when.replace(tzinfo=UTC)
        if when.year not in _EPOCHS:
            return when.astimezone(UTC)
    return None
