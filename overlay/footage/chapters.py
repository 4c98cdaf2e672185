"""Recordings that a camera splits into several files which continue each other."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from overlay.errors import MismatchError, UsageError
from overlay.footage.facts import probe
from overlay.footage.model import ClipFacts
from overlay.timebase import FloatArray, FrameTimes

_RATE_TOLERANCE = 0.01


@dataclass(frozen=True, eq=False)
class Chapters:
    """One recording in several files, on one footage time."""

    parts: tuple[ClipFacts, ...]  # the files in the order of recording
    # Times of all frames; the first frame of a part comes one frame length after the last frame of
    # the part before.
    frame_times: FrameTimes
    # shape (parts,): Footage time of each part's first frame in seconds; the first is 0.
    starts_s: FloatArray
    duration_s: float  # seconds from the first frame's start to the last frame's end


def join_parts(paths: Sequence[str | os.PathLike[str]]) -> Chapters:
    """Put the files of one recording end to end.

    Parameters
    ----------
    paths : sequence
        The files in the order of recording.

    Raises
    ------
    InputError
        If a file is not a film that can be read.
    MismatchError
        If size, turn, codec, frame rate or sound of a part differ from the first part's.
    UsageError
        If no file is named.
    """
    if not paths:
        raise UsageError("no files to join: name the parts in the order of recording")
    parts = tuple(probe(path) for path in paths)
    for part in parts[1:]:
        _require_same(parts[0], part)
    time_base = parts[0].frame_times.time_base
    starts: list[Fraction] = [Fraction(0)]
    pts = []
    for part in parts:
        times = part.frame_times
        scale = times.time_base / time_base
        begin = round(starts[-1] / time_base)
        since = times.pts - times.pts[0]
        ticks = since if scale == 1 else np.round(since * float(scale)).astype(np.int64)
        pts.append(begin + ticks)
        whole_ticks = round(Fraction(part.duration_s) / time_base) * time_base
        starts.append(starts[-1] + whole_ticks)
    return Chapters(
        parts=parts,
        frame_times=FrameTimes(np.concatenate(pts), time_base),
        starts_s=np.array([float(start) for start in starts[:-1]]),
        duration_s=float(starts[-1]),
    )


def _require_same(first: ClipFacts, part: ClipFacts) -> None:
    ratio = float(part.frame_rate_hz / first.frame_rate_hz)
    checks = {
        "size": ((first.width, first.height), (part.width, part.height)),
        "turn": (first.rotation_deg, part.rotation_deg),
        "pixel aspect": (first.pixel_aspect, part.pixel_aspect),
        "codec": (first.video_codec, part.video_codec),
        "sound": (
            (first.audio_codec, first.audio_rate_hz, first.audio_channels),
            (part.audio_codec, part.audio_rate_hz, part.audio_channels),
        ),
    }
    for what, (wanted, found) in checks.items():
        if wanted != found:
            raise MismatchError(
                f"{part.path}: {what} {found} differs from {wanted} of {first.path}; "
                "name only the parts of one recording"
            )
    if abs(ratio - 1) > _RATE_TOLERANCE and not (part.is_variable or first.is_variable):
        raise MismatchError(
            f"{part.path}: frame rate {float(part.frame_rate_hz):.3f} Hz differs from "
            f"{float(first.frame_rate_hz):.3f} Hz of {first.path}; "
            "name only the parts of one recording"
        )
