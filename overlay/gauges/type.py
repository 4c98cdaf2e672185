"""Type: B612 Mono, drawn once into tiles that are then only copied.

Every character of a monospaced face has the same advance, so digits never jump. Full stops are
set tighter; with a fixed number of decimals the digits still keep their places.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from overlay.gauges.canvas import Canvas, Mask, Rgba
from overlay.gauges.fonts import font_path
from overlay.gauges.palette import Color

CAP_SHARE = 0.76  # height of digits and capitals in B612 Mono, in ems (its own outlines)
ADVANCE_SHARE = 0.65  # advance of every character in B612 Mono, in ems
TIGHT = {".": 0.52, " ": 0.6}  # share of the advance kept by these
STOP_MIDDLE = 0.15  # ems from the origin to the middle of the full stop's dot

DIGITS = "0123456789.-−+± –"
LETTERS = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
ALL = DIGITS + LETTERS + "/,:;()%²×·'&_#<>=?!–—→"


class Face:
    """Masks of all characters at one size.

    Attributes
    ----------
    cap_px : float
        Height of digits, pixels.
    advance_px : int
        From one character to the next, whole pixels.
    rise_px, fall_px : int
        Rows of every mask above and below the baseline.
    """

    def __init__(self, cap_px: float, *, bold: bool) -> None:
        from PIL import Image, ImageDraw, ImageFont

        size = cap_px / CAP_SHARE
        font = ImageFont.truetype(str(font_path(bold=bold)), size)
        self.cap_px = cap_px
        self._size = size
        self.advance_px = max(1, round(size * ADVANCE_SHARE))
        self.rise_px = int(np.ceil(size * 0.84))
        self.fall_px = int(np.ceil(size * 0.27))
        self._draw = (Image, ImageDraw, font)
        self._masks: dict[str, Mask] = {}

    def advance(self, character: str) -> int:
        """Pixels from this character to the next."""
        return max(1, round(self.advance_px * TIGHT.get(character, 1.0)))

    def width(self, text: str) -> int:
        """Pixels that `text` takes."""
        return sum(self.advance(character) for character in text)

    def mask(self, character: str) -> Mask:
        """Coverage of one character, shape (rise_px + fall_px, advance), 0 to 1."""
        if character not in self._masks:
            image_module, draw_module, font = self._draw
            width = self.advance(character)
            image = image_module.new("L", (width, self.rise_px + self.fall_px))
            left = width / 2 - STOP_MIDDLE * self._size if character == "." else 0.0
            draw_module.Draw(image).text(
                (left, self.rise_px), character, fill=255, font=font, anchor="ls"
            )
            self._masks[character] = np.asarray(image) / 255.0
        return self._masks[character]


@lru_cache(maxsize=64)
def face(cap_px: float, *, bold: bool = False) -> Face:
    """The face with digits `cap_px` high; made once for each size."""
    return Face(cap_px, bold=bold)


def put_text(
    canvas: Canvas,
    text: str,
    x: float,
    baseline: float,
    type_face: Face,
    color: Color,
    *,
    anchor: str = "left",
) -> None:
    """Draw static text on a canvas; `anchor` is ``left``, ``middle`` or ``right`` at `x`."""
    shift = {"left": 0.0, "middle": 0.5, "right": 1.0}[anchor] * type_face.width(text)
    left = round(x - shift)
    for character in text:
        canvas.stamp(type_face.mask(character), left, round(baseline) - type_face.rise_px, color)
        left += type_face.advance(character)


def plus_minus(value: float, decimals: int) -> str:
    """An uncertainty in few characters; never shown as nothing, never cut down.

    Parameters
    ----------
    value : float
        >= 0.
    decimals : int
        1, or 2 (then without the leading zero).

    Examples
    --------
    >>> plus_minus(0.061, 2), plus_minus(0.0004, 2), plus_minus(1.23, 2), plus_minus(12.3, 2)
    ('±.06', '±.01', '±1.2', '±12')
    >>> plus_minus(0.44, 1), plus_minus(0.0, 1)
    ('±0.4', '±0.1')
    """
    value = max(value, 10.0**-decimals)
    if value >= 9.95:
        return f"±{value:.0f}"
    if decimals == 1 or value >= 0.995:
        return f"±{value:.1f}"
    return f"±{value:.2f}".replace("±0", "±")


class Tiles:
    """Characters already laid over an even ground, for copying into frames.

    Parameters
    ----------
    ink : Color
        Of the characters.
    ground : Color
        Under the characters.
    ground_alpha : float
        0 to 1.
    characters : str
        All that will be written; rows are cut to what these need, so that a line of digits does
        not wipe what stands just below it.
    """

    def __init__(
        self,
        type_face: Face,
        ink: Color,
        ground: Color,
        ground_alpha: float,
        characters: str = DIGITS,
    ) -> None:
        self.face = type_face
        stack = {c: type_face.mask(c) for c in dict.fromkeys(characters + "?")}
        inked = np.any([mask.max(axis=1) > 0 for mask in stack.values()], axis=0)
        rows = np.flatnonzero(inked)
        first, last = int(rows[0]), int(rows[-1]) + 1
        self.rise_px = type_face.rise_px - first
        self.height_px = last - first
        self._tiles: dict[str, Rgba] = {}
        for character, mask in stack.items():
            canvas = Canvas(mask.shape[1], self.height_px)
            canvas.cover(np.ones((self.height_px, mask.shape[1])), ground, ground_alpha)
            canvas.cover(mask[first:last], ink)
            self._tiles[character] = canvas.rgba()

    def write(self, frame: Rgba, text: str, left: int, baseline: int) -> int:
        """Copy `text` into `frame`; returns the column after it. Cut at the frame's edges.

        Characters that have no tile are shown as a question mark.
        """
        top = baseline - self.rise_px
        width = frame.shape[1]
        for character in text:
            tile = self._tiles.get(character)
            if tile is None:
                tile = self._tiles["?"]
            right = left + tile.shape[1]
            if left >= 0 and right <= width:
                frame[top : top + self.height_px, left:right] = tile
            left = right
        return left

    def write_number(self, frame: Rgba, text: str, left: int, baseline: int) -> int:
        """As :meth:`write`; leading blanks take a digit's room, so that no digit ever jumps."""
        digits = text.lstrip()
        left += (len(text) - len(digits)) * self.face.advance_px
        return self.write(frame, digits, left, baseline)

    def write_right(self, frame: Rgba, text: str, right: int, baseline: int) -> int:
        """Copy `text` so that it ends at column `right`; returns its first column."""
        left = right - self.width(text)
        self.write(frame, text, left, baseline)
        return left

    def width(self, text: str) -> int:
        """Pixels that `text` takes."""
        return self.face.width(text)
