"""Files of one recording made one clip, without encoding again."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Sequence
from pathlib import Path

from overlay.files import forbid_overwriting_inputs, written_whole
from overlay.render.pipeline import OnProgress, run
from overlay.render.source import container_of


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
        ``.mp4``, ``.mov`` or ``.mkv``; written whole or not at all.

    Raises
    ------
    InputError, MismatchError, UsageError
        As :func:`overlay.footage.join_parts` says.
    OutputError, EncoderError
        As their messages say; then nothing is left of the target.
    """
    from overlay.footage import join_parts

    final = Path(target)
    suffix = container_of(final)
    chapters = join_parts(paths)
    forbid_overwriting_inputs(final, [Path(part.path) for part in chapters.parts])
    starts = [*chapters.starts_s.tolist(), chapters.duration_s]
    lines = ["ffconcat version 1.0"]
    for index, part in enumerate(chapters.parts):
        name = os.path.abspath(part.path).replace("'", "'\\''")
        lines += [f"file 'file:{name}'", f"duration {starts[index + 1] - starts[index]:.6f}"]
    first = chapters.parts[0]
    turn = ["-display_rotation", str(-first.rotation_deg)] if first.rotation_deg else []
    tick = first.frame_times.time_base.denominator
    with tempfile.TemporaryDirectory() as folder, written_whole(final) as part_path:
        listing = Path(folder) / "parts.txt"
        listing.write_text("\n".join(lines) + "\n", encoding="utf-8")
        before = [*turn, "-f", "concat", "-safe", "0", "-i", str(listing)]
        after = ["-map", "0:V:0", "-map", "0:a?", "-c", "copy", "-map_chapters", "-1"]
        if suffix != ".mkv":
            after += ["-video_track_timescale", str(tick), "-write_tmcd", "0"]
        run(
            before,
            [],
            [*after, os.fspath(part_path.absolute())],
            total_s=chapters.duration_s,
            progress=progress,
        )
