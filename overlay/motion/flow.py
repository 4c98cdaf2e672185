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

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from overlay.footage.model import Luma
from overlay.timebase import FloatArray

Float32 = npt.NDArray[np.float32]

# Fine enough in height that the flow over near ground is about linear inside a cell.
CELL_WIDTH_SHARE = 1 / 16
CELL_HEIGHT_SHARE = 1 / 18
# Noise left after smoothing is shared by neighbouring pixels: about this many make one sample.
PIXELS_PER_SAMPLE = 14.0
_SMOOTH_PX = 1.0
_DOUBTFUL = 0.95
_FADING = 0.97
# The dense flow must explain a cell by so much better than what the pair before suggests.
_BETTER = 0.8
# The flow before fits a pair well enough to go on from without a search when it leaves so little
# of the texture overall, and few cells with texture worth following are ill fitted: at the edges
# of the picture some always are.
_WELL_FITTED = 0.08
_ILL_FITTED_CELL = 0.3
_ILL_FITTED_SHARE = 0.05
_TEXTURED = 0.2
# A step of less than this, in pixels of the half-size picture, needs no warping anew.
_SMALL_STEP_PX = 0.35
# How fast the flow of a cell may change from pair to pair, and how far to believe its tensor.
_LOOSE_PX = 0.3
_LOOSE_SHARE = 0.1
_KEPT_TRUST = 0.1


