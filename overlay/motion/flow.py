"""From a pair of pictures to the displacement of each cell of a coarse grid.

A dense flow (DIS, Kroeger et al. 2016, "Fast Optical Flow using Dense Inverse Search") finds large
displacements; Gauss-Newton steps (Lucas and Kanade 1981) on both pictures, each warped half the
way, then make them exact. Warping half the way puts each cell's value at the middle of the pair in
place as in time: over a plane that shrinks the error of a finite step d at depth Z from d/Z to
(d/2Z)^2, and so keeps the signal linear in speed.

Each cell hands on its normal equations rather than a vector, so that a cell with an edge but no
corner still says what it knows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from overlay.footage.model import Luma

Float32 = npt.NDArray[np.float32]

# Fine enough in height that the flow over near ground is about linear inside a cell.
CELL_WIDTH_SHARE = 1 / 16
CELL_HEIGHT_SHARE = 1 / 18
# Noise left after smoothing is shared by neighbouring pixels: about this many make one sample.
PIXELS_PER_SAMPLE = 14.0
_SMOOTH_PX = 1.0
_HALF_STEPS = 2
_FULL_STEPS = 2


@dataclass(frozen=True, eq=False)
class CellFlow:
    """Displacement between two pictures on a grid of cells, in pixels of the pictures given.

    Attributes
    ----------
    tensor : ndarray of float32, shape (cells, 3)
        Information about the displacement, 1/px^2: xx, xy and yy.
    pull : ndarray of float32, shape (cells, 2)
        Tensor times displacement.
    likeness : ndarray of float32, shape (cells,)
        Correlation of the two pictures in the cell once the displacement is undone, -1 to 1.
    texture : ndarray of float32, shape (cells,)
        Mean square of the texture over that of the whole picture.
    """

    tensor: Float32
    pull: Float32
    likeness: Float32
    texture: Float32


@dataclass(frozen=True, eq=False)
class Prepared:
    """One picture made ready: smoothed, without slow shading, of unit contrast."""

    fine: Float32
    half: Float32
    plain: Luma
    small: Luma
    level: float
    contrast: float


class CellFlowMeter:
    """Measures pairs of pictures of one size.

    Parameters
    ----------
    width, height : int
        Size of the pictures in pixels.
    """

    def __init__(self, width: int, height: int) -> None:
        import cv2

        self._cv: Any = cv2
        self.size = (width, height)
        self.columns = max(4, round(1 / CELL_WIDTH_SHARE))
        self.rows = max(4, round(1 / CELL_HEIGHT_SHARE))
        if height > width:
            self.columns, self.rows = self.rows, self.columns
        self._dis: Any = self._cv.DISOpticalFlow_create(self._cv.DISOPTICAL_FLOW_PRESET_ULTRAFAST)
        self._bases = {
            scale: _pixel_base(max(1, width // scale), max(1, height // scale)) for scale in (1, 2)
        }

    def prepare(self, luma: Luma) -> Prepared:
        """Make one picture ready for measuring."""
        cv = self._cv
        picture = luma.astype(np.float32)
        smooth = cv.GaussianBlur(picture, (5, 5), _SMOOTH_PX)
        quarter = cv.resize(smooth, None, fx=0.125, fy=0.125, interpolation=cv.INTER_AREA)
        shade = cv.resize(
            cv.GaussianBlur(quarter, (0, 0), 1.5), self.size, interpolation=cv.INTER_LINEAR
        )
        fine = smooth - shade
        contrast = float(np.sqrt(np.mean(fine * fine))) + 1e-3
        fine *= 1 / contrast
        width, height = self.size
        half = cv.resize(fine, (width // 2, height // 2), interpolation=cv.INTER_AREA)
        small = cv.resize(luma, (width // 2, height // 2), interpolation=cv.INTER_AREA)
        return Prepared(fine, half, luma, small, float(quarter.mean()), contrast)

    def measure(self, first: Prepared, second: Prepared) -> CellFlow:
        """Displacement of each cell from the first picture to the second."""
        cv = self._cv
        # At half size: DIS is only to find large displacements, and costs a quarter so.
        dense = self._dis.calc(first.small, second.small, None)
        grid = cv.resize(dense, (self.columns, self.rows), interpolation=cv.INTER_AREA)
        grid *= 2.0
        for _ in range(_HALF_STEPS):
            grid = self._step(first.half, second.half, grid, 2)[0]
        for _ in range(_FULL_STEPS - 1):
            grid = self._step(first.fine, second.fine, grid, 1)[0]
        _, sums, warped = self._step(first.fine, second.fine, grid, 1)
        return self._cells(sums, warped)

    def _step(
        self, first: Float32, second: Float32, grid: Float32, scale: int
    ) -> tuple[Float32, Float32, Float32]:
        """One Gauss-Newton step; the new grid, the cell means, and the grid warped with."""
        cv = self._cv
        height, width = first.shape
        shift = cv.resize(grid, (width, height), interpolation=cv.INTER_LINEAR)
        shift *= 0.5 / scale
        base = self._bases[scale]
        one = cv.remap(first, base - shift, None, cv.INTER_LINEAR, borderMode=cv.BORDER_REPLICATE)
        two = cv.remap(second, base + shift, None, cv.INTER_LINEAR, borderMode=cv.BORDER_REPLICATE)
        both = cv.add(one, two)
        gx = cv.Sobel(both, cv.CV_32F, 1, 0, ksize=3, scale=1 / 16)
        gy = cv.Sobel(both, cv.CV_32F, 0, 1, ksize=3, scale=1 / 16)
        diff = cv.subtract(one, two)
        maps = (gx * gx, gx * gy, gy * gy, gx * diff, gy * diff, diff * diff, both * both)
        cells = (self.columns, self.rows)
        sums: Float32 = np.stack(
            [cv.resize(m, cells, interpolation=cv.INTER_AREA) for m in maps], axis=-1
        )
        wide = cv.GaussianBlur(sums[..., :5], (0, 0), 1.0)
        blend = sums[..., :5] + 0.15 * wide
        return grid + scale * _solved(blend), sums, grid

    def _cells(self, sums: Float32, grid: Float32) -> CellFlow:
        width, height = self.size
        samples = width * height / (self.columns * self.rows) / PIXELS_PER_SAMPLE
        sums, grid = sums.reshape(-1, 7), grid.reshape(-1, 2)
        step = _solved(sums[:, :5])
        fit = np.sum(step * sums[:, 3:5], axis=1)
        left = np.maximum(sums[:, 5] - fit, 1e-4)
        tensor = sums[:, :3] * (samples / left)[:, None]
        pull = sums[:, 3:5] * (samples / left)[:, None]
        pull[:, 0] += tensor[:, 0] * grid[:, 0] + tensor[:, 1] * grid[:, 1]
        pull[:, 1] += tensor[:, 1] * grid[:, 0] + tensor[:, 2] * grid[:, 1]
        # |a - b|^2 and |a + b|^2 give the correlation of a and b.
        likeness = (sums[:, 6] - left) / (sums[:, 6] + left + 1e-6)
        texture = ((sums[:, 5] + sums[:, 6]) / 4).astype(np.float32)
        return CellFlow(tensor, pull, likeness.astype(np.float32), texture)


def _pixel_base(width: int, height: int) -> Float32:
    x, y = np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32))
    return np.stack([x, y], axis=-1)


def _solved(sums: Float32) -> Float32:
    """Displacement from xx, xy, yy, x·d, y·d in the last axis; a ridge keeps flat cells at 0."""
    ridge = 2e-4 + 0.01 * (sums[..., 0] + sums[..., 2])
    xx, yy, xy = sums[..., 0] + ridge, sums[..., 2] + ridge, sums[..., 1]
    det = xx * yy - xy * xy
    dx = (yy * sums[..., 3] - xy * sums[..., 4]) / det
    dy = (xx * sums[..., 4] - xy * sums[..., 3]) / det
    return np.stack([np.clip(dx, -2, 2), np.clip(dy, -2, 2)], axis=-1).astype(np.float32)
