"""Where a number is burnt in: places of the picture that keep going from ink to something else."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from overlay.footage.upright import Box
from overlay.motion.model import BoolArray
from overlay.readout.glyphs import LEAST_CONTRAST, NEAR_CODES, Luma, away, commonest

LEAST_LUMA, STEP = 120, 8  # of light ink, or dark turned over; it is sought in bands of two steps
LEAST_ON, LEAST_OFF = 0.2, 0.07  # share of the pictures in which a part of a digit is there, is not
PURE = 2.0  # of what stands out and is about as light, that many times more has the luma of ink
STROKE_PX = 3  # of the pixel and its eight neighbours, ink in the same picture
LEVEL_CODES = 20  # ink has one luma
# Height of what changes, the latter as a share of the picture's: things that pass behind may touch.
LEAST_HIGH_PX, MOST_HIGH = 9, 0.4
FITS_PX = 48  # height of digits up to which they are sought in a picture; then in one half as large
TOUCHING = 1.5  # with what else changes beside them they may be that much taller
SAME = 0.15  # of the height: boxes whose edges differ by less are one
LEAST_DENSITY = 0.10
MOST_PLACES = 24  # of light digits, and of dark ones
REACHES = ((5, 7), (3, 1))  # rows and columns over which parts of digits are joined
JOIN, ALIKE_HIGH = 0.9, 0.55  # parts of a line: gap and least height as shares of the height


_Part = tuple[int, int, int, int, float]  # left, top, right and lower edge, and luma


@dataclass(frozen=True)
class Place:
    """Where digits change.

    Attributes
    ----------
    box : (x, y, width, height)
        Around what changes, pixels of the pictures looked at.
    ink, ground : float
        Luma of the digits, and of what is seen where a part of a digit is gone.
    weight : float
        Pixels that change like that, less where the ink is of no one luma.
    """

    box: Box
    ink: float
    ground: float
    weight: float


def places(pictures: Luma, most_high_px: float | None = None) -> list[Place]:
    """Places where light digits change, the likeliest first, then those of dark ones.

    Parameters
    ----------
    pictures : ndarray of uint8, shape (k, height, width)
        Luma of pictures spread over the clip.
    most_high_px : float, optional
        Greatest height of what changes; by default that share of the picture's.

    Returns
    -------
    list of Place
        At most twice `MOST_PLACES`; empty where nothing changes like a digit.
    """
    most = MOST_HIGH * pictures.shape[1] if most_high_px is None else most_high_px
    light = _apart(_of_all_sizes(pictures, most))
    dark = _apart(_of_all_sizes(255 - pictures, most))
    return light + [replace(p, ink=255 - p.ink, ground=255 - p.ground) for p in dark]


def _of_all_sizes(seen: Luma, most: float) -> list[Place]:
    """Places where light digits change, in pictures made smaller for larger digits."""
    found, shrunk, least = list[Place](), 1, LEAST_HIGH_PX
    while shrunk == 1 or 2 * most > shrunk * FITS_PX:
        for place in _grouped(seen, least, min(most / shrunk, TOUCHING * FITS_PX)):
            x, y, wide, high = (shrunk * side for side in place.box)
            found.append(replace(place, box=(x, y, wide, high)))
        seen, shrunk, least = _halved(seen), 2 * shrunk, FITS_PX // 2
    return found


def _apart(found: list[Place]) -> list[Place]:
    """The likeliest, each once."""
    out = list[Place]()
    for place in sorted(found, key=lambda p: -p.weight):
        if len(out) < MOST_PLACES and not any(_are_one(place, other) for other in out):
            out.append(place)
    return out


def _are_one(a: Place, b: Place) -> bool:
    near = np.abs(np.subtract(a.box, b.box)) <= SAME * max(a.box[3], b.box[3])
    return bool(np.all(near))


def _halved(pictures: Luma) -> Luma:
    import cv2

    size = pictures.shape[2] // 2, pictures.shape[1] // 2
    return np.stack([cv2.resize(one, size, interpolation=cv2.INTER_AREA) for one in pictures])


def _changing(pictures: Luma) -> tuple[BoolArray, Luma]:
    """Whether each pixel is now ink and now far darker, and the luma of that ink.

    Ink stands out against what is around it in the same picture, has the same luma whenever it is
    there, and its neighbours have it at the same time.
    """
    import cv2

    count, *shape = pictures.shape
    bands = range(LEAST_LUMA, 256 - STEP, STEP)
    seen = np.zeros((len(bands), *shape), np.uint8)
    lit = np.empty_like(pictures)
    for picture, into in zip(pictures, lit, strict=True):
        own, around = away(picture, 255, FITS_PX)
        into[:] = picture * (around - own >= LEAST_CONTRAST)
        for band, low in zip(seen, bands, strict=True):
            ink = cv2.inRange(into, low, low + 2 * STEP - 1)
            band += (ink > 0) & (cv2.blur(ink, (3, 3)) >= 255 * STROKE_PX // 9)
    best = np.argmax(seen, axis=0).astype(np.uint8)
    on = np.max(seen, axis=0)
    level = (LEAST_LUMA + STEP * (best + 1)).astype(np.uint8)
    alike = np.zeros_like(on)
    off = np.zeros_like(on)
    low = level - np.uint8(STEP + LEAST_CONTRAST)
    for picture, own in zip(pictures, lit, strict=True):
        alike += own >= low
        off += picture < low
    often = (on >= max(2, round(LEAST_ON * count))) & (off >= max(2, round(LEAST_OFF * count)))
    return often & (on >= PURE * (alike.astype(np.float32) - on)), level


def _grouped(pictures: Luma, least: float, most: float) -> list[Place]:
    """Changing pixels of one luma gathered into lines."""
    import cv2

    changes, level = _changing(pictures)
    solid = cv2.boxFilter(changes.astype(np.uint8), -1, (3, 3), normalize=False) >= STROKE_PX
    mask = (changes & solid).astype(np.uint8)
    found: list[Place] = []
    for reach in REACHES:  # with little reach, what passes behind is seldom taken for a part of it
        near = np.asarray(cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones(reach)), np.uint8)
        lines = _lines(_boxes(mask, near, level, (least, most)))
        found += [_place(pictures, mask, level, line) for line in lines]
    return found


def _boxes(mask: Luma, near: Luma, levels: Luma, size: tuple[float, float]) -> list[_Part]:
    """Left, top, right and lower edge, and luma, of parts that may be digits."""
    import cv2

    _, labels, stats, _ = cv2.connectedComponentsWithStats(near)
    boxes = []
    for number in range(1, len(stats)):
        x, y, wide, high, area = (int(v) for v in stats[number])
        if area < 12 or not size[0] <= high <= size[1] or wide > 8 * high:
            continue
        inside = mask[y : y + high, x : x + wide] * (labels[y : y + high, x : x + wide] == number)
        level = float(np.quantile(levels[y : y + high, x : x + wide][inside > 0], 0.85))
        alike = inside * (np.abs(levels[y : y + high, x : x + wide] - level) <= LEVEL_CODES)
        if alike.mean() < LEAST_DENSITY:
            continue
        boxes.append((x, y, x + wide, y + high, level))
    return boxes


def _lines(boxes: list[_Part]) -> list[_Part]:
    """Boxes joined with their neighbours on the same line, of the same luma."""
    todo, done = sorted(boxes, reverse=True), list[_Part]()
    while todo:
        a = todo.pop()
        # What has grown may reach what was laid aside.
        for pool in (todo, done):
            b = next((b for b in reversed(pool) if _on_one_line(a, b)), None)
            if b is not None:
                pool.remove(b)
                both = (min(a[0], b[0]), min(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3]))
                todo.append((*both, (a[4] + b[4]) / 2))
                break
        else:
            done.append(a)
    return done


def _on_one_line(a: _Part, b: _Part) -> bool:
    gap = max(a[0], b[0]) - min(a[2], b[2])
    low, high = sorted((a[3] - a[1], b[3] - b[1]))
    common = min(a[3], b[3]) - max(a[1], b[1])
    alike = common > 0.6 * low and low > ALIKE_HIGH * high and abs(a[4] - b[4]) <= LEVEL_CODES
    return alike and gap < JOIN * high


def _place(pictures: Luma, mask: Luma, levels: Luma, box: _Part) -> Place:
    left, upper, right, lower, level = box
    inside = mask[upper:lower, left:right] > 0
    inside &= np.abs(levels[upper:lower, left:right] - level) <= LEVEL_CODES
    values = pictures[:, upper:lower, left:right][:, inside]
    # An outline is a part of the digits: what is seen around them is what they stand on.
    pad = (lower - upper) // 2
    around = pictures[:, max(0, upper - pad) : lower + pad, max(0, left - pad) : right + pad]
    off = around[level - around > STEP + LEAST_CONTRAST]
    ground = float(np.median(off)) if len(off) else 0.0
    on = values[np.abs(values - level) <= LEVEL_CODES].astype(np.intp)
    ink = commonest(on) if len(on) else level
    far = np.abs(on - ink)
    sharp = float(np.sum(far <= 2 * NEAR_CODES)) / max(float(np.sum(far <= LEVEL_CODES)), 1.0)
    weight = float(inside.sum() * inside.mean()) * sharp**2
    return Place((left, upper, right - left, lower - upper), ink, ground, weight)
