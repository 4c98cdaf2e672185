"""Drawing of static layers, once for each gauge: smooth shapes and text on a transparent ground."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from overlay.gauges.palette import GROUND, Color

Rgba = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.float64]
Box = tuple[float, float, float, float]  # left, top, right, bottom; pixel k spans k to k + 1


def rounded_mask(height: int, width: int, box: Box, radius: float) -> Mask:
    """Coverage of a rounded box, shape (height, width), 0 to 1, smooth at sub-pixel edges.

    Parameters
    ----------
    box : (left, top, right, bottom)
    radius : float
        Of the corners in pixels; cut to half of the shorter side.
    """
    left, top, right, bottom = box
    radius = max(0.0, min(radius, (right - left) / 2, (bottom - top) / 2))
    x = np.arange(width) + 0.5
    y = np.arange(height) + 0.5
    if radius < 0.5:
        across = np.clip(np.minimum(x + 0.5, right) - np.maximum(x - 0.5, left), 0.0, 1.0)
        down = np.clip(np.minimum(y + 0.5, bottom) - np.maximum(y - 0.5, top), 0.0, 1.0)
        return np.outer(down, across)
    qx = np.abs(x - (left + right) / 2) - (right - left) / 2 + radius
    qy = np.abs(y - (top + bottom) / 2) - (bottom - top) / 2 + radius
    outside = np.hypot(np.maximum(qx, 0.0)[None, :], np.maximum(qy, 0.0)[:, None])
    inside = np.minimum(np.maximum(qx[None, :], qy[:, None]), 0.0)
    mask: Mask = np.clip(0.5 - (outside + inside - radius), 0.0, 1.0)
    return mask


def hatch_mask(height: int, width: int, period_px: float, share: float = 0.5) -> Mask:
    """Diagonal stripes with smooth edges, shape (height, width); `share` of each is covered."""
    y, x = np.mgrid[0:height, 0:width]
    phase = np.mod(x + y, period_px)
    distance = np.abs(phase - period_px / 2)
    mask: Mask = np.clip(0.5 + share * period_px / 2 - distance, 0.0, 1.0)
    return mask


class Canvas:
    """A picture under construction, with premultiplied colour so that layers add up rightly."""

    def __init__(self, width: int, height: int) -> None:
        self.width = width
        self.height = height
        self.size = (width, height)
        self._pixels = np.zeros((height, width, 4), dtype=np.float32)

    def copy(self) -> Canvas:
        """An independent canvas with the same picture."""
        other = Canvas(self.width, self.height)
        other._pixels = self._pixels.copy()
        return other

    def cover(self, mask: Mask, color: Color, alpha: float = 1.0) -> None:
        """Lay `color` over everything, as far as `mask` (height, width) says."""
        self.stamp(mask, 0, 0, color, alpha)

    def box(self, box: Box, color: Color, *, radius: float = 0.0, alpha: float = 1.0) -> None:
        """Lay a rounded box (left, top, right, bottom) over everything."""
        left, top, mask = self._near(box, radius)
        self.stamp(mask, left, top, color, alpha)

    def hatched_box(
        self,
        box: Box,
        color: Color,
        *,
        period_px: float,
        radius: float = 0.0,
        alpha: float = 1.0,
        share: float = 0.5,
    ) -> None:
        """Lay a box of diagonal stripes over everything."""
        left, top, mask = self._near(box, radius)
        stripes = hatch_mask(mask.shape[0], mask.shape[1], period_px, share)
        self.stamp(mask * stripes, left, top, color, alpha)

    def _near(self, box: Box, radius: float) -> tuple[int, int, Mask]:
        """Left and top of the part of the canvas that the box touches, and the mask there."""
        left, top = max(0, math.floor(box[0]) - 1), max(0, math.floor(box[1]) - 1)
        right = max(left, min(self.width, math.ceil(box[2]) + 1))
        bottom = max(top, min(self.height, math.ceil(box[3]) + 1))
        moved = (box[0] - left, box[1] - top, box[2] - left, box[3] - top)
        return left, top, rounded_mask(bottom - top, right - left, moved, radius)

    def polygon(self, points: Sequence[tuple[float, float]], color: Color) -> None:
        """Lay a filled polygon over everything; corners in pixels."""
        from PIL import Image, ImageDraw

        fine = 8
        left, top = (math.floor(min(values)) for values in zip(*points, strict=True))
        right, bottom = (math.ceil(max(values)) for values in zip(*points, strict=True))
        size = (max(1, right - left), max(1, bottom - top))
        image = Image.new("L", (size[0] * fine, size[1] * fine))
        corners = [((x - left) * fine, (y - top) * fine) for x, y in points]
        ImageDraw.Draw(image).polygon(corners, fill=255)
        small = image.resize(size, Image.Resampling.BOX)
        self.stamp(np.asarray(small) / 255.0, left, top, color)

    def stamp(self, mask: Mask, left: int, top: int, color: Color, alpha: float = 1.0) -> None:
        """Lay a small mask (rows, columns) with its corner at (left, top); cut at the edges."""
        rows = slice(max(0, top), min(self.height, top + mask.shape[0]))
        columns = slice(max(0, left), min(self.width, left + mask.shape[1]))
        if rows.start >= rows.stop or columns.start >= columns.stop:
            return
        part = mask[rows.start - top : rows.stop - top, columns.start - left : columns.stop - left]
        amount = (part * alpha).astype(np.float32)[..., None]
        source = np.array([*(value / 255.0 for value in color), 1.0], dtype=np.float32)
        under = self._pixels[rows, columns]
        under += amount * (source - under)

    def rgba(self) -> Rgba:
        """The picture as straight-alpha RGBA, shape (height, width, 4).

        Clear pixels carry the plate's colour, so that nothing bright bleeds in where a video
        format halves the resolution of colour without regard to alpha.
        """
        alpha = self._pixels[..., 3:]
        straight = self._pixels * (255.0 / np.maximum(alpha, 1e-6))
        straight[..., 3:] = 255.0 * alpha
        straight[self._pixels[..., 3] < 1e-6, :3] = GROUND
        straight += 0.5
        return np.clip(straight, 0, 255, out=straight).astype(np.uint8)
