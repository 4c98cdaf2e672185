"""A run out of a long recording, by stream copy."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from overlay.errors import UsageError
from overlay.footage import picture, probe
from overlay.render.cut import cut_clip
from tests.clips import make_clip


@pytest.mark.parametrize("suffix", [".mp4", ".mkv", ".mov"])
@pytest.mark.parametrize("rotation", [0, 90])
def test_cut__frames_are_those_of_the_source(tmp_path: Path, suffix: str, rotation: int) -> None:
    if suffix == ".mkv" and rotation:
        pytest.skip("the clip maker turns MP4 and MOV only")
    source = make_clip(
        tmp_path / f"long{suffix}", rate="30000/1001", seconds=6.0, gop=30, audio=1,
        rotation=rotation,
    )  # fmt: skip
    target = tmp_path / f"part{suffix}"
    start_s = cut_clip(source, target, from_s=2.6, to_s=4.5)
    assert start_s == pytest.approx(60 * 1001 / 30000, abs=0.002)  # the key frame before
    whole, part = probe(source), probe(target)
    assert part.rotation_deg == rotation
    assert 4.5 <= start_s + part.duration_s < 5.5
    count = int(np.sum(whole.frame_times.seconds <= 4.5)) - 60
    there = whole.frame_times.seconds[60 : 60 + count] - start_s
    np.testing.assert_allclose(part.frame_times.seconds[:count], there, atol=0.002)
    np.testing.assert_array_equal(picture(target, 1.0), picture(source, start_s + 1.0))
    assert part.audio_duration_s == pytest.approx(part.duration_s, abs=0.15)
    assert abs(part.audio_start_s) < 0.1


def test_cut__outside_the_clip(tmp_path: Path) -> None:
    source = make_clip(tmp_path / "long.mp4", seconds=1.0)
    with pytest.raises(UsageError, match=r"from 3 to 4 s; give two rising times"):
        cut_clip(source, tmp_path / "part.mp4", from_s=3.0, to_s=4.0)
    assert not (tmp_path / "part.mp4").exists()
