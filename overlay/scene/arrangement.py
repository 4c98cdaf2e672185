"""Where each clip and each gauge of a film stands, whatever the number of clips.

A picture is divided into cells, one a clip. A clip keeps its shape, so it may leave bars of plain
ground in its cell. Gauges lie wholly on the clip's picture or wholly in a bar, never across the
edge between them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from overlay.arrangements import Division, division_for
from overlay.errors import UsageError
from overlay.footage.model import ClipFacts
from overlay.gauges.layout import (
    SAFE_SHARE,
    SEAM_SHARE,
    Box,
    GaugeLayout,
    LayoutRegion,
    Placement,
    layout_for,
)

_LONG, _SHORT = 1920, 1080
_SMALL = 640  # clips no wider than this get a smaller picture, since enlarging adds nothing
# Shares of a cell's height or width, so chosen that the smallest digits of every gauge stay legible
# (4.5 px high where the whole picture is 360 px wide) for clips from 9:16 to 21:9.
TOP_SHARE = 0.304  # most that stays free above a clip
BAR_SHARE = 0.524  # a bar this wide beside a narrow clip takes its gauges
UPRIGHT_TO = 0.7  # width over height of a clip that leaves such a bar
NARROW_SHARE, LOW_SHARE = 0.72, 0.9  # gauges on less ground stand one above another
EDGE_PX = 8  # from the edge of a clip's picture to a gauge on it or beside it
LEAST_SHARE = 0.95  # of their height that gauges may shrink to, so as to fit into a bar


@dataclass(frozen=True)
class Rect:
    """A part of the finished picture, in pixels; all four numbers even."""

    x: int
    y: int
    width: int
    height: int

    @property
    def right(self) -> int:
        """Column after the last."""
        return self.x + self.width

    @property
    def bottom(self) -> int:
        """Row after the last."""
        return self.y + self.height

    @property
    def xywh(self) -> Box:
        """The four numbers."""
        return self.x, self.y, self.width, self.height


@dataclass(frozen=True)
class Geometry:
    """The finished picture."""

    # Its size in pixels.
    width: int
    height: int
    cells: tuple[Rect, ...]  # its division among the clips
    panes: tuple[Rect, ...]  # the part of each cell that the clip fills; the rest is plain ground
    table: str = "whole"  # name of the layout's table for a cell's gauges
    gap: Placement | None = None  # where the gap bar between two runs stands
    # Rows at the top and at the bottom of each cell that are left to it.
    kept_free: tuple[int, int] = (0, 0)

    @property
    def size(self) -> tuple[int, int]:
        """Width and height."""
        return self.width, self.height

    def bar(self, index: int) -> Rect | None:
        """The bar of plain ground beside a clip, where it is wide enough for the gauges."""
        cell, pane = self.cells[index], self.panes[index]
        left, right = pane.x - cell.x, cell.right - pane.right
        wide = max(left, right)
        if wide < max(2, BAR_SHARE * cell.width):
            return None
        top, bottom = self.kept_free
        x = cell.x if left > right else pane.right
        return Rect(x, cell.y + top, wide, cell.height - top - bottom)

    def ground(self, index: int) -> LayoutRegion:
        """The part of a cell that its gauges are laid out on.

        A clip that leaves a wide bar beside it gives its gauges that bar; one that leaves a
        narrow one takes them on its picture; one that leaves bars above and below shares its cell.
        """
        cell, pane = self.cells[index], self.panes[index]
        if max(pane.x - cell.x, cell.right - pane.right) < 2:
            return LayoutRegion(cell.xywh, self.table)
        box = self.bar(index) or pane
        is_small = box.width < NARROW_SHARE * cell.width or box.height < LOW_SHARE * cell.height
        table = "narrow" if is_small and self.table in ("side", "stack") else self.table
        return LayoutRegion(box.xywh, table, EDGE_PX)


def geometry_of(
    clips: Sequence[ClipFacts],
    arrangement: str,
    *,
    size: tuple[int, int] | None = None,
    layout: GaugeLayout | None = None,
) -> Geometry:
    """Clips in one picture, each as large as its cell allows, shape kept.

    Side by side makes a wide picture of 1920×1080, stacked an upright one of 1080×1920 (two
    thirds of that for small clips); a grid of two columns is upright when most clips are. A clip
    alone keeps its own size, less an odd last row or column.

    Parameters
    ----------
    clips : sequence of ClipFacts
        In reading order.
    size : (int, int), optional
        Pixels of the picture of several clips.
    layout : GaugeLayout, optional
        The user's own, for the place of the gap bar.

    Raises
    ------
    UsageError
        If the arrangement is unknown or does not take so many clips, or the size is odd or tiny.
    """
    count = len(clips)
    division = division_for(arrangement, count)
    if division.most == 1:
        # H.264 and its kin store colour for squares of two by two pixels, so sizes are even.
        whole = Rect(0, 0, clips[0].width // 2 * 2, clips[0].height // 2 * 2)
        return Geometry(whole.width, whole.height, (whole,), (whole,))
    width, height = _checked(size or _usual_size(division, clips))
    table = division.crowded if division.crowded and count > 2 else division.table
    cells = _cells(division, count, width, height)
    gap = None
    if division.shared:
        ground = LayoutRegion((0, 0, width, height), division.shared)
        (gap,) = layout_for(width, height, ["gap"], ground, layout=layout)
    shapes = [Fraction(clip.width, clip.height) * clip.pixel_aspect for clip in clips]
    kept = _kept_free(cells, gap)
    panes = tuple(
        _standing(_largest(shape, cell, kept), cell, kept, width)
        for shape, cell in zip(shapes, cells, strict=True)
    )
    return Geometry(width, height, cells, panes, table, gap, kept)


def _cells(division: Division, count: int, width: int, height: int) -> tuple[Rect, ...]:
    """Cells of so many clips, in reading order."""
    columns, rows = division.columns, -(-count // division.columns)
    wide, high = width // columns // 2 * 2, height // rows // 2 * 2
    cells = []
    for index in range(count):
        is_lone = columns > 1 and index == count - 1 and count % columns == 1
        x = (width - wide) // 4 * 2 if is_lone else index % columns * wide
        cells.append(Rect(x, index // columns * high, wide, high))
    return tuple(cells)


def _usual_size(division: Division, clips: Sequence[ClipFacts]) -> tuple[int, int]:
    """Width and height of the picture."""
    upright, small = division.is_upright, all(max(c.width, c.height) <= _SMALL for c in clips)
    if upright is None:
        count = sum(clip.height > clip.width * clip.pixel_aspect for clip in clips)
        upright, small = count * 2 > len(clips), False
    long, short = (1280, 720) if small else (_LONG, _SHORT)
    return (short, long) if upright else (long, short)


def _checked(size: tuple[int, int]) -> tuple[int, int]:
    width, height = size
    if width % 4 or height % 4 or min(width, height) < 64:
        raise UsageError(f"a picture of {width}×{height}: use multiples of 4, from 64 up")
    return width, height


def _largest(shape: Fraction, cell: Rect, kept: tuple[int, int]) -> tuple[int, int]:
    """Size of a clip in its cell, clear of the gap bar; an upright one leaves a bar beside it."""
    room, across = cell.height - sum(kept), cell.width
    if sum(kept) and shape <= UPRIGHT_TO:
        across = int((1 - BAR_SHARE) * cell.width) // 2 * 2
    return min(across, _even(room * shape)), min(room, _even(across / shape))


def _standing(size: tuple[int, int], cell: Rect, kept: tuple[int, int], width_px: int) -> Rect:
    """A clip of that size in its cell; a wide bar beside it lies toward the picture's middle."""
    (width, height), (top, bottom) = size, kept
    free, aside = cell.height - height, cell.width - width
    if aside >= BAR_SHARE * cell.width:
        above, x = top + (free - top - bottom) / 2, cell.x
        x += aside if cell.x + cell.width / 2 > width_px / 2 else 0
    else:
        # What stays free holds gauges: the gap bar and the combs above, the ribbons below.
        above = max(min(free, TOP_SHARE * cell.height) if sum(kept) else 0, free / 2, top)
        x = cell.x + aside // 4 * 2
    return Rect(x, cell.y + int(min(above, free - bottom)) // 2 * 2, width, height)


def _kept_free(cells: Sequence[Rect], gap: Placement | None) -> tuple[int, int]:
    """Rows at the top and at the bottom of every cell that the gap bar takes of one."""
    if gap is None:
        return 0, 0
    middle, end = gap.y + gap.height / 2, gap.y + gap.height
    top = bottom = 0
    for cell in cells:
        if cell.y <= middle < cell.y + 0.3 * cell.height:
            top = 2 * math.ceil((end - cell.y) / 2) + 8
        elif cell.bottom - 0.3 * cell.height < middle <= cell.bottom:
            bottom = 2 * math.ceil((cell.bottom - gap.y) / 2) + 8
    return top, bottom


def _even(length: Fraction) -> int:
    return max(2, round(length / 2) * 2)


# -- gauges in a cell ----------------------------------------------------------------------------


def clear_of_edges(
    places: Sequence[Placement], geometry: Geometry, index: int
) -> tuple[Placement, ...]:
    """Gauges of one cell moved, and shrunk a little where they must be, off the clip's edges.

    Each goes to where most of it lies already: the bar above, the picture, or the bar below;
    gauges that would have to shrink much to fit a bar go on the picture.
    """
    cell, pane = geometry.cells[index], geometry.panes[index]
    if geometry.bar(index) is not None:
        return tuple(places)
    safe_top, safe_bottom = safe_rows(cell, geometry.height)
    top, bottom = geometry.kept_free
    safe_top = max(safe_top, cell.y + top - 4) if top else safe_top
    safe_bottom = min(safe_bottom, cell.bottom - bottom + 4) if bottom else safe_bottom
    zones = [(safe_top, pane.y), (max(safe_top, pane.y), min(safe_bottom, pane.bottom))]
    zones.append((pane.bottom, safe_bottom))
    groups: list[list[Placement]] = [[], [], []]
    for place in places:
        middle = place.y + place.height / 2
        groups[0 if middle < pane.y else 1 if middle < pane.bottom else 2].append(place)
    for edge in (0, 2):
        start, end = zones[edge]
        if groups[edge] and end - start < LEAST_SHARE * _height(groups[edge]):
            groups[1] += groups[edge]
            groups[edge] = []
    moved: dict[int, Placement] = {}
    for (start, end), group in zip(zones, groups, strict=True):
        if group:
            moved |= dict(zip(map(id, group), _fitted(group, start, end), strict=True))
    return tuple(moved[id(place)] for place in places)


def safe_rows(cell: Rect, height: int) -> tuple[int, int]:
    """First row, and row after the last, of a cell that gauges and words may stand on."""
    seam = SEAM_SHARE * height
    top = max(SAFE_SHARE * height, cell.y + (seam if cell.y else 0))
    bottom = min((1 - SAFE_SHARE) * height, cell.bottom - (seam if cell.bottom < height else 0))
    return 2 * math.ceil(top / 2), 2 * math.floor(bottom / 2)


def _height(group: Sequence[Placement]) -> int:
    return max(p.y + p.height for p in group) - min(p.y for p in group)


def _fitted(group: Sequence[Placement], start: int, end: int) -> list[Placement]:
    """Boxes moved into rows from `start` to `end`, none over another; shrunk if they must be."""
    order = sorted(range(len(group)), key=lambda k: group[k].y)
    tops = {k: group[k].y for k in order}
    for k in order:
        above = [tops[n] + group[n].height for n in order if _is_above(group[n], group[k])]
        tops[k] = max(tops[k], start, *above)
    for k in reversed(order):
        below = [tops[n] for n in order if _is_above(group[k], group[n])]
        tops[k] = min(tops[k], min([end, *below]) - group[k].height)
    if min(tops.values()) >= start:
        return [replace(place, y=2 * math.floor(tops[k] / 2)) for k, place in enumerate(group)]
    low = min(p.y for p in group)
    share = (end - start) / _height(group)
    made = []
    for place in group:
        top = 2 * math.ceil((start + share * (place.y - low)) / 2 - 1e-6)
        bottom = 2 * math.floor((start + share * (place.y + place.height - low)) / 2 + 1e-6)
        made.append(replace(place, y=top, height=max(2, bottom - top)))
    return made


def _is_above(one: Placement, other: Placement) -> bool:
    """Whether one box stands above another, over some of the same columns."""
    across = one.x < other.x + other.width and other.x < one.x + one.width
    return across and one.y + one.height <= other.y
