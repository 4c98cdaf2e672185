"""A part of a long recording as a clip of its own, by stream copy."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

from overlay.errors import InputError
from overlay.files import written_whole
from overlay.footage.model import ClipFacts
from overlay.render.output import COPIED
from overlay.render.pipeline import run
from overlay.render.source import (
    checked_target,
    facts_of,
    named,
    require_section,
    turn_arguments,
)

_JUST_AFTER_S = 0.002  # past the key frame, so that rounding does not seek to the one before
# ffmpeg seeks 3/23 s early in containers that it cannot seek by presentation time.
_EARLY_S = 0.133
_BY_PRESENTATION = (".mp4", ".mov", ".m4v", ".3gp")
_TICK_S = 0.002
_TAIL_S = 0.5  # copied beyond the end: the last frames stored may need ones left out


def cut_clip(
    source: str | os.PathLike[str],
    target: str | os.PathLike[str],
    *,
    from_s: float,
    to_s: float,
) -> float:
    """Copy a part of a clip, pictures and sound untouched, from the key frame before it on.

    The part goes on for up to a second after `to_s`.

    Parameters
    ----------
    target : path
        Of a container that holds the same codecs; written whole or not at all.
    from_s, to_s : float
        Footage times in seconds.

    Returns
    -------
    float
        Footage time in the source of the part's first frame, at or before `from_s`.

    Raises
    ------
    InputError
        If the clip cannot be cut without harm: its frames do not come out as they were.
    """
    final, _ = checked_target(target, [source])
    facts = facts_of(os.fspath(source))
    require_section(facts, from_s, to_s)
    start_s, seek_s = _key_frame(os.fspath(source), from_s)
    seek_s += _JUST_AFTER_S
    if Path(source).suffix.lower() not in _BY_PRESENTATION:
        seek_s += _EARLY_S
    seek = ["-ss", f"{seek_s:.6f}"] if start_s > 0 else []
    length = f"{to_s + _TAIL_S - start_s:.6f}"
    with written_whole(final) as part:
        run(
            [*seek, *turn_arguments(facts), "-i", named(facts.path)],
            [],
            [*COPIED, "-t", length, "-avoid_negative_ts", "make_zero", os.fspath(part.absolute())],
            total_s=to_s - start_s,
        )
        _check(facts, os.fspath(part), start_s, to_s)
    return start_s


def _key_frame(path: str, at_s: float) -> tuple[float, float]:
    """Footage time of the last key frame at or before a footage time, and its container time."""
    import av

    try:
        with av.open(path) as container:
            video = container.streams.video[0]
            base = video.time_base
            assert base is not None
            first = next(p.pts for p in container.demux(video) if p.pts is not None)
            origin = min(first, video.start_time if video.start_time is not None else first)
            found = origin
            container.seek(origin + int(at_s / base), stream=video, backward=True)
            for packet in container.demux(video):
                if packet.pts is None or packet.pts > origin + at_s / base:
                    break
                if packet.is_keyframe:
                    found = packet.pts
            begin = container.start_time or 0
            return float((found - origin) * base), float(found * base) - begin / 1e6
    except (av.FFmpegError, StopIteration) as error:
        raise InputError(f"{path}: cannot be cut: {error}; cut it with an editor") from error


def _check(source: ClipFacts, part: str, start_s: float, to_s: float) -> None:
    """The part's frames lie as they lay in the source, and its first picture is the same."""
    from overlay.footage import picture

    there = source.frame_times.seconds
    first = int(np.argmin(np.abs(there - start_s)))
    wanted = there[(there >= there[first]) & (there <= to_s)] - there[first]
    made = facts_of(part).frame_times.seconds[: len(wanted)]
    same_times = len(made) == len(wanted) and bool(np.all(np.abs(wanted - made) < _TICK_S))
    same = same_times and np.array_equal(picture(part, 0.0), picture(source.path, start_s))
    if not same:
        raise InputError(
            f"{source.path}: cannot be cut at {start_s:.2f} s without harm; cut it with an editor "
            "and name the part in the sheet"
        )