@dataclass(frozen=True, eq=False)
class CellFlow:
    """Displacement between two pictures on a grid of cells, in pixels of the pictures given."""

    # shape (cells, 3): information about the displacement, 1/px^2: xx, xy and
    # yy
    tensor: Float32
    pull: Float32  # shape (cells, 2): tensor times displacement
    # shape (cells,): correlation of the two pictures in the cell once the
    # displacement is undone, -1 to 1
    likeness: Float32
    # shape (cells,): mean square of the texture over that of the whole picture
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
    """Measures successive pairs of pictures of one size.

    Each measurement starts from two guesses, cell by cell the better one: the dense flow of the
    pair itself, and the flow of the pair before, scaled and turned to fit. The second one follows
    near ground farther than any search can (30 pixels a pair), and where texture is too weak to
    search by.

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
        self._work = {scale: _Work(width // scale, height // scale) for scale in (1, 2)}
        self._before: Float32 | None = None
        self._shape = np.zeros((self.rows, self.columns, 2), np.float32)
        self._shape_size = 0.0
        self._turning = _rough_turning(self.columns, self.rows, width, height)
        self._basis = np.concatenate([np.zeros_like(self._turning[..., :1]), self._turning], axis=2)

    def prepare(self, luma: Luma) -> Prepared:
        """Make one picture ready for measuring."""
        cv = self._cv
        smooth = cv.GaussianBlur(luma.astype(np.float32), (5, 5), _SMOOTH_PX)
        eighth = cv.resize(smooth, None, fx=0.125, fy=0.125, interpolation=cv.INTER_AREA)
        shade = cv.resize(
            cv.GaussianBlur(eighth, (0, 0), 0.7), self.size, interpolation=cv.INTER_LINEAR
        )
        cv.subtract(smooth, shade, dst=smooth)
        contrast = float(cv.norm(smooth)) / math.sqrt(smooth.size) + 1e-3
        cv.multiply(smooth, 1 / contrast, dst=smooth)
        size = (self.size[0] // 2, self.size[1] // 2)
        half = cv.resize(smooth, size, interpolation=cv.INTER_AREA)
        small = cv.resize(luma, size, interpolation=cv.INTER_AREA)
        return Prepared(smooth, half, luma, small, float(eighth.mean()), contrast)

    def measure(self, first: Prepared, second: Prepared) -> CellFlow:
        """Displacement of each cell from the first picture to the second, the next in time."""
        grid, sums = self._start(first, second)
        grid = grid + self._change(sums, 2)
        flow = self._cells(self._sums(first.fine, second.fine, grid, 1), grid)
        self._remember(self._kept(flow, grid))
        return flow

    def difference(self, first: Prepared, second: Prepared) -> float:
        """Mean absolute difference of two pictures as they are, in codes."""
        return float(self._cv.norm(first.plain, second.plain, self._cv.NORM_L1)) / first.plain.size

    def _start(self, first: Prepared, second: Prepared) -> tuple[Float32, Float32]:
        """Where to start from, and the sums there at half size.

        Cell by cell the flow before, scaled and turned to fit, or the dense flow where that is
        better; the search is spared where the former leaves nothing to be found.
        """
        if self._before is None:
            found = self._found(first, second)
            return found, self._sums(first.half, second.half, found, 2)
        guess, sums = self._fitted_whole(first, second, self._before)
        if _fits(sums):
            return guess, sums
        found = self._found(first, second)
        cost, other = sums[..., 5], self._cost(first.half, second.half, found, 2)
        if cost.sum() > _DOUBTFUL * other.sum():
            # The speed has jumped, as it does where frames are missing or were repeated.
            again, again_sums = self._fitted_whole(first, second, self._along_shape(found))
            if again_sums[..., 5].sum() < cost.sum():
                guess, sums = again, again_sums
                cost = sums[..., 5]
        costs = self._cv.GaussianBlur(np.stack([cost, other], axis=-1), (3, 3), 0.8)
        is_better = costs[..., 1] < _BETTER * costs[..., 0]
        if not is_better.any():
            return guess, sums
        mixed = np.where(is_better[..., None], found, guess).astype(np.float32)
        return mixed, self._sums(first.half, second.half, mixed, 2)

    def _found(self, first: Prepared, second: Prepared) -> Float32:
        """The dense flow of a pair, in the mean over each cell.

        At half size: it is only to find large displacements, and costs a quarter so.
        """
        cv = self._cv
        dense = self._dis.calc(first.small, second.small, None)
        found: Float32 = cv.resize(dense, (self.columns, self.rows), interpolation=cv.INTER_AREA)
        found *= 2.0
        return found

    def _fitted_whole(
        self, first: Prepared, second: Prepared, guess: Float32
    ) -> tuple[Float32, Float32]:
        """A flow scaled and turned to fit the pair, and the sums there."""
        sums = self._sums(first.half, second.half, guess, 2)
        change = self._whole_change(sums, guess)
        guess = guess + change
        if float(np.abs(change).max()) < 2 * _SMALL_STEP_PX:
            return guess, _after_step(sums, change * np.float32(0.5))
        return guess, self._sums(first.half, second.half, guess, 2)

    def _along_shape(self, found: Float32) -> Float32:
        """The usual flow, scaled and turned to agree with the flow found."""
        target = found.reshape(-1, 2)
        basis = np.concatenate([self._shape.reshape(-1, 2, 1), self._turning], axis=2)
        weight: FloatArray = np.ones(len(target))
        state: FloatArray = np.zeros(4)
        for _ in range(3):
            left = (basis * weight[:, None, None]).reshape(-1, 4)
            normal = left.T @ left
            normal[range(4), range(4)] += 1e-3 * np.trace(normal) / 4 + 1e-9
            state = np.asarray(np.linalg.solve(normal, left.T @ (target * weight[:, None]).ravel()))
            rest = target - basis @ state
            weight = 1 / (0.5 + np.hypot(rest[:, 0], rest[:, 1]))
        return (basis @ state).reshape(found.shape).astype(np.float32)

    def _remember(self, kept: Float32) -> None:
        """Keep the largest flow of late as the usual shape."""
        self._before = kept
        size = float(np.vdot(kept, kept)) / kept.size
        self._shape_size *= _FADING
        if size > self._shape_size:
            self._shape, self._shape_size = kept, size

    def _whole_change(self, sums: Float32, grid: Float32) -> Float32:
        """Scaling and turning of the whole flow that fits the pair best."""
        cells = sums.reshape(-1, 7)
        self._basis[..., 0] = grid.reshape(-1, 2)
        ex, ey = self._basis[:, 0], self._basis[:, 1]
        weighted = cells[:, :5] / (cells[:, 5:6] + 0.02 + 0.02 * cells[:, 6:7])
        xx, xy, yy, bx, by = weighted.T
        normal = ex.T @ (xx[:, None] * ex + xy[:, None] * ey)
        normal += ey.T @ (xy[:, None] * ex + yy[:, None] * ey)
        normal.flat[::5] += 1e-3 * np.trace(normal) / 4 + 1e-9
        state = np.linalg.solve(normal, ex.T @ bx + ey.T @ by) * np.float32(2.0)
        state[0] = min(max(state[0], -0.3), 0.3)
        change: Float32 = self._basis @ np.clip(state, -6, 6)
        return change.reshape(grid.shape)

    def _warped(
        self, first: Float32, second: Float32, grid: Float32, scale: int
    ) -> tuple[Float32, Float32]:
        """Both pictures moved half the way to each other, in the work pictures."""
        cv, work = self._cv, self._work[scale]
        height, width = first.shape
        linear, edge = cv.INTER_LINEAR, cv.BORDER_REPLICATE
        shift = cv.resize(
            grid * np.float32(0.5 / scale), (width, height), dst=work.shift, interpolation=linear
        )
        cv.subtract(work.base, shift, dst=work.map)
        one = cv.remap(first, work.map, None, linear, dst=work.one, borderMode=edge)
        cv.add(work.base, shift, dst=work.map)
        two = cv.remap(second, work.map, None, linear, dst=work.two, borderMode=edge)
        return one, two

    def _cost(self, first: Float32, second: Float32, grid: Float32, scale: int) -> Float32:
        """Mean square difference over each cell, shape (rows, columns)."""
        cv, work = self._cv, self._work[scale]
        one, two = self._warped(first, second, grid, scale)
        diff = cv.subtract(one, two, dst=work.diff)
        product = cv.multiply(diff, diff, dst=work.two)
        cost: Float32 = cv.resize(product, (self.columns, self.rows), interpolation=cv.INTER_AREA)
        return cost

    def _sums(self, first: Float32, second: Float32, grid: Float32, scale: int) -> Float32:
        """Mean over each cell of the products of gradients and differences, (rows, columns, 7)."""
        cv, work = self._cv, self._work[scale]
        one, two = self._warped(first, second, grid, scale)
        diff = cv.subtract(one, two, dst=work.diff)
        both = cv.add(one, two, dst=work.one)
        gx = cv.Sobel(both, cv.CV_32F, 1, 0, dst=work.gx, ksize=3, scale=1 / 16)
        gy = cv.Sobel(both, cv.CV_32F, 0, 1, dst=work.gy, ksize=3, scale=1 / 16)
        cells = (self.columns, self.rows)
        pairs = ((gx, gx), (gx, gy), (gy, gy), (gx, diff), (gy, diff), (diff, diff), (both, both))
        sums = np.empty((self.rows, self.columns, 7), np.float32)
        for k, (a, b) in enumerate(pairs):
            product = cv.multiply(a, b, dst=work.two)
            sums[..., k] = cv.resize(product, cells, interpolation=cv.INTER_AREA)
        return sums

    def _change(self, sums: Float32, scale: int) -> Float32:
        """Gauss-Newton step of each cell, neighbours helping a little."""
        wide = self._cv.GaussianBlur(sums[..., :5], (0, 0), 1.0)
        return scale * _solved(sums[..., :5] + 0.15 * wide)

    def _kept(self, flow: CellFlow, grid: Float32) -> Float32:
        """The flow to go on from: as measured where that is sure, else as guessed."""
        guess = grid.reshape(-1, 2)
        sure = np.where(flow.likeness > 0.5, _KEPT_TRUST, 0.0).astype(np.float32)
        tensor, pull = flow.tensor * sure[:, None], flow.pull * sure[:, None]
        loose = 1 / (_LOOSE_PX**2 + (_LOOSE_SHARE**2) * np.sum(guess * guess, axis=1))
        a, b, c = tensor[:, 0] + loose, tensor[:, 1], tensor[:, 2] + loose
        px, py = pull[:, 0] + loose * guess[:, 0], pull[:, 1] + loose * guess[:, 1]
        det = a * c - b * b
        kept = np.stack([(c * px - b * py) / det, (a * py - b * px) / det], axis=-1)
        return kept.reshape(grid.shape).astype(np.float32)

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


class _Work:
    """Pictures of one size to work in: making them anew each time costs as much as the work."""

    def __init__(self, width: int, height: int) -> None:
        self.base = _pixel_base(width, height)
        self.map, self.shift = np.empty_like(self.base), np.empty_like(self.base)
        shape = (height, width)
        self.one, self.two, self.diff = (np.empty(shape, np.float32) for _ in range(3))
        self.gx, self.gy = np.empty(shape, np.float32), np.empty(shape, np.float32)


def _rough_turning(columns: int, rows: int, width: int, height: int) -> Float32:
    """Flow of turning about three axes, about a pixel large, shape (cells, 2, 3)."""
    x = (np.arange(columns) + 0.5) / columns - 0.5
    y = ((np.arange(rows) + 0.5) / rows - 0.5) * height / width
    gx, gy = (a.ravel() for a in np.meshgrid(x, y))
    one, none = np.ones_like(gx), np.zeros_like(gx)
    parts = [np.stack([one, none], -1), np.stack([none, one], -1), np.stack([-gy, gx], -1)]
    return np.stack(parts, axis=-1).astype(np.float32)


def _fits(sums: Float32) -> bool:
    """Whether the displacement at which the sums were taken leaves nothing to search for."""
    left, whole = sums[..., 5], sums[..., 6]
    total = float(whole.sum())
    if float(left.sum()) > _WELL_FITTED * total:
        return False
    textured = whole > _TEXTURED * total / whole.size
    ill_fitted = textured & (left > _ILL_FITTED_CELL * whole)
    most = _ILL_FITTED_SHARE * int(np.count_nonzero(textured))
    return int(np.count_nonzero(ill_fitted)) <= most


def _after_step(sums: Float32, step: Float32) -> Float32:
    """The sums after a small step more, to first order in the differences."""
    after = sums.copy()
    x, y = step[..., 0], step[..., 1]
    pull_x = sums[..., 0] * x + sums[..., 1] * y
    pull_y = sums[..., 1] * x + sums[..., 2] * y
    after[..., 5] += x * (pull_x - 2 * sums[..., 3]) + y * (pull_y - 2 * sums[..., 4])
    np.maximum(after[..., 5], 0, out=after[..., 5])
    after[..., 3] -= pull_x
    after[..., 4] -= pull_y
    return after


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
