"""A clip that every browser plays, where the camera's own is none: H.264, 8 bit, upright, small."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from overlay.errors import EncoderError
from overlay.files import forbid_overwriting_inputs, written_whole
from overlay.footage.model import ClipFacts
from overlay.render.covers import Box, cover_chain
from overlay.render.output import file_arguments
from overlay.render.pipeline import OnProgress, run
from overlay.render.source import (
    base_chain,
    color_arguments,
    even_size,
    facts_of,
    named,
    source_of,
    tick_of,
)

LONGEST_PX, SMALL_PX = 1280, 640
PLAYED_PX = 1920 * 1088  # more than that is much for a small machine that encodes meanwhile
_PLAYED = {
    ".mp4": {"h264", "av1", "vp9"},
    ".m4v": {"h264"},
    ".mov": {"h264"},
    ".webm": {"vp8", "vp9", "av1"},
}
_HEARD = {None, "aac", "mp3", "opus", "vorbis", "flac"}
_TICK_S = 0.002


def why_not_played(facts: ClipFacts) -> str:
    """Why a browser may not play a clip; empty where all do (common practice, no source)."""
    suffix = Path(facts.path).suffix.lower()
    if facts.video_codec not in _PLAYED.get(suffix, set()):
        return f"{facts.video_codec} in {suffix or 'a file without suffix'}"
    if facts.pixel_format not in ("yuv420p", "yuvj420p"):
        return f"pixels stored as {facts.pixel_format}"
    if facts.audio_codec not in _HEARD:
        return f"sound stored as {facts.audio_codec}"
    if facts.width * facts.height > PLAYED_PX:
        return f"{facts.width}×{facts.height} pixels"
    odd = [("interlaced", facts.is_interlaced), ("mirrored", facts.is_mirrored)]
    odd += [("cut off", facts.is_cut_off)]
    return next((word for word, is_so in odd if is_so), "")


def make_proxy(
    source: ClipFacts | str | os.PathLike[str],
    target: Path,
    *,
    longest_px: int = LONGEST_PX,
    covers: Sequence[Box] = (),
    progress: OnProgress | None = None,
) -> None:
    """Write the clip as H.264 in MP4, each frame at its own time, with a key frame a second or so.

    Parameters
    ----------
    source : ClipFacts or path
    target : Path
        ``.mp4``, written whole or not at all.
    longest_px : int
        Longest side; a smaller clip keeps its size.
    covers : sequence of (x, y, width, height)
        Parts of the picture to hide.

    Raises
    ------
    EncoderError
        If the encoder fails, or its frames are not those of the clip.
    InputError, OutputError
        As their messages say.
    """
    clip = source_of(source)
    facts = clip.facts
    forbid_overwriting_inputs(target, [Path(facts.path)])
    graph = [f"{base_chain(clip, 'yuv420p')[0]}[bare]"]
    graph += cover_chain(covers, "bare", "base", clip.size)
    graph.append(f"[base]{_scaled(facts, longest_px)}[out]")
    tick = tick_of(facts)
    after = ["-filter_complex", ";".join(graph), "-map", "[out]"]
    if clip.sounds:
        after += ["-map", "0:a:0", "-c:a", "aac", "-b:a", "96k", "-ac", "2"]
    # Without B frames every time is that of decoding too: nothing has to be moved.
    after += ["-c:v", "libx264", "-preset", "veryfast", "-crf", "24", "-g", "30", "-bf", "0"]
    after += ["-fps_mode", "passthrough", "-enc_time_base:v", str(tick)]
    after += ["-video_track_timescale", str(tick.denominator), *color_arguments(clip)]
    after += file_arguments(".mp4", None, {})
    with written_whole(target) as part:
        run(
            ["-i", named(facts.path)],
            [],
            [*after, os.fspath(part.absolute())],
            total_s=facts.duration_s,
            progress=progress,
        )
        made, there = facts_of(part).frame_times.seconds, facts.frame_times.seconds
        if len(made) != len(there) or bool(np.any(np.abs(made - there) > _TICK_S)):
            raise EncoderError(
                f"{facts.path}: its small copy has {len(made)} frames where {len(there)} were due, "
                "or other times; convert the clip with an editor"
            )


def _scaled(facts: ClipFacts, longest_px: int) -> str:
    """Square pixels, no side longer than that, both even."""
    width, height = even_size(facts)
    wide = width * float(facts.pixel_aspect)
    share = min(1.0, longest_px / max(wide, height))
    size = [max(2, round(share * side / 2) * 2) for side in (wide, height)]
    return f"scale={size[0]}:{size[1]}:flags=bicubic,format=yuv420p,setsar=1"
