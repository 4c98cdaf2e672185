"""Where a number is burnt in: places of the picture that keep going from ink to something else."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from overlay.footage.upright import Box
from overlay.motion.model import BoolArray

Luma = npt.NDArray[np.uint8]

ON_CODES, OFF_CODES = 20, 48  # luma this near its extreme is ink; this far from it is not
LEAST_SEEN = 0.07  # share of the pictures in which a part of a digit is there, and is not
MOST_BETWEEN = 0.2  # share of the pictures with a luma between
LEVEL_CODES = 20  # ink has one luma
PLAIN, PLAINER = 232, 4.0  # luma of white ink, or black turned over, and what it is worth
NEAR_CODES = 3  # within which it is still one after coding
# Height of what changes, the latter as a share of the picture's: things that pass behind may touch.
LEAST_HIGH_PX, MOST_HIGH = 9, 0.4
LEAST_DENSITY = 0.10
MOST_PLACES = 30
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
    """Places where light or dark digits change, the likeliest first.

    Parameters
    ----------
    pictures : ndarray of uint8, shape (k, height, width)
        Luma of pictures spread over the clip.
    most_high_px : float, optional
        Greatest height of what changes; by default that share of the picture's.

    Returns
    -------
    list of Place
        At most `MOST_PLACES`; empty where nothing changes like a digit.
    """
    most = MOST_HIGH * pictures.shape[1] if most_high_px is None else most_high_px
    found = []
    for dark in (False, True):
        seen = 255 - pictures if dark else pictures
        top = seen.max(axis=0)
        plain = np.full_like(top, PLAIN)  # what passes behind is seldom as white, or as black
        for level, changes, worth in (
            (top, _changing(seen, top), 1.0),
            (plain, _changing(seen, plain), PLAINER),
        ):
            for place in _grouped(seen, level, changes, most):
                ink, ground = place.ink, place.ground
                if dark:
                    ink, ground = 255 - ink, 255 - ground
                found.append(Place(place.box, ink, ground, worth * place.weight))
    found.sort(key=lambda p: -p.weight)
    return found[:MOST_PLACES]


def _changing(pictures: Luma, level: Luma) -> BoolArray:
    """Whether each pixel is now near or above a luma and now far below it, seldom between."""
    count = len(pictures)
    least = max(2, round(LEAST_SEEN * count))
    on = np.zeros(level.shape, np.uint8)
    off = np.zeros(level.shape, np.uint8)
    high, low = np.maximum(level, ON_CODES) - ON_CODES, np.maximum(level, OFF_CODES) - OFF_CODES
    for picture in pictures:
        on += picture >= high
        off += picture <= low
    return (on >= least) & (off >= least) & (on + off >= (1 - MOST_BETWEEN) * count)


def _grouped(pictures: Luma, top: Luma, changes: BoolArray, most: float) -> list[Place]:
    """Changing pixels of one luma, near that of `top`, gathered into lines."""
    import cv2

    solid = cv2.boxFilter(changes.astype(np.uint8), -1, (3, 3), normalize=False) >= 4
    mask = (changes & solid).astype(np.uint8)
    found: list[Place] = []
    for reach in REACHES:  # with little reach, what passes behind is seldom taken for a part of it
        near = np.asarray(cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones(reach)), np.uint8)
        found += [_place(pictures, mask, top, box) for box in _lines(_boxes(mask, near, top, most))]
    return found


def _boxes(mask: Luma, near: Luma, top: Luma, most: float) -> list[_Part]:
    """Left, top, right and lower edge, and luma, of parts that may be digits."""
    import cv2

    _, labels, stats, _ = cv2.connectedComponentsWithStats(near)
    boxes = []
    for number in range(1, len(stats)):
        x, y, wide, high, area = (int(v) for v in stats[number])
        if area < 12 or high < LEAST_HIGH_PX or high > most or wide > 8 * high:
            continue
        inside = mask[y : y + high, x : x + wide] * (labels[y : y + high, x : x + wide] == number)
        # Where no digit ever has ink, its outline may still come and go: that is less light.
        level = float(np.quantile(top[y : y + high, x : x + wide][inside > 0], 0.85))
        alike = inside * (np.abs(top[y : y + high, x : x + wide] - level) <= LEVEL_CODES)
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


def _place(pictures: Luma, mask: Luma, top: Luma, box: _Part) -> Place:
    left, upper, right, lower, level = box
    inside = mask[upper:lower, left:right] > 0
    inside &= np.abs(top[upper:lower, left:right] - level) <= LEVEL_CODES
    values = pictures[:, upper:lower, left:right][:, inside]
    off = values[level - values > OFF_CODES]
    ground = float(np.median(off)) if len(off) else 0.0
    on = values[values >= level - ON_CODES].astype(np.intp)
    ink = commonest(on) if len(on) else level
    away = np.abs(pictures[:, upper:lower, left:right] - ink)
    sharp = float(np.sum(away <= 2 * NEAR_CODES)) / max(float(np.sum(away <= ON_CODES)), 1.0)
    weight = float(inside.sum()) * sharp**2
    return Place((left, upper, right - left, lower - upper), ink, ground, weight)


def commonest(codes: npt.NDArray[np.intp]) -> float:
    """The luma that most have, as ink has one and what passes behind has many."""
    counts = np.convolve(np.bincount(codes, minlength=256), np.bartlett(2 * NEAR_CODES + 3), "same")
    return float(np.argmax(counts))
