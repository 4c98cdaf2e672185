"""Ink, and the glyphs it makes: what is one sign, where it stands, what it looks like."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from overlay.timebase import FloatArray

Luma = npt.NDArray[np.uint8]

HIGH = 28  # rows that a digit is brought to
ABOVE, BELOW = 8, 8  # rows kept above the digits, and below their baseline
ROWS = ABOVE + HIGH + BELOW
FULL_INK, NO_INK = 0.2, 0.6  # distance from the luma of ink as a share of its contrast
LEAST_CONTRAST = 20.0  # codes between ink and what it stands on: coding moves both by some
BROAD = 0.46  # of the height of a digit: no stroke is as broad both ways
SOLID = 0.5  # ink of a pixel that belongs to a glyph
BRIDGED = 3  # rows: the gap between two segments of a display, and one
BAR_WIDE = 0.3  # of the height of a digit: a bar this near to its neighbour is a part of it
LEAST_AREA = 7
TALL = 0.8  # of the height of a digit: what is as tall may be one
DOT_HIGH, DOT_WIDE = 0.5, 0.4  # of a decimal sign: a comma hangs below the line
USUAL_WIDE, MOST_WIDE, BAR_LIKE = 0.62, 0.95, 0.42  # widths as shares of a digit's height
PATCH = (28, 20)  # rows and columns to which a digit is stretched when it is compared
NEAR_CODES = 3  # within which luma is still one after coding

Ink = npt.NDArray[np.uint8]


def ink_of(luma: Luma, ink: float, ground: float, high: float) -> Ink:
    """How much each pixel is ink, 0 to 255, by its distance from the luma of ink.

    That distance is a share of the contrast with what stands around the pixel in the same frame, so
    that light digits are seen over a light ground too. What is broader than a stroke, such as a
    cloud of the luma of ink, is none.

    Parameters
    ----------
    luma : ndarray of uint8, shape (n, rows, columns)
    ink, ground : float
        Luma of digits, and of what they stand on as a rule.
    high : float
        Rows of a digit.
    """
    table = _ink_table(abs(ink - ground))
    out = np.empty_like(luma)
    for frame, into in zip(luma, out, strict=True):
        own, around = away(frame, ink, high)
        into[:] = table[around, own]
    return out


def luma_of_ink(luma: Luma, ink: float, ground: float, high: float) -> float:
    """The luma that most ink has where the ground is far from it; what was given where none is.

    Parameters as of :func:`ink_of`.
    """
    contrast = abs(ink - ground)
    table, codes = _ink_table(contrast), []
    for frame in luma:
        own, around = away(frame, ink, high)
        codes.append(frame[(table[around, own] > 255 * SOLID) & (around > NO_INK * contrast)])
    every = np.concatenate(codes)
    return commonest(every.astype(np.intp)) if len(every) else ink


def away(frame: Luma, ink: float, high: float) -> tuple[Luma, Luma]:
    """How far the luma of each pixel is from that of ink, and that of what stands around it."""
    import cv2

    far = np.rint(np.abs(np.arange(256) - ink)).astype(np.uint8)
    side = max(3, round(BROAD * high))
    own = np.asarray(cv2.LUT(frame, far), np.uint8)
    broad = np.ones((side, side), np.uint8)
    return own, np.asarray(cv2.morphologyEx(own, cv2.MORPH_CLOSE, broad), np.uint8)


def commonest(codes: npt.NDArray[np.intp]) -> float:
    """The luma that most have, as ink has one and what passes behind has many."""
    counts = np.convolve(np.bincount(codes, minlength=256), np.bartlett(2 * NEAR_CODES + 3), "same")
    return float(np.argmax(counts))


def _ink_table(contrast: float) -> Ink:
    """Ink by the distance of what stands around from the luma of ink, and the pixel's own."""
    around = np.arange(256)[:, None]
    here = np.clip(around, LEAST_CONTRAST, max(contrast, LEAST_CONTRAST))
    share = np.clip((NO_INK - np.arange(256) / here) / (NO_INK - FULL_INK), 0, 1)
    broad = np.clip((NO_INK - around / here) / (NO_INK - FULL_INK), 0, 1)
    flat: Ink = np.rint(255 * np.maximum(share - broad, 0.0)).astype(np.uint8)
    return flat


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
        if out and _are_one(out[-1], part):
            left, right, upper, lower, numbers = out.pop()
            upper, lower = min(upper, part[2]), max(lower, part[3])
            part = left, max(right, part[1]), upper, lower, numbers + part[4]
        out.append(part)
    return out


def _are_one(a: _Part, b: _Part) -> bool:
    """Whether two parts, the first further left, are of one sign."""
    high, other = a[3] - a[2], b[3] - b[2]
    # A decimal sign may stand below the arm of a 7, and close to a 1.
    if max(high, other) >= TALL * HIGH and (_is_dot(*a[:4]) or _is_dot(*b[:4])):
        return False
    common = min(a[1], b[1]) - max(a[0], b[0])
    narrow = min(a[1] - a[0], b[1] - b[0])
    broken = min(high, other) < TALL * HIGH or narrow < BAR_WIDE * HIGH
    broken = broken and common >= -BRIDGED + 1 and b[2] < a[3]
    return common >= 0.5 * narrow or (broken and max(a[1], b[1]) - a[0] <= MOST_WIDE * HIGH)


def _is_dot(left: int, right: int, upper: int, lower: int) -> bool:
    """Whether a part may be a decimal sign."""
    small = lower - upper <= DOT_HIGH * HIGH and right - left <= DOT_WIDE * HIGH
    return small and upper > ABOVE + 0.6 * HIGH


def _split(
    ink: FloatArray, left: int, right: int, upper: int, lower: int, count: int
) -> list[Glyph]:
    high, wide = lower - upper, right - left
    base = ABOVE + HIGH
    if high <= DOT_HIGH * HIGH and wide <= DOT_WIDE * HIGH:
        kind = "dot" if _is_dot(left, right, upper, lower) else "other"
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
