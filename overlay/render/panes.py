"""Where each clip of a split-screen stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from overlay.errors import UsageError
from overlay.footage.model import ClipFacts

ARRANGEMENTS = ("side by side", "stacked")
_LONG, _SHORT = 1920, 1080
TOP_SHARE = 0.312  # most that stays free above a clip, of its cell's height
_SMALL = 640  # clips no wider than this get a smaller picture, since enlarging adds nothing


@dataclass(frozen=True)
class PixelBox:
    """A part of the finished picture, in pixels; all four numbers even."""

    x: int
    y: int
    width: int
    height: int


@dataclass(frozen=True)
class Geometry:
    """The finished picture of a split-screen.

    Attributes
    ----------
    width, height : int
        Its size in (square) pixels.
    cells : tuple of PixelBox
        Its division among the clips.
    panes : tuple of PixelBox
        The part of each cell that the clip fills; the rest is plain ground.
    """

    width: int
    height: int
    cells: tuple[PixelBox, ...]
    panes: tuple[PixelBox, ...]


def pair_geometry(
    a: ClipFacts, b: ClipFacts, arrangement: str, *, size: tuple[int, int] | None = None
) -> Geometry:
    """Two clips beside or above each other, each as large as its half allows, shape kept.

    Side by side makes a wide picture of 1920×1080, stacked an upright one of 1080×1920 (two
    thirds of that for small clips), unless `size` says otherwise. What a clip leaves free of its
    half is room for gauges.

    Raises
    ------
    UsageError
        If the arrangement is unknown or the size is odd or tiny.
    """
    if arrangement not in ARRANGEMENTS:
        known = ", ".join(ARRANGEMENTS)
        raise UsageError(f"unknown arrangement {arrangement!r}: use one of {known}")
    beside = arrangement == "side by side"
    if size is None:
        small = all(max(one.width, one.height) <= _SMALL for one in (a, b))
        long, short = (1280, 720) if small else (_LONG, _SHORT)
        size = (long, short) if beside else (short, long)
    width, height = _checked(size)
    if beside:
        half = width // 2
        cells = (PixelBox(0, 0, half, height), PixelBox(half, 0, half, height))
    else:
        half = height // 2
        cells = (PixelBox(0, 0, width, half), PixelBox(0, half, width, half))
    return Geometry(width, height, cells, _fitted((a, b), cells))


def grid_geometry(clips: Sequence[ClipFacts], *, size: tuple[int, int] | None = None) -> Geometry:
    """Two to four clips in two columns; a lone clip of the last row stands in the middle.

    The picture is 1920×1080, or 1080×1920 when most clips are upright, unless `size` says
    otherwise.

    Raises
    ------
    UsageError
        If there are fewer than two or more than four clips, or the size is odd or tiny.
    """
    count = len(clips)
    if not 2 <= count <= 4:
        raise UsageError(f"a grid of {count} clips: give two to four")
    if size is None:
        upright = sum(clip.height > clip.width * clip.pixel_aspect for clip in clips)
        size = (_SHORT, _LONG) if upright * 2 > count else (_LONG, _SHORT)
    width, height = _checked(size)
    rows = -(-count // 2)
    half, high = width // 2, height // rows // 2 * 2
    cells = []
    for index in range(count):
        lone = index == count - 1 and count % 2
        x = half // 4 * 2 if lone else index % 2 * half
        cells.append(PixelBox(x, index // 2 * high, half, high))
    return Geometry(width, height, tuple(cells), _fitted(clips, cells))


def _checked(size: tuple[int, int]) -> tuple[int, int]:
    width, height = size
    if width % 4 or height % 4 or min(width, height) < 64:
        raise UsageError(f"a picture of {width}×{height}: use multiples of 4, from 64 up")
    return width, height


def _fitted(clips: Sequence[ClipFacts], cells: Sequence[PixelBox]) -> tuple[PixelBox, ...]:
    panes = []
    for clip, cell in zip(clips, cells, strict=True):
        shape = Fraction(clip.width, clip.height) * clip.pixel_aspect
        width = min(cell.width, _even(cell.height * shape))
        height = min(cell.height, _even(cell.width / shape))
        x = cell.x + (cell.width - width) // 4 * 2
        # What stays free holds gauges: the gap bar and the combs above, the ribbons below.
        above = min(cell.height - height, TOP_SHARE * cell.height)
        y = cell.y + int(max(above, (cell.height - height) / 2)) // 2 * 2
        panes.append(PixelBox(x, y, width, height))
    return tuple(panes)


def _even(length: Fraction) -> int:
    return max(2, round(length / 2) * 2)
