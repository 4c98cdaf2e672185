"""Chapter marks and timed text, added to a finished clip without encoding it again."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from overlay.errors import UsageError
from overlay.render.pipeline import encode
from overlay.render.source import checked_target, facts_of, named


@dataclass(frozen=True)
class ChapterMark:
    """A place to jump to: footage time in seconds, and its name."""

    at_s: float
    title: str


@dataclass(frozen=True)
class Caption:
    """Text shown from `start_s` to `end_s`, seconds of footage time."""

    start_s: float
    end_s: float
    text: str


def add_marks(
    source: str | os.PathLike[str],
    target: str | os.PathLike[str],
    *,
    marks: Sequence[ChapterMark] = (),
    captions: Sequence[Caption] = (),
) -> None:
    """Copy a clip and add chapter marks (launch, splits, finish) and a timed-text track.

    Parameters
    ----------
    source, target : path
        Different files; the target is ``.mp4``, ``.mov`` or ``.mkv``.
    marks : sequence of ChapterMark
        In any order; the part before the first gets the name ``Start``.
    captions : sequence of Caption
        In any order; they may not overlap.
    """
    final, suffix = checked_target(target, [source])
    facts = facts_of(source)
    chapters = chapter_text(marks, facts.duration_s) if marks else ""
    subtitles = caption_text(captions)
    before = ["-i", named(facts.path)]
    after = ["-map", "0:v", "-map", "0:a?", "-map_metadata", "0", "-c:v", "copy", "-c:a", "copy"]
    with tempfile.TemporaryDirectory() as folder:
        if marks:
            listing = Path(folder) / "marks.txt"
            listing.write_text(chapters, encoding="utf-8")
            before += ["-f", "ffmetadata", "-i", str(listing)]
            after += ["-map_chapters", "1"]
        if captions:
            listing = Path(folder) / "text.srt"
            listing.write_text(subtitles, encoding="utf-8")
            after += ["-map", f"{before.count('-i')}:s"]
            after += ["-c:s", "srt" if suffix == ".mkv" else "mov_text"]
            before += ["-f", "srt", "-i", str(listing)]
        if suffix != ".mkv":
            tick = facts.frame_times.time_base.denominator
            after += ["-movflags", "+faststart", "-video_track_timescale", str(tick)]
        encode(final, before, [], after, total_s=facts.duration_s)


def chapter_text(marks: Sequence[ChapterMark], duration_s: float) -> str:
    """Marks as the encoder's metadata text, each chapter lasting to the next.

    Raises
    ------
    UsageError
        If a mark lies outside the clip.

    Examples
    --------
    >>> print(chapter_text([ChapterMark(2.0, "Launch; go")], 5.0))
    ;FFMETADATA1
    [CHAPTER]
    TIMEBASE=1/1000
    START=0
    END=2000
    title=Start
    [CHAPTER]
    TIMEBASE=1/1000
    START=2000
    END=5000
    title=Launch\\; go
    """
    ordered = sorted(marks, key=lambda mark: mark.at_s)
    for mark in ordered:
        if not 0 <= mark.at_s <= duration_s:
            raise UsageError(
                f"the mark {mark.title!r} at {mark.at_s:.3f} s is outside the clip of "
                f"{duration_s:.3f} s"
            )
    if not ordered or ordered[0].at_s > 0:
        ordered.insert(0, ChapterMark(0.0, "Start"))
    ends = [mark.at_s for mark in ordered[1:]] + [duration_s]
    lines = [";FFMETADATA1"]
    for mark, end_s in zip(ordered, ends, strict=True):
        title = "".join("\\" + sign if sign in "=;#\\\n" else sign for sign in mark.title)
        lines += ["[CHAPTER]", "TIMEBASE=1/1000", f"START={round(mark.at_s * 1000)}"]
        lines += [f"END={round(end_s * 1000)}", f"title={title}"]
    return "\n".join(lines)


def caption_text(captions: Sequence[Caption]) -> str:
    """Captions as SubRip text.

    Raises
    ------
    UsageError
        If one ends before it starts, or two overlap.

    Examples
    --------
    >>> print(caption_text([Caption(1.5, 3.25, "20 mph in 3.30 s")]))
    1
    00:00:01,500 --> 00:00:03,250
    20 mph in 3.30 s
    <BLANKLINE>
    """
    ordered = sorted(captions, key=lambda caption: caption.start_s)
    blocks = []
    last_s = 0.0
    for number, caption in enumerate(ordered, start=1):
        if not last_s <= caption.start_s < caption.end_s:
            raise UsageError(
                f"the caption {caption.text!r} from {caption.start_s:.3f} to "
                f"{caption.end_s:.3f} s overlaps another, is empty or starts before the clip"
            )
        last_s = caption.end_s
        text = " ".join(caption.text.split())
        blocks.append(f"{number}\n{_stamp(caption.start_s)} --> {_stamp(caption.end_s)}\n{text}\n")
    return "\n".join(blocks)


def _stamp(time_s: float) -> str:
    whole, thousandths = divmod(round(time_s * 1000), 1000)
    return f"{whole // 3600:02}:{whole // 60 % 60:02}:{whole % 60:02},{thousandths:03}"
