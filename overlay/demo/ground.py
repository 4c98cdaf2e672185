"""The ground as pictures: one noise field and one set of marks, seen at several resolutions.

World axes: x to the right of the track's middle, z along it, metres. A level is a raster of the
ground whose cells are `step_x` by `step_z` metres; cell (i, j) covers
``x0 + j * step_x .. + step_x`` and ``i * step_z .. + step_z``. Every level samples the same
field, averaged over its own cell, so that a far band shows the same cracks as the near one
without aliasing. The field repeats after `PERIOD_M` along the track, far more than the cart
covers between two pictures.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

Picture = npt.NDArray[np.uint8]
Field = npt.NDArray[np.float32]

PERIOD_M = 60.0
APRON_PERIOD_M = 42.0
SLAB_M = 6.0
LANE_M = 5.0
HALF_WIDTH_M = 7.5  # three lanes of slabs, then grass
BLOCK_ROWS = 512
OCTAVES_M = (12.0, 4.0, 1.5, 0.6, 0.25, 0.12, 0.06, 0.03)
WEIGHTS = {
    "slabs": (4.0, 4.0, 4.0, 5.0, 6.0, 7.0, 7.0, 7.0),
    "asphalt": (2.0, 2.5, 2.5, 3.0, 4.0, 6.0, 8.0, 9.0),
    "smooth": (2.0, 2.0, 1.5, 1.5, 1.5, 1.5, 2.0, 2.0),
}
TINTS = {"slabs": (146, 154, 158), "asphalt": (98, 98, 97), "smooth": (134, 138, 139)}
GRASS_BGR = (58, 112, 96)
GRASS_WEIGHTS = (5.0, 6.0, 7.0, 9.0, 13.0, 15.0, 14.0, 12.0)


@dataclass(frozen=True)
class GroundKind:
    """What the ground is made of.

    Attributes
    ----------
    surface : str
        ``slabs`` (old concrete with joints), ``asphalt`` or ``smooth`` (little to see).
    contrast : float
        Factor on all texture.
    endless : bool
        Whether the surface goes on for ever to all sides (an apron) instead of a taxiway.
    rng_seed : int
        Chooses cracks, stains and noise.
    """

    surface: str = "slabs"
    contrast: float = 1.0
    endless: bool = False
    rng_seed: int = 1

    @property
    def period_m(self) -> float:
        """Distance after which the field repeats along the track."""
        return APRON_PERIOD_M if self.endless else PERIOD_M


@dataclass(frozen=True, eq=False)
class Level:
    """One raster of the ground; rows run along the track and wrap around."""

    picture: Picture
    x0_m: float
    step_x_m: float
    step_z_m: float
    rows: int  # of one period; `picture` repeats the first ones after it
    columns: int  # of one period on an endless surface


class Ground:
    """The field; makes levels on demand."""

    def __init__(self, kind: GroundKind, finest_m: float) -> None:
        self.kind = kind
        self._rng = np.random.default_rng(kind.rng_seed)
        self._lattices = [self._lattice(wave) if wave > finest_m else None for wave in OCTAVES_M]
        self._canvas_m = max(0.01, min(finest_m, 0.04))
        self._half_m = kind.period_m / 2 if kind.endless else HALF_WIDTH_M + 1.5
        self._dark, self._paint = self._marks()

    def _lattice(self, wave_m: float) -> Field:
        period = self.kind.period_m
        count = max(3, round(period / wave_m))
        values = self._rng.standard_normal((count, count), dtype=np.float32)
        return values.astype(np.float32)

    def level(
        self, x0_m: float, x1_m: float, step_x_m: float, step_z_m: float, overlap_m: float
    ) -> Level:
        """The ground from `x0_m` to `x1_m`, one whole period long and `overlap_m` more."""
        period = self.kind.period_m
        rows = max(8, round(period / step_z_m))
        step_z = period / rows
        columns = max(8, round((x1_m - x0_m) / step_x_m))
        if self.kind.endless:
            x0_m, columns = 0.0, max(8, round(period / step_x_m))
            step_x_m = period / columns
        x = (x0_m + (np.arange(columns) + 0.5) * step_x_m).astype(np.float32)
        solid, grass = self._noise(x, rows, step_x_m, step_z)
        picture = self._coloured(x, solid, grass, rows, step_x_m)
        wrapped = picture[np.arange(rows + int(overlap_m / step_z) + 4) % rows]
        if self.kind.endless:
            wide = np.arange(columns + int(overlap_m / step_x_m) + 4) % columns
            wrapped = np.ascontiguousarray(wrapped[:, wide])
        return Level(wrapped, x0_m, step_x_m, step_z, rows, columns)

    def _noise(
        self, x: Field, rows: int, step_x: float, step_z: float
    ) -> tuple[Field, Field | None]:
        """All octaves on the cells of a level; long waves on a coarser grid first, for speed."""
        weights = WEIGHTS[self.kind.surface]
        coarse = self._coarse(x, rows, step_x, step_z)
        solid = np.zeros((rows, len(x)), np.float32)
        bare = self.kind.endless or float(np.abs(x).max()) < HALF_WIDTH_M - 0.5
        grass = None if bare else np.zeros_like(solid)
        if coarse is not None:
            solid, rough = coarse
            grass = None if grass is None else rough
        for wave, lattice, weight, grassy in zip(
            OCTAVES_M, self._lattices, weights, GRASS_WEIGHTS, strict=True
        ):
            if lattice is None or (coarse is not None and _is_long(wave, step_x, step_z)):
                continue
            octave = self._sampled(lattice, x, rows, step_x, step_z)
            cv2.scaleAdd(octave, weight, solid, solid)
            if grass is not None:
                cv2.scaleAdd(octave, grassy, grass, grass)
        return solid, grass

    def _coarse(
        self, x: Field, rows: int, step_x: float, step_z: float
    ) -> tuple[Field, Field | None] | None:
        """Sum of the long octaves, worked out on every fourth cell and enlarged."""
        if not _is_long(OCTAVES_M[1], step_x, step_z) or rows < 64 or len(x) < 64:
            return None
        columns = -(-len(x) // 4)
        wide_x = (x[0] - step_x / 2 + (np.arange(columns) + 0.5) * 4 * step_x).astype(np.float32)
        few = round(rows / 4)
        sums = [np.zeros((few, columns), np.float32) for _ in range(2)]
        for wave, lattice, weight, grassy in zip(
            OCTAVES_M, self._lattices, WEIGHTS[self.kind.surface], GRASS_WEIGHTS, strict=True
        ):
            if lattice is None or not _is_long(wave, step_x, step_z):
                continue
            octave = self._sampled(lattice, wide_x, few, 4 * step_x, self.kind.period_m / few)
            cv2.scaleAdd(octave, weight, sums[0], sums[0])
            cv2.scaleAdd(octave, grassy, sums[1], sums[1])
        bare = self.kind.endless or float(np.abs(x).max()) < HALF_WIDTH_M - 0.5
        solid = _enlarged(sums[0], rows, len(x))
        return solid, None if bare else _enlarged(sums[1], rows, len(x))

    def _sampled(self, lattice: Field, x: Field, rows: int, step_x: float, step_z: float) -> Field:
        """One octave averaged over the cells of a level."""
        period = self.kind.period_m
        high, wide = lattice.shape
        high = min(high, rows)
        wide = min(wide, max(3, round(period / step_x)))
        if (high, wide) != lattice.shape:
            small = cv2.resize(lattice, (wide, high), interpolation=cv2.INTER_AREA)
            lattice = np.asarray(small, np.float32)
        scale_x, scale_z = wide * step_x / period, high / rows
        left = float(x[0]) / period * wide - 0.5
        matrix = np.array([[scale_x, 0, left], [0, scale_z, 0.5 * scale_z - 0.5]])
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        padded = cv2.copyMakeBorder(lattice, 3, 3, 3, 3, cv2.BORDER_WRAP)
        turns = int(np.floor((left - 2) / wide))
        matrix[:, 2] += 3
        matrix[0, 2] -= turns * wide
        needed = int(matrix[0, 2] + scale_x * len(x)) + 4
        if needed > padded.shape[1]:
            padded = cv2.copyMakeBorder(lattice, 3, 3, 3, needed - wide - 3 + 1, cv2.BORDER_WRAP)
        return np.asarray(cv2.warpAffine(padded, matrix, (len(x), rows), flags=flags))

    def _coloured(
        self, x: Field, solid: Field, grass: Field | None, rows: int, step_x: float
    ) -> Picture:
        """Tint, texture, marks and turf of a level, a block of rows at a time to save memory."""
        dark, paint = (self._mark_level(m, x, rows, step_x) for m in (self._dark, self._paint))
        picture = np.empty((rows, len(x), 3), np.uint8)
        for start in range(0, rows, BLOCK_ROWS):
            block = slice(start, start + BLOCK_ROWS)
            turf = None if grass is None else grass[block]
            picture[block] = self._block(x, solid[block], turf, dark[block], paint[block])
        return picture

    def _block(
        self, x: Field, solid: Field, grass: Field | None, dark: Picture, paint: Picture
    ) -> Picture:
        gain = self.kind.contrast
        luma = solid * np.float32(gain) - dark * np.float32(0.42 * gain)
        mask = None if grass is None else self._turf_mask(x, solid)
        painted = bool(paint.any())
        planes = []
        for channel in range(3):
            plane = luma + np.float32(TINTS[self.kind.surface][channel])
            if painted:
                plane += paint * np.float32(gain * (-0.30, 0.12, 0.20)[channel])
            if grass is not None and mask is not None:
                turf = GRASS_BGR[channel] + grass * np.float32(gain * (0.55, 1.0, 0.9)[channel])
                plane += (turf - plane) * mask
            planes.append(np.clip(plane, 4, 251, out=plane).astype(np.uint8))
        return np.asarray(cv2.merge(planes), np.uint8)

    def _turf_mask(self, x: Field, solid: Field) -> Field:
        edge = HALF_WIDTH_M + 0.02 * solid
        return np.asarray(np.clip((np.abs(x)[None, :] - edge) / 0.12, 0, 1), np.float32)

    def _mark_level(self, canvas: Picture, x: Field, rows: int, step_x: float) -> Picture:
        """The marks' canvas averaged over the cells of a level; zero outside it."""
        cell = self._canvas_m
        squeezed = cv2.resize(canvas, (canvas.shape[1], rows), interpolation=cv2.INTER_AREA)
        if step_x > 1.5 * cell:
            columns = max(8, round(canvas.shape[1] * cell / step_x))
            squeezed = cv2.resize(squeezed, (columns, rows), interpolation=cv2.INTER_AREA)
            cell = canvas.shape[1] * cell / columns
        start = 0.0 if self.kind.endless else -self._half_m
        left = (float(x[0]) - start) / cell - 0.5
        matrix = np.array([[step_x / cell, 0, left], [0, 1, 0]], np.float64)
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        out = cv2.warpAffine(
            squeezed, matrix, (len(x), rows), flags=flags, borderMode=cv2.BORDER_CONSTANT
        )
        return np.asarray(out, np.uint8)

    def _marks(self) -> tuple[Picture, Picture]:
        """Joints, cracks, patches and stains (dark) and the old yellow line (paint)."""
        cell, period = self._canvas_m, self.kind.period_m
        shape = (round(period / cell), round(2 * self._half_m / cell))
        dark, paint = np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)
        pen = _Pen(dark, cell, 0.0 if self.kind.endless else -self._half_m, self._rng)
        slabs = self.kind.surface == "slabs"
        if slabs:
            pen.slabs(period, self.kind.endless, self._half_m)
        area = 2 * self._half_m * period
        few = 0.35 if self.kind.surface == "smooth" else 1.0
        pen.stains(int(area * 0.06 * few), period, self._half_m)
        pen.patches(int(area * 0.012 * few), period, self._half_m)
        if slabs:
            pen.joints(period, self.kind.endless, self._half_m)
        pen.cracks(int(area * 0.05 * few), period, self._half_m)
        if not self.kind.endless:
            middle = int((self._half_m + 1.15) / cell)
            wide = max(1, round(0.15 / cell))
            worn = cv2.resize(self._rng.random((300, 4), dtype=np.float32), (wide, shape[0]))
            paint[:, middle : middle + wide] = (200 * np.clip(worn * 2.2 - 0.5, 0, 1)).astype(
                np.uint8
            )
        return dark, paint


