"""The ground as pictures: old concrete slabs with joints, cracks and stains, and grass beside.

World axes: x to the right of the track's middle, z along it, metres. A strip's rows run along the
track and repeat after `PERIOD_M`, far more than the cart covers between two pictures.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from overlay.demo.paint import Field, Picture, waves

PERIOD_M = 60.0
SLAB_M, LANE_M = 6.0, 5.0
HALF_WIDTH_M = 7.5  # three lanes of slabs, then grass
FINE_HALF_M, FINE_CELL_M = 9.0, 0.01
WIDE_HALF_M, WIDE_CELL_M = 126.0, 0.10
OCTAVES_M = (12.0, 4.0, 1.5, 0.6, 0.25, 0.12, 0.06, 0.03)
SLAB_WEIGHTS = (4.0, 4.0, 4.0, 5.0, 6.0, 7.0, 7.0, 7.0)
GRASS_WEIGHTS = (5.0, 6.0, 7.0, 9.0, 13.0, 15.0, 14.0, 12.0)
COARSER = 4  # long waves are worked out on cells so much larger
ROUGH = (0.0, 0.0, 0.0, 4.0, 5.0, 5.0, 4.0, 0.0)  # of the edge of the grass
SLAB_BGR, GRASS_BGR = (146, 154, 158), (58, 112, 96)
GRASS_GAIN = (0.55, 1.0, 0.9)  # of the texture in blue, green and red
JOINT_SHADE, TAR_SHADE, CRACK_SHADE = 98, 94, 50  # how much darker, 8-bit codes


@dataclass(frozen=True, eq=False)
class GroundStrip:
    """A picture of the ground, one period long, the track's middle in its middle."""

    # shape (rows, columns, 3), uint8: Cell (i, j) covers z from ``i * step_z_m`` and x from ``(j -
    # columns / 2) * step_x_m``, one step each.
    picture: Picture
    step_x_m: float
    step_z_m: float

    @property
    def half_width_m(self) -> float:
        """How far it reaches to each side."""
        return float(self.picture.shape[1] * self.step_x_m / 2)

    def averaged(self, step_x_m: float, step_z_m: float) -> GroundStrip:
        """The same ground in cells of about this size, or of its own where they are larger."""
        rows, columns = self.picture.shape[:2]
        wide = max(2, round(columns * min(1.0, self.step_x_m / step_x_m)))
        high = max(2, round(rows * min(1.0, self.step_z_m / step_z_m)))
        small = cv2.resize(self.picture, (wide, high), interpolation=cv2.INTER_AREA)
        steps = self.step_x_m * columns / wide, self.step_z_m * rows / high
        return GroundStrip(np.asarray(small, np.uint8), *steps)


@lru_cache(maxsize=1)
def taxiway() -> tuple[GroundStrip, GroundStrip]:
    """The land to both sides in coarse cells, and the taxiway itself in fine ones."""
    rng = np.random.default_rng(1)
    shape = round(PERIOD_M / FINE_CELL_M), round(2 * FINE_HALF_M / FINE_CELL_M)
    solid = texture(shape, FINE_CELL_M, SLAB_WEIGHTS, rng)
    dark, paint = _marks(shape, rng)
    solid -= dark
    yellow = (paint * np.float32(gain) for gain in (-0.30, 0.12, 0.20))
    planes = [_codes(solid + y + t) for t, y in zip(SLAB_BGR, yellow, strict=True)]
    fine = np.asarray(cv2.merge(planes), np.uint8)
    edge = round((FINE_HALF_M - HALF_WIDTH_M) / FINE_CELL_M) + 20
    off_m = (edge - 20 - np.arange(edge)) * FINE_CELL_M  # from the taxiway's edge outwards
    for side in (fine[:, :edge], fine[:, : -edge - 1 : -1]):
        turf = np.clip(off_m - 0.02 * texture((shape[0], edge), FINE_CELL_M, ROUGH, rng), 0, 0.12)
        grass = _grass((shape[0], edge), FINE_CELL_M, rng)
        side[:] = side + (grass - side) * (turf / 0.12)[:, :, None]
    wide = _grass(
        (round(PERIOD_M / WIDE_CELL_M), round(2 * WIDE_HALF_M / WIDE_CELL_M)), WIDE_CELL_M, rng
    )
    return GroundStrip(_codes(wide), WIDE_CELL_M, WIDE_CELL_M), GroundStrip(
        fine, FINE_CELL_M, FINE_CELL_M
    )


