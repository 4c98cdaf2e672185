"""Recordings in several files that continue each other."""

import numpy as np
import pytest
from clips import make_clip, run_ffmpeg

from overlay.errors import MismatchError, UsageError
from overlay.footage import join_parts, luma_frames


def split(tmp_path, whole):
    """Parts of one recording cut at key frames by ffmpeg, each with times from zero."""
    pattern = tmp_path / "part%d.mp4"
    run_ffmpeg(
        *("-i", whole, "-c", "copy", "-f", "segment", "-segment_time", "1"),
        *("-reset_timestamps", "1", pattern),
    )
    return sorted(tmp_path.glob("part*.mp4"))


def test_join_parts__continues_as_the_whole(tmp_path):
    whole = make_clip(tmp_path / "whole.mp4", seconds=3.0, gop=30, b_frames=0)
    parts = split(tmp_path, whole)
    assert len(parts) == 3
    chapters = join_parts(parts)
    every = list(luma_frames(whole, drop_loop_filter=False))
    joined = [f for part in parts for f in luma_frames(part, drop_loop_filter=False)]
    assert chapters.starts_s == pytest.approx([0, 1, 2])
    assert chapters.duration_s == pytest.approx(3.0)
    assert chapters.frame_times.seconds == pytest.approx([f.t_s for f in every])
    assert all(np.array_equal(a.luma, b.luma) for a, b in zip(joined, every, strict=True))


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"size": (64, 96)}, "size"),
        ({"codec": "mpeg2"}, "codec"),
        ({"rate": 60}, "frame rate"),
        ({"audio": 2}, "sound"),
        ({"rotation": 180}, "turn"),
    ],
)
def test_join_parts__refuses_strangers(tmp_path, change, what):
    first = make_clip(tmp_path / "a.mp4", seconds=0.3)
    other = make_clip(tmp_path / "b.mp4", **({"seconds": 0.3} | change))
    with pytest.raises(MismatchError, match=rf"b\.mp4: {what} .* differs from"):
        join_parts([first, other])


def test_join_parts__needs_a_file():
    with pytest.raises(UsageError, match="no files"):
        join_parts([])
