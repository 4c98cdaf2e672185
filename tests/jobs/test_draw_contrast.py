"""Text on finished frames is legible over the worst footage, in every gauge."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from overlay.footage import luma_crops, probe
from overlay.gauges.base import PLATE_ALPHA
from overlay.gauges.gapbar import GapBar, GapValues
from overlay.gauges.layout import LayoutRegion, layout_for
from overlay.gauges.palette import GROUND, INK, QUIET_INK, contrast, luma_709
from overlay.jobs.film import FilmRun, draw_run
from overlay.render.together import Side, SplitScreen, compose_clips
from overlay.scene import Cell, Style, geometry_of, scene_of, still_layer
from tests.clips import make_clip
from tests.jobs.known import known_alignment, speed_log

__all__ = ["known_alignment"]
SECONDS, LOOK_S = 2.2, 2.0
FOOTAGE = {
    "snow": "color=white",
    "night": "color=black",
    "busy": "color=gray,geq=lum='255*mod(floor((X+3*N)/3)+floor(Y/3)\\,2)':cb=128:cr=128",
}
PICTURES = [(854, 480), (1920, 1080), (480, 854)]


def grey_contrast(light: float, dark: float) -> float:
    """WCAG contrast of two limited-range lumas taken as greys."""
    return contrast(*((255 * (np.clip(v, 16, 235) - 16) / 219,) * 3 for v in (light, dark)))


def like(picture: npt.NDArray[np.uint8], color: tuple[int, int, int]) -> npt.NDArray[np.bool_]:
    """Where a gauge shows a colour as it is, or all but."""
    away = np.abs(picture[..., :3].astype(int) - np.array(color)).max(axis=2)
    near: npt.NDArray[np.bool_] = away <= 12
    return near


@pytest.mark.usefixtures("known_alignment")
@pytest.mark.parametrize("footage", FOOTAGE)
@pytest.mark.parametrize("size", PICTURES)
def test_finished_frames__text_contrast_in_every_gauge(
    tmp_path: Path, footage: str, size: tuple[int, int]
) -> None:
    source, _, change = FOOTAGE[footage].partition(",")
    clip = make_clip(
        tmp_path / "a.mp4",
        size=size,
        seconds=SECONDS,
        rate=5,
        source=source.replace("color=", "color=c="),
        video_filter=change or None,
    )
    log = speed_log(tmp_path / "a.csv", SECONDS, revs=True)
    style = Style(
        units="m/s",
        splits=("2 m/s", "1 m"),
        gauges=("ribbon", "comb", "ladder", "accel", "strip"),
    )
    run = draw_run(FilmRun(clip, (log,)), tmp_path / "b.mp4", style).runs[0]
    (layers,) = scene_of([Cell(run)], style).layers
    assert len(layers) == 5
    boxes = [(layer.x, layer.y, layer.width, layer.height) for layer in layers]
    frame, crops = next(
        found for found in luma_crops(tmp_path / "b.mp4", boxes) if found[0].t_s >= LOOK_S - 1e-6
    )
    for layer, shown in zip(layers, crops, strict=True):
        check_contrast(layer.draw(frame.t_s), shown)


def check_contrast(meant: npt.NDArray[np.uint8], shown: npt.NDArray[np.uint8]) -> None:
    """WCAG 2.2, 1.4.3: 4.5:1, in both inks, against the brightest twentieth of the plate."""
    plain = like(meant, GROUND) & (np.abs(meant[..., 3] / 255 - PLATE_ALPHA) < 0.02)
    ground = float(np.percentile(shown[plain], 95))
    for ink in (INK, QUIET_INK):
        here = like(meant, ink) & (meant[..., 3] == 255)
        if here.sum() < 12:
            continue
        text = float(np.median(shown[here]))
        assert grey_contrast(text, ground) >= 4.5, (ink, text, ground)
        assert text > luma_709(ink) - 60


@pytest.mark.parametrize("footage", FOOTAGE)
def test_finished_pair__text_contrast_in_the_gap_bar(tmp_path: Path, footage: str) -> None:
    source, _, change = FOOTAGE[footage].partition(",")
    clip = make_clip(
        tmp_path / "a.mp4",
        size=(360, 640),
        seconds=1.2,
        rate=5,
        source=source.replace("color=", "color=c="),
        video_filter=change or None,
    )
    size = (1280, 720)
    (box,) = layout_for(*size, ["gap"], LayoutRegion((0, 0, *size), "shared-side"))
    gauge = GapBar(box.width, box.height, names=("stock", "drum"))
    meant = gauge.draw(GapValues(0.31, 2.4, 0.04)).copy()
    layer = still_layer(box.x, box.y, meant)
    geometry = geometry_of([probe(clip)] * 2, "side by side", size=size)
    sides = Side(clip, 0.2), Side(clip, 0.2)
    compose_clips(SplitScreen(sides, geometry, common=[layer], lead_s=0.2), tmp_path / "b.mp4")
    place = (box.x, box.y, box.width, box.height)
    *_, (_, (shown,)) = luma_crops(tmp_path / "b.mp4", [place])
    check_contrast(meant, shown)
