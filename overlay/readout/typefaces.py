"""What signs look like: those of the typefaces that the installed libraries bring."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, cached_property, lru_cache, partial
from pathlib import Path

import numpy as np
import numpy.typing as npt

from overlay.readout.glyphs import ABOVE, BAR_LIKE, HIGH, PATCH, ROWS, normal
from overlay.timebase import FloatArray

DIGITS = "0123456789"
LETTERS = "mphkMPHK/t"
MATPLOTLIB_FACES = (
    "DejaVuSans",
    "DejaVuSans-Bold",
    "DejaVuSansMono",
    "DejaVuSansMono-Bold",
    "DejaVuSerif",
    "DejaVuSans-Oblique",
    "STIXGeneral",
    "cmss10",
    "cmtt10",
)
OPENCV_FACES = (0, 2, 3)  # plain, of two strokes, and with serifs
# Segments of a display, by the sides of two squares: top, upper left, upper right, middle, lower
# left, lower right, bottom (DIN 66233-1 calls them a to g in another order; stated from memory).
SEGMENTS = (
    *("1110111", "0010010", "1011101", "1011011", "0111010"),
    *("1101011", "1101111", "1010010", "1111111", "1111011"),
)
BAR_SHIFT = 3  # columns: where in a 1 its stem stands differs, and it is most of what is seen
ASPECT_COST = 0.25  # of similarity, for each factor of e in width


@dataclass(frozen=True, eq=False)
class Bank:
    """Labelled signs.

    Attributes
    ----------
    patterns : ndarray, shape (n, pixels)
        As :func:`normal` gives them.
    aspects : ndarray, shape (n,)
    signs : ndarray of str, shape (n,)
    """

    patterns: FloatArray
    aspects: FloatArray
    signs: npt.NDArray[np.str_]

    def likeness(self, look: FloatArray, aspect: float) -> FloatArray:
        """How much a tall glyph looks like each sign of ``DIGITS + LETTERS``, at most 1."""
        far = BAR_SHIFT if aspect < BAR_LIKE else 1
        picture = look.reshape(PATCH)
        moved = [np.roll(picture, k, axis=1).ravel() for k in range(-far, far + 1)]
        alike = (self.patterns @ np.stack(moved, axis=1)).max(axis=1)
        alike = alike - ASPECT_COST * np.abs(np.log(max(aspect, 0.05) / self.aspects))
        return np.array([alike[rows].max() for rows in self._rows])

    @cached_property
    def _rows(self) -> list[npt.NDArray[np.intp]]:
        """Of the patterns of each sign."""
        return [np.flatnonzero(self.signs == sign) for sign in DIGITS + LETTERS]


@lru_cache(maxsize=1)
def bank() -> Bank:
    """Signs of all typefaces at hand."""
    patterns, aspects, signs = [], [], []
    for face in faces():
        for sign in DIGITS + LETTERS:
            patch = drawn(sign, face)
            patterns.append(normal(patch[ABOVE : ABOVE + HIGH]))
            aspects.append(patch.shape[1] / HIGH)
            signs.append(sign)
    for draw in _others():
        for sign in DIGITS:
            patch = draw(sign)
            patterns.append(normal(patch[ABOVE : ABOVE + HIGH]))
            aspects.append(patch.shape[1] / HIGH)
            signs.append(sign)
    return Bank(np.stack(patterns), np.array(aspects), np.array(signs))


def _others() -> list[Callable[[str], FloatArray]]:
    """What draws the digits of displays and of drawing libraries."""
    return [_segments, *(_stroked(face) for face in OPENCV_FACES)]


@lru_cache(maxsize=1)
def drawings() -> list[Callable[[str], FloatArray]]:
    """What draws a digit as :func:`drawn` does, of all typefaces at hand."""
    return [*(cache(partial(drawn, face=face)) for face in faces()), *map(cache, _others())]


def faces() -> list[object]:
    """Typefaces at a size at which their digits are `HIGH` rows tall."""
    from PIL import ImageFont

    found = []
    package = Path(__file__).resolve().parents[1]
    own = [
        folder / "B612Mono-Bold.otf" for folder in (package / "_fonts", package.parent / "fonts")
    ]
    import matplotlib

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for path in (*own, *(folder / f"{name}.ttf" for name in MATPLOTLIB_FACES)):
        if path.is_file():
            tall = -ImageFont.truetype(str(path), 100).getbbox("8", anchor="ls")[1]
            found.append(ImageFont.truetype(str(path), 100 * HIGH / tall))
    tall = -ImageFont.load_default(100).getbbox("8", anchor="ls")[1]
    return [*found, ImageFont.load_default(100 * HIGH / tall)]


def drawn(text: str, face: object) -> FloatArray:
    """A text's ink, shape (ROWS, its width), baseline in row ``ABOVE + HIGH``."""
    from PIL import Image, ImageDraw

    wide = 40 * len(text) + 40
    canvas = Image.new("L", (wide, ROWS), 0)
    ImageDraw.Draw(canvas).text((20, ABOVE + HIGH), text, 255, face, anchor="ls")  # type: ignore[arg-type]
    return _trimmed(np.asarray(canvas, dtype=np.float64) / 255)


def _trimmed(ink: FloatArray) -> FloatArray:
    columns = np.flatnonzero(ink.max(axis=0) > 0.5)
    return ink[:, columns[0] : columns[-1] + 1]


def _segments(sign: str) -> FloatArray:
    """A digit of seven segments."""
    ink = np.zeros((ROWS, 20))
    wide, thick, half = 18, 4, HIGH // 2
    top, left = ABOVE, 1
    boxes = (
        (top, top + thick, left + 2, left + wide - 2),
        (top + 1, top + half - 1, left, left + thick),
        (top + 1, top + half - 1, left + wide - thick, left + wide),
        (top + half - 2, top + half + 2, left + 2, left + wide - 2),
        (top + half + 1, top + HIGH - 1, left, left + thick),
        (top + half + 1, top + HIGH - 1, left + wide - thick, left + wide),
        (top + HIGH - thick, top + HIGH, left + 2, left + wide - 2),
    )
    for lit, (a, b, c, d) in zip(SEGMENTS[int(sign)], boxes, strict=True):
        if lit == "1":
            ink[a:b, c:d] = 1.0
    return _trimmed(ink)


def _stroked(face: int):  # type: ignore[no-untyped-def]
    """Digits of a typeface of OpenCV."""

    def draw(sign: str) -> FloatArray:
        import cv2

        ink = np.zeros((ROWS, 60), np.uint8)
        scale = cv2.getFontScaleFromHeight(face, HIGH - 3, 3)
        cv2.putText(ink, sign, (15, ABOVE + HIGH - 2), face, scale, 255, 3, cv2.LINE_AA)
        return _trimmed(ink.astype(np.float64) / 255)

    return draw
