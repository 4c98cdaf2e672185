"""Which of the places that change are lines of digits, and how to bring them to one size."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from overlay.footage.upright import Box
from overlay.readout.find import LEAST_HIGH_PX, Place, places
from overlay.readout.glyphs import (
    ABOVE,
    BRIDGED,
    HIGH,
    ROWS,
    SOLID,
    Ink,
    Luma,
    ink_of,
    luma_of_ink,
    normal,
)
from overlay.readout.typefaces import bank
from overlay.timebase import FloatArray

ASKED = 60  # frames that say what luma ink has
LOOKED_AT = 7  # pictures in which a place is judged
DIGIT_LIKE = 0.5  # likeness that is worth nothing
LEAST_LIKE = 0.12  # mean worth a picture of a line of digits
MOST_SPOTS = 4
NEARLY = 0.4
LEAST_TALL, MOST_TALL = 0.25, 1.3  # height of digits as a share of that of what changes
LEFT, RIGHT = 2.2, 4.5  # heights of a digit kept beside what changes


@dataclass(frozen=True)
class Spot:
    """A line of digits.

    Attributes
    ----------
    box : (x, y, width, height)
        Around what changes, displayed pixels, from the top of the digits to their foot.
    crop : (x, y, width, height)
        Around the whole line, displayed pixels, inside the picture.
    size : (int, int)
        Width and height of the whole picture, displayed pixels.
    rows : (float, float)
        First row above the line, and rows in all, of which `crop` holds those in the picture.
    ink, ground : float
        Luma of digits, and of what they stand on.
    worth : float
        How much it looks like digits.
    """

    box: Box
    crop: Box
    size: tuple[int, int]
    rows: tuple[float, float]
    ink: float
    ground: float
    worth: float

    @property
    def scale(self) -> float:
        """Rows of a digit brought to `HIGH`, over its pixels."""
        return HIGH / self.box[3]

    @property
    def core(self) -> tuple[float, float]:
        """Columns, at that size, between which something changes."""
        left = (self.box[0] - self.crop[0]) * self.scale
        return left, left + self.box[2] * self.scale

    def fitted(self, part: Luma) -> Luma:
        """The luma of `crop` brought to `ROWS` rows; rows outside the picture show the ground."""
        import cv2

        size = round(self.crop[2] * self.scale), max(1, round(self.crop[3] * self.scale))
        small = cv2.resize(part, size, interpolation=cv2.INTER_LINEAR)
        if self.scale < 0.5:
            small = cv2.resize(part, size, interpolation=cv2.INTER_AREA)
        above = max(0, round((self.crop[1] - self.rows[0]) * self.scale))
        out = np.full((ROWS, size[0]), round(self.ground), np.uint8)
        high = min(len(small), ROWS - above)
        out[above : above + high] = small[:high]
        return out


def spots(pictures: Luma, size: tuple[int, int], within: Box | None = None) -> list[Spot]:
    """Lines of changing digits, the likeliest first.

    Parameters
    ----------
    pictures : ndarray of uint8, shape (k, height, width)
        Spread over the clip.
    size : (int, int)
        Width and height of the clip's picture in displayed pixels.
    within : (x, y, width, height), optional
        Where to look, in displayed pixels.
    """
    scale = size[0] / pictures.shape[2]
    x0 = y0 = 0
    if within is not None:
        x0, y0 = int(within[0] / scale), int(within[1] / scale)
        right, lower = (within[0] + within[2]) / scale, (within[1] + within[3]) / scale
        pictures = np.ascontiguousarray(
            pictures[:, y0 : int(np.ceil(lower)), x0 : int(np.ceil(right))]
        )
    found: list[Spot] = []
    most_px = None if within is None else float(pictures.shape[1])
    for place in places(pictures, most_px):
        known = [s for s in found if (s.ink > s.ground) == (place.ink > place.ground)]
        here = tuple(
            round(v * scale) for v in (place.box[0] + x0, place.box[1] + y0, *place.box[2:])
        )
        if any(same_place((here[0], here[1], here[2], here[3]), s.box) for s in known):
            continue
        line = _line(pictures, place)
        if line is None:
            continue
        top, foot, worth = line
        left, wide = place.box[0] + x0, place.box[2]
        spot = _spot(place, (left, top + y0, left + wide, foot + y0), scale, size, worth)
        found.append(spot)
    found.sort(key=lambda s: -s.worth)
    apart: list[Spot] = []
    for spot in found:
        at_once = [other for other in apart if same_place(spot.box, other.box)]
        # Digits and their outline or shadow both look like digits: what reads better decides.
        if all((spot.ink > spot.ground) != (o.ink > o.ground) for o in at_once) and all(
            spot.worth > NEARLY * o.worth for o in at_once
        ):
            apart.append(spot)
    return apart[:MOST_SPOTS]


def _spot(
    place: Place,
    edges: tuple[float, float, float, float],
    scale: float,
    size: tuple[int, int],
    worth: float,
) -> Spot:
    left, top, right, foot = (edge * scale for edge in edges)
    high = foot - top
    first, rows = top - ABOVE / HIGH * high, ROWS / HIGH * high
    x, y = max(0, int(left - LEFT * high)), max(0, round(first))
    end, low = min(size[0], int(right + RIGHT * high)), min(size[1], round(first + rows))
    box = (round(left), round(top), round(right - left), max(1, round(high)))
    crop = x, y, end - x, low - y
    return Spot(box, crop, size, (first, rows), place.ink, place.ground, worth)


def same_place(a: Box, b: Box) -> bool:
    """Whether two boxes are about the same part of the picture."""
    across = min(a[0] + a[2], b[0] + b[2]) - max(a[0], b[0])
    down = min(a[1] + a[3], b[1] + b[3]) - max(a[1], b[1])
    return across > 0.5 * min(a[2], b[2]) and down > 0.5 * min(a[3], b[3])


def _line(pictures: Luma, place: Place) -> tuple[float, float, float] | None:
    """Top and foot of the digits at a place, and how much they look like digits."""
    x, y, wide, high = place.box
    pad = round(0.4 * high)
    rows = slice(max(0, y - pad), y + high + pad)
    columns = slice(max(0, x - pad), x + wide + pad)
    every = max(1, len(pictures) // LOOKED_AT)
    part = np.ascontiguousarray(pictures[::every, rows, columns])
    ink = ink_of(part, place.ink, place.ground, high)
    tops, feet, worths = _parts(ink, high)
    if not len(tops):
        return None
    near = max(1.5, 0.07 * high)
    alike = (np.abs(tops[:, None] - tops) <= near) & (np.abs(feet[:, None] - feet) <= near)
    support = alike @ worths
    best = int(np.argmax(support))
    worth = float(support[best]) / len(part)
    if worth < LEAST_LIKE:
        return None
    weight = worths * alike[best] + 1e-9
    top, foot = float(np.average(tops, weights=weight)), float(np.average(feet, weights=weight))
    return top + rows.start, foot + rows.start, worth


def _parts(ink: Ink, high: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Top, foot and worth of everything in some pictures that may be a digit."""
    import cv2

    tops, feet, looks, aspects = [], [], [], []
    for picture in ink:
        solid = (picture > 255 * SOLID).astype(np.uint8)
        solid = cv2.morphologyEx(solid, cv2.MORPH_CLOSE, np.ones((BRIDGED, 2), np.uint8))
        _, _, stats, _ = cv2.connectedComponentsWithStats(solid)
        for x, y, wide, tall, area in stats[1:]:
            likely = (
                max(LEAST_HIGH_PX, LEAST_TALL * high) <= tall <= MOST_TALL * high
                and 0.1 * tall <= wide <= 1.1 * tall
            )
            if not likely or area < 8:
                continue
            look = normal(picture[y : y + tall, x : x + wide].astype(np.float64))
            tops.append(y)
            feet.append(y + tall)
            looks.append(look)
            aspects.append(wide / tall)
    worths = [
        max(0.0, float(bank().likeness(look, aspect)[:10].max()) - DIGIT_LIKE)
        for look, aspect in zip(looks, aspects, strict=True)
    ]
    return (np.array(tops, float), np.array(feet, float), np.array(worths, float))


def inks(spot: Spot, parts: Sequence[Luma]) -> Ink:
    """Ink of a line in all frames, from its parts brought to one size."""
    luma = np.stack(parts)
    some = luma[:: max(1, len(luma) // ASKED), ABOVE : ABOVE + HIGH]
    left, right = map(int, spot.core)
    level = luma_of_ink(some[..., left:right], spot.ink, spot.ground, HIGH)
    return ink_of(luma, level, spot.ground, HIGH)
