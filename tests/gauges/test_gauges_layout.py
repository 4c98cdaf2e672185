"""Layouts: safe area, horizon, even pixels, no overlap, clear errors."""

import itertools
from pathlib import Path

import pytest

from overlay.errors import InputError, UsageError
from overlay.gauges.accel import AccelBar
from overlay.gauges.comb import Comb
from overlay.gauges.gapbar import GapBar
from overlay.gauges.ladder import Ladder
from overlay.gauges.layout import (
    KEEP_CLEAR,
    LayoutRegion,
    Placement,
    built_in_layout,
    layout_for,
    load_layout,
)
from overlay.gauges.ribbon import Ribbon
from overlay.gauges.strip import Strip

SIZES = [
    (854, 480),
    (1280, 720),
    (1920, 1080),
    (3840, 2160),
    (1440, 1080),
    (1080, 1920),
    (720, 1280),
    (1080, 1350),
    (1080, 1080),
]


# part: (left, top, right, bottom) of the picture, and the table that places its gauges
PARTS: dict[str, tuple[tuple[float, float, float, float], str]] = {
    "whole": ((0, 0, 1, 1), "whole"),
    "left": ((0, 0, 0.5, 1), "side"),
    "right": ((0.5, 0, 1, 1), "side"),
    "top": ((0, 0, 1, 0.5), "stack"),
    "bottom": ((0, 0.5, 1, 1), "stack"),
    "top-left": ((0, 0, 0.5, 0.5), "quarter"),
    "top-right": ((0.5, 0, 1, 0.5), "quarter"),
    "bottom-left": ((0, 0.5, 0.5, 1), "quarter"),
    "bottom-right": ((0.5, 0.5, 1, 1), "quarter"),
    "shared-side": ((0, 0, 1, 1), "shared-side"),
    "shared-stack": ((0, 0, 1, 1), "shared-stack"),
}


def ground(width: int, height: int, part: str) -> LayoutRegion:
    (left, top, right, bottom), table = PARTS[part]
    region = (left * width, top * height, (right - left) * width, (bottom - top) * height)
    return LayoutRegion(region, table)


def placed(width: int, height: int, part: str, rungs: int = 4) -> tuple[Placement, ...]:
    kinds = list(built_in_layout(width, height).tables[PARTS[part][1]])
    return layout_for(width, height, kinds, ground(width, height, part), rungs=rungs)


def overlap(first: Placement, second: Placement) -> bool:
    return (
        first.x < second.x + second.width
        and second.x < first.x + first.width
        and first.y < second.y + second.height
        and second.y < first.y + first.height
    )


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("part", PARTS)
def test_layout_for__keeps_all_the_rules(size: tuple[int, int], part: str) -> None:
    width, height = size
    (left, top, right, bottom), _ = PARTS[part]
    clear = Placement(
        "ribbon",
        round(width * (left + KEEP_CLEAR[0] * (right - left))),
        round(height * (top + KEEP_CLEAR[1] * (bottom - top))),
        round(width * (right - left) * (KEEP_CLEAR[2] - KEEP_CLEAR[0])),
        round(height * (bottom - top) * (KEEP_CLEAR[3] - KEEP_CLEAR[1])),
    )
    boxes = placed(width, height, part)
    for box in boxes:
        assert all(value % 2 == 0 for value in (box.x, box.y, box.width, box.height))
        # title-safe: 5 % off each edge of the picture
        assert box.x >= 0.05 * width - 1
        assert box.y >= 0.05 * height - 1
        assert box.x + box.width <= 0.95 * width + 1
        assert box.y + box.height <= 0.95 * height + 1
        # inside the build's own part
        assert box.x >= left * width
        assert box.x + box.width <= right * width
        assert box.y >= top * height
        assert box.y + box.height <= bottom * height
        if not part.startswith("shared"):
            assert not overlap(box, clear), box
    for first, second in itertools.combinations(boxes, 2):
        assert not overlap(first, second), (first, second)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize(
    ("shared", "parts"),
    [("shared-side", ("left", "right")), ("shared-stack", ("top", "bottom"))],
)
def test_layout_for__shared_gauges_leave_the_builds_own_free(
    size: tuple[int, int], shared: str, parts: tuple[str, str]
) -> None:
    boxes = [placed(*size, part) for part in (shared, *parts)]
    for first, second in itertools.combinations(itertools.chain(*boxes), 2):
        assert not overlap(first, second), (first, second)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("part", [p for p in PARTS if not p.startswith("shared")])
def test_layout_for__shared_gap_leaves_the_horizon_of_both_free(
    size: tuple[int, int], part: str
) -> None:
    assert any(box.gauge_kind == "ribbon" for box in placed(*size, part))


