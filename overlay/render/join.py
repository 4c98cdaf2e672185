"""Files of one recording made one clip, without encoding again."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable, Sequence
from itertools import pairwise
from pathlib import Path

from overlay.render.output import COPIED
from overlay.render.pipeline import OnProgress, encode
from overlay.render.source import checked_target, container_of, turn_arguments


def join_clips(
    paths: Sequence[str | os.PathLike[str]],
    target: str | os.PathLike[str],
    *,
    progress: OnProgress | None = None,
) -> None:
    """Copy the files of one recording, end to end, into one clip.

    The first frame of each part comes one frame length after the last of the part before.

    Parameters
    ----------
    paths : sequence of path
        In the order of recording.
    target : path
        ``.mp4``, ``.mov`` or ``.mkv``.

    Raises
    ------
    InputError, MismatchError, UsageError
        As :func:`overlay.footage.join_parts` says.
    """
    from overlay.footage import join_parts

    container_of(Path(target))
    chapters = join_parts(paths)
    final, suffix = checked_target(target, paths)
    starts = [*chapters.starts_s.tolist(), chapters.duration_s]
    lengths = [end - start for start, end in pairwise(starts)]
    names = [f"file:{os.path.abspath(part.path)}" for part in chapters.parts]
    first = chapters.parts[0]
    tick = str(first.frame_times.time_base.denominator)
    after = [*COPIED, *([] if suffix == ".mkv" else ["-video_track_timescale", tick])]
    after += [] if suffix == ".mkv" else ["-write_tmcd", "0"]
    with tempfile.TemporaryDirectory() as folder:
        listing = listed(Path(folder), zip(names, lengths, strict=True))
        before = [*turn_arguments(first), *listing]
        encode(final, before, [], after, total_s=chapters.duration_s, progress=progress)


def listed(folder: Path, films: Iterable[tuple[str, float]]) -> list[str]:
    """Arguments that open films, each with its length in seconds, end to end as one input."""
    lines = ["ffconcat version 1.0"]
    for name, length_s in films:
        quoted = name.replace("'", "'\\''")
        lines += [f"file '{quoted}'", f"duration {length_s:.6f}"]
    listing = folder / "parts.txt"
    listing.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return ["-f", "concat", "-safe", "0", "-i", os.fspath(listing)]
