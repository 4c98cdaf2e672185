"""Where clips and gauges stand: clips whole and alike, gauges off every edge, legible, apart."""

from __future__ import annotations

import itertools
from fractions import Fraction
from functools import cache
from types import SimpleNamespace
from typing import Any

import pytest

from overlay.errors import UsageError
from overlay.gauges.layout import Placement, layout_for, parse_layout
from overlay.scene.arrangement import Geometry, clear_of_edges, geometry_of
from tests.gauges.test_gauges_layout import gauge_for, overlap

SHAPES = {
    "16:9": (1920, 1080),
    "4:3": (1440, 1080),
    "9:16": (1080, 1920),
    "1:1": (1080, 1080),
    "21:9": (2520, 1080),
    "3:4": (810, 1080),
    "16:10": (1728, 1080),
    "small": (640, 360),
}
PAIRS: list[str] = ["side by side", "stacked"]


def clip(shape: str, aspect: Fraction = Fraction(1)) -> Any:
    width, height = SHAPES[shape]
    return SimpleNamespace(width=width, height=height, pixel_aspect=aspect)


def cases() -> list[tuple[str, tuple[str, ...]]]:
    alike: list[tuple[str, tuple[str, ...]]] = [
        (arrangement, (shape,) * count)
        for arrangement, count in [*((name, 2) for name in PAIRS), ("grid", 3), ("grid", 4)]
        for shape in SHAPES
    ]
    mixed = [("16:9", "9:16"), ("9:16", "16:9"), ("4:3", "9:16"), ("1:1", "16:9"), ("21:9", "4:3")]
    alike += [("grid", (shape,) * 2) for shape in SHAPES]
    return [*alike, *((name, pair) for name in PAIRS for pair in mixed)]


def gauges(geometry: Geometry, index: int) -> tuple[Placement, ...]:
    kinds = ["ribbon", "comb", "ladder", "accel"]
    placed = layout_for(*geometry.size, kinds, geometry.ground(index), skip_missing=True)
    return clear_of_edges(placed, geometry, index)


@cache
def smallest_digits_px(kind: str, width: int, height: int) -> float:
    return gauge_for(Placement(kind, 0, 0, width, height)).smallest_digits_px


@pytest.mark.parametrize(("arrangement", "shapes"), cases())
def test_gauges__on_the_picture_or_in_a_bar_never_across_its_edge(
    arrangement: str, shapes: tuple[str, ...]
) -> None:
    geometry = geometry_of([clip(shape) for shape in shapes], arrangement)
    width, height = geometry.size
    seen: list[Placement] = [] if geometry.gap is None else [geometry.gap]
    for index in range(len(shapes)):
        seen += gauges(geometry, index)
    for box in seen:
        assert all(value % 2 == 0 for value in (box.x, box.y, box.width, box.height))
        assert 0.05 * width - 1 <= box.x and box.x + box.width <= 0.95 * width + 1
        assert 0.05 * height - 1 <= box.y and box.y + box.height <= 0.95 * height + 1
        for pane in geometry.panes:
            inside = (
                pane.x <= box.x
                and box.x + box.width <= pane.right
                and pane.y <= box.y
                and box.y + box.height <= pane.bottom
            )
            outside = (
                box.x + box.width <= pane.x
                or pane.right <= box.x
                or box.y + box.height <= pane.y
                or pane.bottom <= box.y
            )
            assert inside or outside, (box, pane)
        # As for layouts: 4.5 px where the picture is shown 360 px wide (test_gauges_type).
        assert smallest_digits_px(box.gauge_kind, box.width, box.height) * 360 / width >= 4.5, box
    for one, other in itertools.combinations(seen, 2):
        assert not overlap(one, other), (one, other)


@pytest.mark.parametrize(("arrangement", "shapes"), cases())
def test_panes__keep_their_shape_inside_their_cells(
    arrangement: str, shapes: tuple[str, ...]
) -> None:
    clips = [clip(shape) for shape in shapes]
    geometry = geometry_of(clips, arrangement)
    for shown, cell, pane in zip(clips, geometry.cells, geometry.panes, strict=True):
        assert cell.x <= pane.x and pane.right <= cell.right
        assert cell.y <= pane.y and pane.bottom <= cell.bottom
        assert pane.width / pane.height == pytest.approx(shown.width / shown.height, rel=0.012)
        assert pane.width * pane.height > 0.28 * cell.width * cell.height
    if len(set(shapes)) == 1:
        assert len({(pane.width, pane.height) for pane in geometry.panes}) == 1


def test_geometry__wide_pixels_count() -> None:
    geometry = geometry_of([clip("4:3", Fraction(4, 3))] * 2, "side by side")
    assert geometry.panes == geometry_of([clip("16:9")] * 2, "side by side").panes


def test_geometry__alone_is_the_clip_less_an_odd_row() -> None:
    odd: Any = SimpleNamespace(width=641, height=361, pixel_aspect=Fraction(1))
    geometry = geometry_of([odd], "alone")
    assert geometry.size == (640, 360) and geometry.cells == geometry.panes


def test_geometry__sizes_follow_the_arrangement() -> None:
    sizes = {name: geometry_of([clip("16:9")] * 2, name).size for name in PAIRS}
    assert sizes == {"side by side": (1920, 1080), "stacked": (1080, 1920)}
    assert geometry_of([clip("small")] * 2, "side by side").size == (1280, 720)
    assert geometry_of([clip("9:16")] * 3, "grid").size == (1080, 1920)
    lone = geometry_of([clip("16:9")] * 3, "grid").cells[-1]
    assert lone.x == 480  # in the middle of its row


def test_geometry__a_gap_bar_at_the_bottom_keeps_its_place() -> None:
    text = (
        "[side]\nribbon = { x = 0, y = 0, width = 1, height = 0.2 }\n"
        "[shared-side]\ngap = { x = 0, y = 0.85, width = 1, height = 0.15 }\n"
    )
    layout = parse_layout(text, "mine")
    geometry = geometry_of([clip("4:3")] * 2, "side by side", layout=layout)
    gap = geometry.gap
    assert gap is not None and gap.y > 800
    assert all(pane.bottom <= gap.y for pane in geometry.panes)


@pytest.mark.parametrize(
    ("arrangement", "count", "size", "words"),
    [
        ("heaped", 2, None, "unknown arrangement"),
        ("grid", 5, None, "two to four"),
        ("stacked", 3, None, "takes two runs; 3 were given"),
        ("grid", 2, (99, 100), "multiples of 4"),
    ],
)
def test_geometry__refuses_what_cannot_be(
    arrangement: Any, count: int, size: tuple[int, int] | None, words: str
) -> None:
    with pytest.raises(UsageError, match=words):
        geometry_of([clip("16:9")] * count, arrangement, size=size)