def texture(
    shape: tuple[int, int], cell_m: float, weights: tuple[float, ...], rng: np.random.Generator
) -> Field:
    """Sum of the octaves that the cells can show, each with its weight in 8-bit codes."""
    small = shape[0] // COARSER, max(1, shape[1] // COARSER)
    long, total = np.zeros(small, np.float32), np.zeros(shape, np.float32)
    for wave_m, weight in zip(OCTAVES_M, weights, strict=True):
        onto = long if wave_m > 4 * COARSER * cell_m else total
        if wave_m > 2 * cell_m:
            cv2.scaleAdd(waves(onto.shape, shape[1] * cell_m / wave_m, rng), weight, onto, onto)
    return total + cv2.resize(long, shape[::-1], interpolation=cv2.INTER_LINEAR)


def _grass(shape: tuple[int, int], cell_m: float, rng: np.random.Generator) -> Field:
    rough = texture(shape, cell_m, GRASS_WEIGHTS, rng)
    return np.stack([c + g * rough for c, g in zip(GRASS_BGR, GRASS_GAIN, strict=True)], 2)


def _codes(values: Field) -> Picture:
    return np.asarray(np.clip(values, 4, 251), np.uint8)


def _marks(shape: tuple[int, int], rng: np.random.Generator) -> tuple[Picture, Picture]:
    """Shades of slabs, stains, patches, joints and cracks (dark); the old yellow line (paint)."""
    dark, paint = np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)
    area = 2 * FINE_HALF_M * PERIOD_M

    def pixels(points_m: npt.ArrayLike) -> npt.NDArray[np.int32]:
        return np.asarray(np.add(points_m, (FINE_HALF_M, 0)) / FINE_CELL_M, np.int32)

    def somewhere(count: float) -> npt.NDArray[np.float64]:
        return rng.uniform((-FINE_HALF_M, 0), (FINE_HALF_M, PERIOD_M), (int(count), 2))

    def line(points_m: npt.ArrayLike, width_m: float, shade: int) -> None:
        thick = max(1, round(width_m / FINE_CELL_M))
        cv2.polylines(dark, [pixels(points_m)], False, shade, thick, cv2.LINE_AA)

    lefts = np.arange(-HALF_WIDTH_M, HALF_WIDTH_M, LANE_M)
    for z in np.arange(0, PERIOD_M, SLAB_M):
        for x in lefts:
            a, b = pixels([(x, z), (x + LANE_M, z + SLAB_M)]).tolist()
            cv2.rectangle(dark, a, b, int(rng.integers(0, 14)), -1)
    for at in pixels(somewhere(0.06 * area)).tolist():
        axes = (rng.uniform(0.04, 0.35) / FINE_CELL_M * np.array((1, 1.6))).astype(int).tolist()
        cv2.ellipse(dark, at, axes, rng.uniform(0, 180), 0, 360, int(rng.integers(10, 40)), -1)
    for corner in somewhere(0.012 * area):
        a, b = pixels([corner, corner + rng.uniform((0.3, 0.4), (1.4, 2.2))]).tolist()
        cv2.rectangle(dark, a, b, int(rng.integers(25, 60)), -1)
    across, along = np.linspace(-HALF_WIDTH_M, HALF_WIDTH_M, 40), np.linspace(0, PERIOD_M, 200)
    for z in np.arange(SLAB_M / 2, PERIOD_M, SLAB_M):
        line(np.stack([across, z + rng.normal(0, 0.006, 40)], 1), 0.022, JOINT_SHADE)
    for x in (*lefts, HALF_WIDTH_M):
        line(np.stack([x + rng.normal(0, 0.006, 200), along], 1), 0.022, JOINT_SHADE)
    for start in somewhere(0.05 * area):
        turn = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.35, rng.integers(8, 40)))
        walk = start + np.cumsum(np.stack([np.cos(turn), np.sin(turn)], 1) * 0.09, 0)
        tarred = rng.random() < 0.3
        line(walk, 0.035 if tarred else 0.01, TAR_SHADE if tarred else CRACK_SHADE)
    left, right = pixels([(1.15, 0), (1.30, 0)])[:, 0]
    worn = cv2.resize(rng.random((300, 4), dtype=np.float32), (int(right - left), shape[0]))
    paint[:, left:right] = 200 * np.clip(worn * 2.2 - 0.5, 0, 1)
    return dark, paint
