"""What all gauges share: what they are shown of, the plate they stand on, bars with frayed ends.

The plate is a quiet dark translucent ground. Its alpha is chosen so that the quieter of the two
inks keeps a contrast above 6:1 over pure white footage, which leaves a margin to the 4.5:1 of
WCAG 2.2 (1.4.3) for what encoders blur.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, Generic, TypeVar

import numpy as np

from overlay.errors import UsageError
from overlay.gauges.blend import lay_columns, lay_fringe
from overlay.gauges.canvas import Box, Canvas, Rgba
from overlay.gauges.palette import BLACK, GROUND, INK, QUIET_INK, Color
from overlay.gauges.type import DIGITS, Face, Tiles, face, put_text
from overlay.runs.course import Course

if TYPE_CHECKING:
    from overlay.gauges.scales import GaugeScale
    from overlay.session import RunAnalysis

PLATE_ALPHA = 0.86
CORNER_SHARE = 0.14  # of the plate's height, at most
Even = Callable[[float], int]  # pixels of a 1080p picture to even pixels of the picture at hand
Values = TypeVar("Values")
State = tuple[str, "Gauge[Any]", Any]


@dataclass(frozen=True, eq=False)
class Subject:
    """What a gauge is shown of: one run, or several from the same launch."""

    runs: tuple[RunAnalysis, ...]
    scale: GaugeScale  # scales that all runs in the picture share
    names: tuple[str, ...]  # one a run
    hues: tuple[Color, ...]  # of the runs' builds
    # Whether an instant counts from each run's launch; else it is footage time. Seconds.
    since_launch: bool = False

    @property
    def run(self) -> RunAnalysis:
        """The first run, for gauges that show one only."""
        return self.runs[0]

    @property
    def courses(self) -> tuple[Course, ...]:
        """The runs as functions of footage time."""
        return tuple(run.course for run in self.runs)


class Gauge(ABC, Generic[Values]):
    """A gauge of one size.

    Parameters
    ----------
    width, height : int
        Even pixels, since halved colour planes need even sizes.

    Raises
    ------
    UsageError
        If the size is odd or too small to read.
    """

    called: ClassVar[str]  # Its name in messages
    # least width and height at which it can be read, pixels
    least_size: ClassVar[tuple[int, int]]
    # On the contact sheet
    heading: ClassVar[str]
    columns: ClassVar[int]
    # its place in tables of the built-in layouts that do
    # not name one, as shares of their part
    places: ClassVar[Mapping[str, tuple[float, float, float, float]]] = {}
    smallest_digits_px: float  # Height of the smallest digits that a viewer must read, pixels

    def __init__(self, width: int, height: int) -> None:
        if width % 2 or height % 2:
            raise UsageError(
                f"{self.called}: size {width}×{height} must be even in both directions"
            )
        wide, high = self.least_size
        if width < wide or height < high:
            raise UsageError(
                f"{self.called}: size {width}×{height} is too small to read; at least {wide}×{high}"
            )
        self.size = (width, height)
        self._frame: Rgba = np.zeros((height, width, 4), np.uint8)

    @classmethod
    @abstractmethod
    def of(cls, subject: Subject, width: int, height: int) -> Gauge[Values]:
        """The gauge of a size for what is shown."""

    @classmethod
    def has_something(cls, subject: Subject) -> bool:
        """Whether it has anything to show of these runs."""
        return True

    @staticmethod
    @abstractmethod
    def values(subject: Subject, t_s: float) -> Values:
        """What it shows at an instant, in SI units; NaN means "not known" and is drawn as such."""

    @abstractmethod
    def seen(self, values: Values) -> Hashable:
        """What of the values can be seen: where this is equal, so are the pictures."""

    @abstractmethod
    def draw(self, values: Values) -> Rgba:
        """The picture as straight-alpha RGBA, uint8, shape (height, width, 4).

        The buffer is the gauge's own and is drawn over by the next call: copy what you keep.
        """

    @classmethod
    @abstractmethod
    def states(cls, even: Even) -> Iterator[State]:
        """Every state for the contact sheet: a caption, a gauge, and what it then shows."""

    def _over(self, layer: Rgba) -> Rgba:
        """The buffer with a layer copied into it, to be drawn on."""
        np.copyto(self._frame, layer)
        return self._frame

    def _require_scale(self, value: float, unit: str, what: str = "full scale") -> None:
        if not (math.isfinite(value) and value > 0):
            raise UsageError(f"{self.called}: {what} {value} {unit} must be above zero")


@dataclass(frozen=True)
class Bar:
    """Rows of a bar: its solid core shows the value, thin strips above and below fray over ±."""

    # First row, row after the last, and rows of each strip.
    top: int
    bottom: int
    strip: int

    @property
    def core(self) -> slice:
        """Rows of the core."""
        return slice(self.top + self.strip, self.bottom - self.strip)

    @property
    def strips(self) -> tuple[slice, slice]:
        """Rows of the two strips."""
        return slice(self.top, self.core.start), slice(self.core.stop, self.bottom)

    @property
    def radius(self) -> float:
        """Of its corners, pixels."""
        return 0.28 * (self.bottom - self.top)

    def grow(
        self, frame: Rgba, layer: Rgba, limits: tuple[float, float], end_px: float, half_px: float
    ) -> None:
        """Lay the bar from the first limit to an end that frays over ± `half_px`."""
        lay_columns(frame, layer, self.core, limits[0], end_px)
        self.fray(frame, layer, limits, end_px, half_px)

    def fray(
        self, frame: Rgba, layer: Rgba, limits: tuple[float, float], end_px: float, half_px: float
    ) -> None:
        """Lay the strips alone."""
        lay_fringe(frame, layer, self.strips, limits, end_px, half_px)


def steps(value: float, fine: float) -> int | None:
    """A value in steps too fine to be seen; None for one that is not known."""
    return None if math.isnan(value) else round(value / fine)


def share_of(value: float, full: float) -> float:
    """A value as a share of the full scale, 0 to 1."""
    return min(1.0, max(0.0, value / full))


def plate(width: int, height: int, *, corner_px: float | None = None) -> Canvas:
    """A canvas with the plate over all of it, its corners rounded by `corner_px` if given."""
    canvas = Canvas(width, height)
    radius = CORNER_SHARE * min(height, width) if corner_px is None else corner_px
    canvas.box((0, 0, width, height), GROUND, radius=radius, alpha=PLATE_ALPHA)
    return canvas


def draw_ticks(
    canvas: Canvas,
    ticks: Sequence[tuple[float, str]],
    box: Box,
    baseline: float,
    type_face: Face,
    thick: float,
    *,
    faint: bool = False,
) -> None:
    """Marks with text below them; texts that would crowd another are left out.

    Parameters
    ----------
    ticks : sequence of (float, str)
        Column of each mark in pixels, rising, and its text.
    box : (left, top, right, bottom)
        The columns between which texts stand, and the rows that the marks span.
    thick : float
        Of a mark, pixels.
    faint : bool
        Whether the marks cross what the gauge shows.
    """
    left_end, top, right_end, bottom = box
    free_from = 0.0
    for x, text in ticks:
        mark = (x - thick / 2, top, x + thick / 2, bottom)
        canvas.box(mark, QUIET_INK, alpha=0.55 if faint else 1.0)
        wide = type_face.width(text)
        left = min(max(x - wide / 2, left_end), right_end - wide)
        if left >= free_from:
            put_text(canvas, text, left, baseline, type_face, QUIET_INK)
            free_from = left + wide + (0.7 if faint else 0.6) * type_face.advance_px


def boxed(base: Canvas, box: Box, color: Color, radius: float = 0.0) -> Canvas:
    """A copy of a canvas with a box on it."""
    canvas = base.copy()
    canvas.box(box, color, radius=radius)
    return canvas


def tiles_on_plate(
    cap_px: float, *, bold: bool = False, ink: Color = QUIET_INK, characters: str = DIGITS
) -> Tiles:
    """Characters laid over the plate, their digits `cap_px` high."""
    return Tiles(face(cap_px, bold=bold), ink, GROUND, PLATE_ALPHA, characters)


def chip(text: str, type_face: Face, color: Color, *, pad_share: float = 0.45) -> Rgba:
    """A small filled tag with dark or light text on `color`, on the plate; straight RGBA."""
    pad = max(2, round(pad_share * type_face.cap_px))
    width = type_face.width(text) + 2 * pad
    height = round(type_face.cap_px) + 2 * pad
    canvas = Canvas(width, height)
    canvas.cover(np.ones((height, width)), GROUND, PLATE_ALPHA)
    canvas.box((0, 0, width, height), color, radius=0.3 * height)
    luminous = 0.2126 * color.r + 0.7152 * color.g + 0.0722 * color.b > 90
    ink = BLACK if luminous else INK
    put_text(canvas, text, pad, pad + round(type_face.cap_px), type_face, ink)
    return canvas.rgba()


def paste(frame: Rgba, tile: Rgba, left: int, top: int) -> None:
    """Copy a tile into a frame."""
    frame[top : top + tile.shape[0], left : left + tile.shape[1]] = tile
