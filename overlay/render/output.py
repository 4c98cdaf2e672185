"""How the finished file is written: encoder, frame times, tags; and the report about it."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction

from overlay.errors import UsageError
from overlay.render.encoder import VideoEncoder
from overlay.render.pipeline import Outcome

COPIED = ("-map", "0:V:0", "-map", "0:a?", "-c", "copy", "-map_chapters", "-1")
# Limited range and BT.709, as arguments of an encoder and as a filter.
BT709 = ["-color_range", "tv", "-colorspace", "bt709"]
BT709 += ["-color_primaries", "bt709", "-color_trc", "bt709"]
BT709_FILTER = "setparams=range=tv:colorspace=bt709:color_primaries=bt709:color_trc=bt709"
AAC = ("-c:a", "aac", "-b:a", "192k")


@dataclass(frozen=True)
class RenderReport:
    """What was written, and what a person should know about it."""

    target: str  # the finished file
    # Pixels as stored.
    width: int
    height: int
    frames: int  # frames in the finished clip
    duration_s: float  # seconds of picture
    # Such as ``libx264`` and ``yuv420p``.
    encoder: str
    pixel_format: str
    sound: str  # what became of the sound, in words
    notes: tuple[str, ...]  # anything that was changed, chosen or lost, one sentence each


def report_of(
    target: str | os.PathLike[str],
    size: tuple[int, int],
    outcome: Outcome,
    total_s: float,
    encoder: VideoEncoder,
    sound: str,
    notes: Sequence[str],
) -> RenderReport:
    """What was written by one run of the encoder; its own notes come last."""
    return RenderReport(
        os.fspath(target),
        *size,
        outcome.frames,
        total_s,
        encoder.name,
        encoder.pixel_format,
        sound,
        (*notes, *encoder.notes),
    )


def video_arguments(encoder: VideoEncoder, tick: Fraction, suffix: str) -> list[str]:
    """The encoder, with frames passed on at exactly their times, whole ticks of `tick` seconds."""
    arguments = [*encoder.arguments, "-fps_mode", "passthrough", "-enc_time_base:v", str(tick)]
    if suffix != ".mkv":
        arguments += ["-video_track_timescale", str(tick.denominator)]
    return arguments


def file_arguments(
    suffix: str, created_utc: datetime | None, metadata: Mapping[str, str]
) -> list[str]:
    """Container options and tags; of the source's tags only its creation time is carried on.

    A camera's other tags may hold the place of filming, which a published clip need not tell.
    """
    arguments = ["-map_metadata", "-1"]
    if suffix != ".mkv":
        arguments += ["-movflags", "+faststart", "-write_tmcd", "0"]
    tags = dict(metadata)
    if created_utc is not None:
        tags.setdefault("creation_time", created_utc.strftime("%Y-%m-%dT%H:%M:%S.%fZ"))
    for name, value in tags.items():
        if not name or "=" in name or "\0" in name + value:
            raise UsageError(f"the tag {name!r} cannot be written: use a plain name and text")
        arguments += ["-metadata", f"{name}={value}"]
    return arguments