def _is_long(wave_m: float, step_x: float, step_z: float) -> bool:
    """Whether a wave is long enough to be worked out on every fourth cell."""
    return wave_m >= 16 * max(step_x, step_z)


def _enlarged(coarse: Field, rows: int, columns: int) -> Field:
    """Fourfold size, cropped to the columns needed; wraps around along the track."""
    padded = cv2.copyMakeBorder(coarse, 2, 2, 0, 0, cv2.BORDER_WRAP)
    scale = len(coarse) / rows
    matrix = np.array([[0.25, 0, -0.375], [0, scale, 0.5 * scale - 0.5 + 2]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    out = cv2.warpAffine(
        padded, matrix, (columns, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(out, np.float32)


class _Pen:
    """Draws marks on a canvas in metres."""

    def __init__(
        self, canvas: Picture, cell_m: float, left_m: float, rng: np.random.Generator
    ) -> None:
        self.canvas, self.cell, self.left, self.rng = canvas, cell_m, left_m, rng

    def line(self, points_m: npt.NDArray[np.float64], width_m: float, shade: int) -> None:
        at = ((points_m - (self.left, 0.0)) / self.cell * 16).astype(np.int32)
        thick = max(1, round(width_m / self.cell))
        layer = int(min(255, shade * min(1.0, width_m / self.cell)))
        cv2.polylines(self.canvas, [at], False, layer, thick, cv2.LINE_AA, 4)

    def slabs(self, period_m: float, endless: bool, half_m: float) -> None:
        left, right = (0.0, 2 * half_m) if endless else (-HALF_WIDTH_M, HALF_WIDTH_M)
        for row in range(round(period_m / SLAB_M)):
            for lane in range(round((right - left) / LANE_M)):
                a = left + lane * LANE_M
                corner = np.array([[a, row * SLAB_M], [a + LANE_M, (row + 1) * SLAB_M]])
                at = ((corner - (self.left, 0.0)) / self.cell).astype(np.int32)
                shade = int(self.rng.integers(0, 34))
                cv2.rectangle(self.canvas, at[0].tolist(), at[1].tolist(), shade, -1)

    def joints(self, period_m: float, endless: bool, half_m: float) -> None:
        left, right = (0.0, 2 * half_m) if endless else (-HALF_WIDTH_M, HALF_WIDTH_M)
        for row in range(round(period_m / SLAB_M)):
            z = (row + 0.5) * SLAB_M
            wobble = self.rng.normal(0, 0.006, 40)
            across = np.linspace(left, right, 40)
            self.line(np.stack([across, z + wobble], 1), 0.022, 235)
        for lane in range(round((right - left) / LANE_M) + 1):
            along = np.linspace(0, period_m, 200)
            across = left + lane * LANE_M + self.rng.normal(0, 0.006, 200)
            self.line(np.stack([across, along], 1), 0.022, 235)

    def cracks(self, count: int, period_m: float, half_m: float) -> None:
        for _ in range(count):
            steps = int(self.rng.integers(8, 40))
            turn = self.rng.uniform(0, 2 * np.pi) + np.cumsum(self.rng.normal(0, 0.35, steps))
            walk = np.cumsum(np.stack([np.cos(turn), np.sin(turn)], 1) * 0.09, 0)
            start = self._somewhere(period_m, half_m)
            tarred = self.rng.random() < 0.3
            width, shade = (0.035, 225) if tarred else (0.008, 200)
            self.line(walk + start, width, shade)

    def stains(self, count: int, period_m: float, half_m: float) -> None:
        for _ in range(count):
            x, z = self._somewhere(period_m, half_m)
            size = self.rng.uniform(0.04, 0.35)
            at = (int((x - self.left) / self.cell), int(z / self.cell))
            axes = (max(1, int(size / self.cell)), max(1, int(size * 1.6 / self.cell)))
            shade = int(self.rng.integers(25, 95))
            cv2.ellipse(self.canvas, at, axes, self.rng.uniform(0, 180), 0, 360, shade, -1)

    def patches(self, count: int, period_m: float, half_m: float) -> None:
        for _ in range(count):
            x, z = self._somewhere(period_m, half_m)
            wide, long = self.rng.uniform(0.3, 1.4), self.rng.uniform(0.4, 2.2)
            corner = np.array([[x, z], [x + wide, z + long]])
            at = ((corner - (self.left, 0.0)) / self.cell).astype(np.int32)
            shade = int(self.rng.integers(60, 140))
            cv2.rectangle(self.canvas, at[0].tolist(), at[1].tolist(), shade, -1)

    def _somewhere(self, period_m: float, half_m: float) -> npt.NDArray[np.float64]:
        return np.array(
            [self.rng.uniform(self.left, self.left + 2 * half_m), self.rng.uniform(0, period_m)]
        )
