"""A recording in several files becomes one clip."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from overlay.errors import MismatchError, OutputError
from overlay.footage import join_parts, probe, read_sound
from overlay.render.cut import cut_clip
from overlay.render.draw import draw_clip
from overlay.render.encoder import EncodeOptions
from overlay.render.join import join_clips
from tests.clips import make_clip, run_ffmpeg
from tests.render.codes import PER_SECOND, code_layer, frames, read


@pytest.mark.parametrize("rotation", [0, 90])
def test_join__times_go_on(tmp_path: Path, rotation: int) -> None:
    folder = tmp_path / "it's here"
    folder.mkdir()
    parts = [
        make_clip(
            folder / f"p{i}.mp4", size=(192, 160), rate="30000/1001", seconds=1.0, audio=1,
            rotation=rotation,
        )
        for i in range(3)
    ]  # fmt: skip
    target = tmp_path / "whole.mp4"
    join_clips(parts, target)
    whole, chapters = probe(target), join_parts(parts)
    assert whole.rotation_deg == rotation
    assert len(whole.frame_times) == len(chapters.frame_times) == 90
    tick_s = float(whole.frame_times.time_base)
    np.testing.assert_allclose(
        whole.frame_times.seconds, chapters.frame_times.seconds, atol=2 * tick_s
    )
    assert whole.audio_duration_s == pytest.approx(3.0, abs=0.05)
    drawn = tmp_path / "drawn.mp4"
    draw_clip(target, [code_layer()], drawn, options=EncodeOptions(preset="ultrafast"))
    codes = [read(yuv[0]) for _, yuv in frames(drawn)]
    assert codes == [round(t * PER_SECOND) for t in whole.frame_times.seconds]


def test_join__refuses_what_cannot_be(tmp_path: Path) -> None:
    a = make_clip(tmp_path / "a.mp4", size=(192, 160), seconds=0.5)
    b = make_clip(tmp_path / "b.mp4", size=(160, 192), seconds=0.5)
    with pytest.raises(MismatchError, match="size"):
        join_clips([a, b], tmp_path / "c.mp4")
    with pytest.raises(OutputError, match="never changed"):
        join_clips([a, a], a)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.mp4", "b.mp4"]


def beeping(path: Path, at_s: float, seconds: float) -> Path:
    """A clip whose sound begins suddenly at a footage time."""
    tone = f"aevalsrc='0.9*sin(2*PI*1000*t)*gte(t,{at_s})':s=48000:d={seconds}"
    run_ffmpeg("-f", "lavfi", "-i", f"testsrc2=s=192x160:r=30:d={seconds}", "-f", "lavfi",
               "-i", tone, "-c:v", "libx264", "-g", "30", "-c:a", "aac", path)  # fmt: skip
    return path


def starts_s(path: Path) -> list[float]:
    """Footage times at which the sound begins after silence."""
    heard = read_sound(path, mono=True)
    assert heard is not None
    loud = heard.t_s[np.abs(heard.samples.ravel()) > 0.2]
    return [float(at_s) for at_s in loud[np.diff(loud, prepend=-1.0) > 0.1]]


def test_join__sound_stays_with_its_picture(tmp_path: Path) -> None:
    parts = [beeping(tmp_path / f"p{i}.mp4", 0.7, 1.0) for i in range(3)]
    join_clips(parts, tmp_path / "whole.mp4")
    assert starts_s(tmp_path / "whole.mp4") == pytest.approx([0.7, 1.7, 2.7], abs=1 / 30)


def test_cut__sound_stays_with_its_picture(tmp_path: Path) -> None:
    source = beeping(tmp_path / "a.mp4", 3.4, 5.0)
    start_s = cut_clip(source, tmp_path / "part.mp4", from_s=2.5, to_s=4.0)
    assert start_s == pytest.approx(2.0)
    assert starts_s(tmp_path / "part.mp4") == pytest.approx([3.4 - start_s], abs=1 / 30)
