"""Ink, and the glyphs it makes: what is one sign, where it stands, what it looks like."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from overlay.readout.find import Luma
from overlay.timebase import FloatArray

HIGH = 28  # rows that a digit is brought to
ABOVE, BELOW = 8, 8  # rows kept above the digits, and below their baseline
ROWS = ABOVE + HIGH + BELOW
FULL_INK, NO_INK = 0.2, 0.6  # distance from the luma of ink as a share of its contrast
SOLID = 0.5  # ink of a pixel that belongs to a glyph
BRIDGED = 3  # rows: the gap between two segments of a display, and one
BAR_WIDE = 0.3  # of the height of a digit: a bar this near to its neighbour is a part of it
LEAST_AREA = 7
TALL = 0.8  # of the height of a digit: what is as tall may be one
DOT_HIGH, DOT_WIDE = 0.5, 0.4  # of a decimal sign: a comma hangs below the line
USUAL_WIDE, MOST_WIDE, BAR_LIKE = 0.62, 0.95, 0.42  # widths as shares of a digit's height
PATCH = (28, 20)  # rows and columns to which a digit is stretched when it is compared

Ink = npt.NDArray[np.uint8]


def ink_of(luma: Luma, ink: float, ground: float) -> Ink:
    """How much each pixel is ink, 0 to 255, by its distance from the luma of ink."""
    import cv2

    contrast = abs(ink - ground)
    away = np.abs(np.arange(256) - ink) / max(contrast, 1.0)
    table = np.clip((NO_INK - away) / (NO_INK - FULL_INK), 0, 1)
    flat = np.rint(255 * table).astype(np.uint8)
    return np.asarray(cv2.LUT(luma.reshape(len(luma), -1), flat), np.uint8).reshape(luma.shape)


@dataclass(frozen=True, eq=False)
class Glyph:
    """One sign on the line.

    Attributes
    ----------
    left, right : int
        Columns of the crop, from and up to.
    kind : str
        ``tall`` as digits are, ``dot`` on the baseline, ``pair`` of dots, or ``other``.
    patch : ndarray, shape (ROWS, right - left)
        Its ink, 0 to 1, alone.
    """

    left: int
    right: int
    kind: str
    patch: FloatArray

    @property
    def tall(self) -> FloatArray:
        """Its ink in the rows of digits."""
        return self.patch[ABOVE : ABOVE + HIGH]

    @property
    def aspect(self) -> float:
        """Width over the height of a digit."""
        return (self.right - self.left) / HIGH


def glyphs_of(ink: FloatArray) -> list[Glyph]:
    """Glyphs of a line from left to right.

    Parameters
    ----------
    ink : ndarray, shape (ROWS, width)
        0 to 1; digits reach from row `ABOVE` to row ``ABOVE + HIGH``.
    """
    import cv2

    solid = cv2.morphologyEx((ink > SOLID).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((BRIDGED, 1)))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(solid)
    parts = []
    for number in range(1, count):
        x, y, wide, high, area = (int(v) for v in stats[number])
        outside = y + high <= ABOVE + 2 or y >= ABOVE + HIGH + 2
        if area < LEAST_AREA or outside or high >= ROWS - 1 or wide > 2.2 * HIGH:
            continue
        parts.append((x, x + wide, y, y + high, [number]))
    return [
        glyph
        for left, right, upper, lower, numbers in _joined(parts)
        for glyph in _split(_alone(ink, labels, numbers), left, right, upper, lower, len(numbers))
    ]


def _alone(ink: FloatArray, labels: Any, numbers: list[int]) -> FloatArray:
    """The ink of some parts, without the others'."""
    own = labels == numbers[0] if len(numbers) == 1 else np.isin(labels, numbers)
    return np.asarray(ink * own)


_Part = tuple[int, int, int, int, list[int]]


def _joined(parts: list[_Part]) -> list[_Part]:
    """Parts above one another as one: a dotted 0, a digit of seven segments."""
    out: list[_Part] = []
    for part in sorted(parts):
        if out:
            left, right, upper, lower, numbers = out[-1]
            common = min(right, part[1]) - max(left, part[0])
            narrow = min(right - left, part[1] - part[0])
            broken = min(lower - upper, part[3] - part[2]) < TALL * HIGH or narrow < BAR_WIDE * HIGH
            broken = broken and common >= -BRIDGED + 1
            together = max(right, part[1]) - left <= MOST_WIDE * HIGH
            if common >= 0.5 * narrow or (broken and together and part[2] < lower):
                out[-1] = (
                    left,
                    max(right, part[1]),
                    min(upper, part[2]),
                    max(lower, part[3]),
                    numbers + part[4],
                )
                continue
        out.append(part)
    return out


def _split(
    ink: FloatArray, left: int, right: int, upper: int, lower: int, count: int
) -> list[Glyph]:
    high, wide = lower - upper, right - left
    base = ABOVE + HIGH
    if high <= DOT_HIGH * HIGH and wide <= DOT_WIDE * HIGH:
        kind = "dot" if upper > ABOVE + 0.6 * HIGH else "other"
        return [Glyph(left, right, kind, ink[:, left:right])]
    if count == 2 and wide <= DOT_WIDE * HIGH and ink[:, left:right].sum() < 0.5 * high * wide:
        return [Glyph(left, right, "pair", ink[:, left:right])]
    tall = upper <= ABOVE + 0.16 * HIGH and abs(lower - base) <= 0.16 * HIGH + 1
    tall = tall and upper >= ABOVE - 0.16 * HIGH
    if tall and wide > MOST_WIDE * HIGH:
        pieces = max(2, round(wide / (USUAL_WIDE * HIGH)))
        edges = [left, *_valleys(ink[:, left:right].sum(axis=0), pieces, left), right]
        return [Glyph(a, b, "tall", ink[:, a:b]) for a, b in pairwise(edges) if b > a]
    return [Glyph(left, right, "tall" if tall else "other", ink[:, left:right])]


def _valleys(columns: FloatArray, pieces: int, left: int) -> list[int]:
    """Columns of least ink near equal shares of a width."""
    found = []
    wide = len(columns)
    for k in range(1, pieces):
        near = round(k * wide / pieces)
        reach = max(1, round(0.2 * wide / pieces))
        span = columns[near - reach : near + reach + 1]
        found.append(left + near - reach + int(np.argmin(span)))
    return found


def normal(tall: FloatArray) -> FloatArray:
    """A glyph stretched to one size, blurred, of zero mean and unit length; flat.

    Parameters
    ----------
    tall : ndarray, shape (height, width)
        Ink from its top to its foot.
    """
    import cv2

    high, wide = tall.shape
    small: Any = tall.astype(np.float32)
    if wide < BAR_LIKE * high:  # a bar stays a bar
        pad = max(0, round(USUAL_WIDE * high) - wide)
        small = np.pad(small, ((0, 0), (pad // 2, pad - pad // 2)))
    small = cv2.resize(small, PATCH[::-1], interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), 1.0)
    flat = small.ravel().astype(np.float64)
    flat = flat - flat.mean()
    return np.asarray(flat / max(float(np.linalg.norm(flat)), 1e-9))