def test_layout_for__scales_with_the_picture() -> None:
    small, large = layout_for(1280, 720, ["ribbon"])[0], layout_for(3840, 2160, ["ribbon"])[0]
    assert large.width == pytest.approx(3 * small.width, abs=8)
    assert large.y == pytest.approx(3 * small.y, abs=8)


def test_layout_for__fewer_rungs_make_a_shorter_ladder() -> None:
    heights = [layout_for(1920, 1080, ["ladder"], rungs=n)[0].height for n in (2, 3, 4)]
    assert heights[0] < heights[1] < heights[2]


def test_layout_for__names_what_it_cannot_place() -> None:
    with pytest.raises(UsageError, match="no place for the gap in"):
        layout_for(1920, 1080, ["gap"], ground(1920, 1080, "left"))
    assert layout_for(1920, 1080, ["gap"], ground(1920, 1080, "left"), skip_missing=True) == ()
    with pytest.raises(UsageError, match="unknown gauge"):
        layout_for(1920, 1080, ["dial"])


def test_load_layout__places_gauges_where_it_says(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text("[whole]\nribbon = { x = 0, y = 0.5, width = 1, height = 0.2 }\n")
    (box,) = layout_for(1000, 1000, ["ribbon"], layout=load_layout(file))
    assert box == Placement("ribbon", 50, 500, 900, 180)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("ribbon = [", "not valid TOML"),
        ("", "is empty"),
        ("# nothing\n", "places no gauge"),
        ("[everywhere]\n", r"\[everywhere\]: unknown table"),
        ("whole = 3\n", "must be a table"),
        ("[whole]\ndial = {}\n", "dial: unknown gauge"),
        ("[whole]\ncomb = 3\n", "comb: must be"),
        ("[whole]\ncomb = { x = 0.1, y = 0.1, width = 0.2 }\n", "height is missing"),
        ("[whole]\ncomb = { x = 0.9, y = 0, width = 0.2, height = 0.1 }\n", "at the right"),
        ("[whole]\ncomb = { x = 0, y = 0, width = 0.2, height = 0.0 }\n", "at the bottom"),
        ("[whole]\ncomb = { x = -1, y = 0, width = 0.2, height = 0.1 }\n", "share from 0 to 1"),
        ("[whole]\ncomb = { x = 'a', y = 0, width = 0.2, height = 0.1 }\n", "share from 0"),
        ("[whole]\ncomb = { x = nan, y = 0, width = 0.2, height = 0.1 }\n", "share from 0"),
        ("[whole]\ncomb = { x=0, y=0, width=0.2, height=0.1, z=1 }\n", "unknown key z"),
        ("[whole]\ncomb = { x=0, y=0, width=0.2, height=0.1, rung=0.1 }\n", "unknown key rung"),
    ],
)
def test_load_layout__says_what_is_wrong(tmp_path: Path, text: str, message: str) -> None:
    file = tmp_path / "bad.toml"
    file.write_text(text)
    with pytest.raises(InputError, match=message) as caught:
        load_layout(file)
    assert "bad.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_load_layout__missing_and_not_text(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        load_layout(tmp_path / "none.toml")
    file = tmp_path / "binary.toml"
    file.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="UTF-8"):
        load_layout(file)


def gauge_for(box: Placement) -> Ribbon | Comb | Ladder | GapBar | Strip | AccelBar:
    size = (box.width, box.height)
    if box.gauge_kind == "ribbon":
        return Ribbon(*size, full_scale_mps=20.0)
    if box.gauge_kind == "comb":
        return Comb(*size, full_scale_rpm=6000, limiter_rpm=5000)
    if box.gauge_kind == "ladder":
        return Ladder(*size, labels=("10 mph", "20 mph", "30 mph", "60 m"))
    if box.gauge_kind == "gap":
        return GapBar(*size, names=("stock clutch", "drum clutch"))
    if box.gauge_kind == "strip":
        return Strip(*size, length_m=66.0, names=("stock", "drum"))
    return AccelBar(*size, full_scale_mps2=5.0)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("part", PARTS)
def test_layout_for__smallest_digits_on_a_phone(size: tuple[int, int], part: str) -> None:
    """Height of the smallest digits when the picture is shown 360 px wide.

    At 4.5 px the ten digits are told apart without error (test_gauges_type).
    """
    for box in placed(*size, part):
        shown_px = gauge_for(box).smallest_digits_px * 360 / size[0]
        assert shown_px >= (5.0 if part == "whole" else 4.5), (box, shown_px)


@pytest.mark.parametrize("size", [(854, 480), (3840, 2160), (720, 1280)])
def test_layout_for__every_place_holds_its_gauge(size: tuple[int, int]) -> None:
    for part in PARTS:
        for box in placed(*size, part):
            assert gauge_for(box).size == (box.width, box.height)
