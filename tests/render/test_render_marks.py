"""Chapter marks and timed text by stream copy."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from overlay.errors import OutputError, UsageError
from overlay.footage import probe, read_sound
from overlay.render.marks import Caption, ChapterMark, add_marks
from tests.clips import make_clip, run_ffmpeg


@pytest.mark.parametrize("suffix", [".mp4", ".mkv"])
def test_add_marks__nothing_encoded_again(tmp_path: Path, suffix: str) -> None:
    import av

    source = make_clip(tmp_path / "a.mp4", size=(192, 128), seconds=3, rate=25, audio=2)
    target = tmp_path / f"b{suffix}"
    marks = [ChapterMark(2.0, "60 m"), ChapterMark(0.5, "Launch = go")]
    captions = [Caption(0.5, 1.5, "launch"), Caption(1.5, 2.5, "20 mph in 1.00 s")]
    add_marks(source, target, marks=marks, captions=captions)
    with av.open(str(target)) as container:
        found = [
            (float(c["start"] * c["time_base"]), c["metadata"]["title"])
            for c in container.chapters()
        ]
    assert found == [(0.0, "Start"), (0.5, "Launch = go"), (2.0, "60 m")]
    text = run_ffmpeg("-i", target, "-map", "0:s:0", "-f", "srt", "-").decode()
    assert "00:00:01,500 --> 00:00:02,500\n20 mph in 1.00 s" in text
    old, new = probe(source), probe(target)
    np.testing.assert_allclose(new.frame_times.seconds, old.frame_times.seconds, atol=6e-4)
    assert new.audio_start_s == pytest.approx(old.audio_start_s, abs=0.001)
    copies = [run_ffmpeg("-i", p, "-map", "0:v", "-f", "framemd5", "-") for p in (source, target)]
    sums = [[line.split(b",")[-1] for line in copy.splitlines()[8:]] for copy in copies]
    assert sums[0][-75:] == sums[1][-75:]
    sounds = [read_sound(path) for path in (source, target)]
    assert sounds[0] is not None
    assert sounds[1] is not None
    assert abs(len(sounds[0].samples) - len(sounds[1].samples)) <= 1024


def test_add_marks__refuses_what_cannot_be(tmp_path: Path) -> None:
    source = make_clip(tmp_path / "a.mp4", size=(192, 128), seconds=1)
    with pytest.raises(UsageError, match="outside the clip"):
        add_marks(source, tmp_path / "b.mp4", marks=[ChapterMark(7.0, "late")])
    overlapping = [Caption(0, 0.6, "a"), Caption(0.5, 0.8, "b")]
    with pytest.raises(UsageError, match="overlaps"):
        add_marks(source, tmp_path / "b.mp4", captions=overlapping)
    with pytest.raises(OutputError, match="never changed"):
        add_marks(source, source, marks=[ChapterMark(0.5, "x")])
    assert [path.name for path in tmp_path.iterdir()] == ["a.mp4"]
