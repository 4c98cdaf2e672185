"""Gauges alone with transparency, and stills."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from overlay.errors import UsageError
from overlay.footage import probe
from overlay.render.alpha import alpha_clip
from overlay.render.stills import still
from overlay.scene.layers import Layer, still_layer
from tests.clips import make_clip, make_clip_of, run_ffmpeg
from tests.render.codes import HEIGHT, PER_SECOND, WIDTH, code_layer, read, spell

WIDE, HIGH = 192, 128


def rgba(path: Path, decoder: list[str]) -> np.ndarray:
    raw = run_ffmpeg(
        *decoder, "-i", path, "-fps_mode", "passthrough", "-pix_fmt", "rgba", "-f", "rawvideo", "-"
    )
    return np.frombuffer(raw, np.uint8).reshape(-1, HIGH, WIDE, 4)


@pytest.mark.parametrize("suffix", [".mov", ".webm"])
def test_alpha__times_colours_transparency(
    tmp_path: Path, suffix: str, rng: np.random.Generator
) -> None:
    pts = np.cumsum(rng.integers(10, 60, 12)).tolist()
    planar = np.full((HIGH * 3 // 2, WIDE), 128, np.uint8)
    source = make_clip_of(tmp_path / "a.mp4", [planar] * 12, pts)
    tile = np.zeros((32, 64, 4), np.uint8)
    tile[:16] = (230, 159, 0, 255)
    tile[16:] = (0, 114, 178, 128)
    target = tmp_path / f"b{suffix}"
    report = alpha_clip(source, [code_layer(), still_layer(64, 64, tile)], target)
    times = probe(source).frame_times.seconds
    np.testing.assert_allclose(probe(target).frame_times.seconds, times, atol=6e-4)
    assert report.frames == 12
    made = rgba(target, ["-c:v", "libvpx-vp9"] if suffix == ".webm" else [])
    assert [read(frame[..., 1]) for frame in made] == [round(t * PER_SECOND) for t in times]
    middle = made[6].astype(int)
    assert middle[40:60, :, 3].max() <= 2
    assert middle[:HEIGHT, :WIDTH, 3].min() >= 253
    np.testing.assert_allclose(middle[68:76, 72:120].mean(axis=(0, 1)), (230, 159, 0, 255), atol=5)
    np.testing.assert_allclose(middle[84:92, 72:120].mean(axis=(0, 1)), (0, 114, 178, 128), atol=5)


def test_alpha__refuses_other_kinds(tmp_path: Path) -> None:
    source = make_clip(tmp_path / "a.mp4", size=(WIDE, HIGH), seconds=0.2)
    with pytest.raises(UsageError, match="transparency"):
        alpha_clip(source, [code_layer()], tmp_path / "b.mp4")


def coded(path: Path, pts: list[int], time_base: Fraction) -> Path:
    pictures = []
    for at in pts:
        planar = np.full((HIGH * 3 // 2, WIDE), 128, np.uint8)
        planar[:HEIGHT, :WIDTH] = spell(round(float(at * time_base) * PER_SECOND))[..., 0]
        pictures.append(planar)
    return make_clip_of(path, pictures, pts, time_base=time_base)


@pytest.mark.parametrize("at_s", [0.0, 0.1, 0.19, 4.04, 5.98])
def test_still__frame_on_screen(tmp_path: Path, at_s: float) -> None:
    from PIL import Image

    source = coded(tmp_path / "a.mp4", list(range(0, 150)), Fraction(1, 25))
    shown_s = still(source, [code_layer(0, 64)], at_s, tmp_path / "b.png")
    picture = np.asarray(Image.open(tmp_path / "b.png").convert("L"))
    assert picture.shape == (HIGH, WIDE)
    assert read(picture) == read(picture, 0, 64) == round(shown_s * PER_SECOND)
    assert shown_s <= at_s + 1e-6 < shown_s + 0.04


def test_still__square_pixels_and_colour(tmp_path: Path) -> None:
    from PIL import Image

    source = make_clip(tmp_path / "a.mp4", size=(WIDE, HIGH), seconds=0.5, sar=Fraction(4, 3))
    tile = np.full((32, 32, 4), 255, np.uint8)
    tile[..., :3] = (230, 159, 0)
    layer = Layer(0, 0, 32, 32, lambda t: tile)
    still(source, [layer], 0.2, tmp_path / "b.png", covers=[(64, 64, 64, 32)])
    picture = np.asarray(Image.open(tmp_path / "b.png"))
    assert picture.shape == (HIGH, WIDE * 4 // 3, 3)
    np.testing.assert_allclose(picture[8:24, 8:32].mean(axis=(0, 1)), (230, 159, 0), atol=3)


def test_still__refuses_time_outside(tmp_path: Path) -> None:
    source = make_clip(tmp_path / "a.mp4", size=(WIDE, HIGH), seconds=0.5)
    with pytest.raises(UsageError, match="no picture at 7"):
        still(source, [], 7.0, tmp_path / "b.png")
    with pytest.raises(UsageError, match=r"\.png"):
        still(source, [], 0.0, tmp_path / "b.jpg")
