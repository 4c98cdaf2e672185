"""Picture loops: the right part, at its true speed, in its shape."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from overlay.errors import UsageError
from overlay.render.teaser import teaser_clip
from tests.clips import make_clip, make_clip_of

BRIGHT = [16 + 3 * index for index in range(60)]


@pytest.fixture
def stairs(tmp_path: Path) -> Path:
    """Frame n is an even grey of 16 + 3 n, thirty a second."""
    pictures = [np.full((96, 64), value, np.uint8) for value in BRIGHT]
    for picture in pictures:
        picture[64:] = 128
    return make_clip_of(tmp_path / "a.mp4", pictures, list(range(60)), time_base=Fraction(1, 30))


def shown(path: Path) -> list[tuple[float, float, tuple[int, int]]]:
    """Time, limited-range luma and size of each picture of a loop."""
    result, at_s = [], 0.0
    with Image.open(path) as loop:
        assert loop.info["loop"] == 0
        for index in range(loop.n_frames):
            loop.seek(index)
            loop.load()
            grey = np.asarray(loop.convert("RGB"), float).mean()
            result.append((at_s, 16 + grey * 219 / 255, loop.size))
            at_s += loop.info["duration"] / 1000
    return [*result, (at_s, float("nan"), loop.size)]


@pytest.mark.parametrize("kind", ["gif", "webp"])
def test_teaser__true_speed_from_the_right_place(stairs: Path, tmp_path: Path, kind: str) -> None:
    target = tmp_path / f"b.{kind}"
    length_s = teaser_clip(stairs, target, from_s=0.5, to_s=1.5, width=128, rate_hz=10)
    *pictures, (end_s, _, _) = shown(target)
    assert length_s == pytest.approx(1.0)
    assert end_s == pytest.approx(1.0, abs=0.02)
    assert len(pictures) == 10
    for at_s, luma, size in pictures:
        meant = BRIGHT[round((0.5 + at_s) * 30)]
        assert luma == pytest.approx(meant, abs=5)
        assert size == (128, 128)


def test_teaser__wide_pixels_are_made_square(tmp_path: Path) -> None:
    source = make_clip(tmp_path / "a.mp4", size=(96, 96), sar=Fraction(2, 1), seconds=0.5)
    teaser_clip(source, tmp_path / "b.gif", width=200)
    with Image.open(tmp_path / "b.gif") as loop:
        assert loop.size == (200, 100)


def test_teaser__refuses_what_cannot_be(tmp_path: Path) -> None:
    source = make_clip(tmp_path / "a.mp4")
    for name, options, words in [
        ("b.mp4", {}, "gif"),
        ("b.gif", {"from_s": 0.8, "to_s": 0.2}, "rising"),
        ("b.gif", {"width": 10}, "64"),
        ("b.gif", {"rate_hz": 0.1}, "1 to 30"),
    ]:
        with pytest.raises(UsageError, match=words):
            teaser_clip(source, tmp_path / name, **options)  # type: ignore[arg-type]
    assert [path.name for path in tmp_path.iterdir()] == ["a.mp4"]
