"""A recording in several files becomes one clip."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from overlay.errors import MismatchError, OutputError
from overlay.footage import join_parts, probe
from overlay.render.draw import draw_clip
from overlay.render.encoder import EncodeOptions
from overlay.render.join import join_clips
from tests.clips import make_clip
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
