"""Smooth noise and an easel: what the ground, the sky, the things and the cart are painted with."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

Picture = npt.NDArray[np.uint8]
Field = npt.NDArray[np.float32]
Colour = tuple[float, float, float]
Points = Sequence[tuple[float, float]]


def waves(shape: tuple[int, int], cells: float, rng: np.random.Generator) -> Field:
    """Smooth noise, `cells` bumps wide, that closes on itself at all sides; deviation about 0.7."""
    rows, columns = shape
    wide, high = max(3, round(cells)), max(3, round(cells * rows / columns))
    lattice = rng.standard_normal((high, wide), dtype=np.float32)
    padded = cv2.copyMakeBorder(lattice, 2, 2, 2, 2, cv2.BORDER_WRAP)
    to_lattice = np.array(
        [
            [wide / columns, 0, 0.5 * wide / columns + 1.5],
            [0, high / rows, 0.5 * high / rows + 1.5],
        ]
    )
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(padded, to_lattice, (columns, rows), flags=flags), np.float32)


class Easel:
    """A clear picture that is painted in units of `unit` pixels, x to the right and y down."""

    def __init__(self, size: tuple[int, int], unit: tuple[float, float] = (1.0, 1.0)) -> None:
        self.image = np.zeros((size[1], size[0], 4), np.uint8)
        self._unit = unit

    def area(self, points: Points, colour: Colour) -> None:
        """Fill a polygon."""
        cv2.fillPoly(self.image, [self._pixels(points)], (*colour, 255), cv2.LINE_AA)

    def box(self, left: float, top: float, right: float, bottom: float, colour: Colour) -> None:
        """Fill a rectangle."""
        self.area([(left, top), (right, top), (right, bottom), (left, bottom)], colour)

    def line(self, points: Points, colour: Colour, thick: float) -> None:
        """Draw a line, `thick` units of width wide."""
        width = max(1, round(thick * self._unit[0]))
        ends = [self._pixels(points)]
        cv2.polylines(self.image, ends, False, (*colour, 255), width, cv2.LINE_AA)

    def oval(self, centre: tuple[float, float], size: tuple[float, float], colour: Colour) -> None:
        """Fill an ellipse of the given half axes."""
        axes = [max(1, round(s * unit)) for s, unit in zip(size, self._unit, strict=True)]
        at = self._pixels([centre])[0].tolist()
        cv2.ellipse(self.image, at, axes, 0, 0, 360, (*colour, 255), -1, cv2.LINE_AA)

    def light(self, gain: npt.NDArray[np.floating], first_row: int = 0) -> None:
        """Multiply all colours from a row on by a gain for each pixel."""
        part = self.image[first_row:, :, :3]
        part[:] = np.clip(part * gain[:, :, None], 0, 255)

    def premultiplied(self) -> Picture:
        """The picture with its colours multiplied by its alpha, ready for :func:`blend`."""
        flat = self.image.copy()
        flat[:, :, :3] = flat[:, :, :3] * (flat[:, :, 3:] / np.float32(255))
        return flat

    def _pixels(self, points: Points) -> npt.NDArray[np.int32]:
        return np.asarray(np.round(np.asarray(points) * self._unit), np.int32)


def blend(onto: Picture, part: Picture) -> None:
    """Lay a premultiplied picture over `onto` in place; equal sizes."""
    clear = cv2.bitwise_not(cv2.extractChannel(part, 3))
    under = cv2.multiply(onto, cv2.merge([clear, clear, clear]), scale=1 / 255)
    cv2.add(under, cv2.cvtColor(part, cv2.COLOR_BGRA2BGR), dst=onto)


def odd(length: float) -> int:
    """Nearest odd whole number, at least 1: a box that does not shift what it blurs."""
    return 2 * round(max(0.0, length - 1) / 2) + 1
