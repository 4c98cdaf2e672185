"""Displacements of cells, and what is known of how each moves when the vehicle does."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from overlay.motion.model import BoolArray
from overlay.timebase import FloatArray

Float32 = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Cells:
    """Cell displacements of many pairs."""

    tensor: Float32  # shape (n, cells, 3)
    # shape (n, cells, 2): as in :class:`overlay.motion.flow.CellFlow`; zeros
    # where a cell is lost or ignored
    pull: Float32

    def __len__(self) -> int:
        return len(self.tensor)

    def part(self, keep: slice | npt.NDArray[np.int64]) -> Cells:
        """The pairs named."""
        return Cells(self.tensor[keep], self.pull[keep])


@dataclass(frozen=True, eq=False)
class Template:
    """How each cell moves."""

    along: FloatArray  # shape (cells, 2): pixels for one unit of distance
    turning: FloatArray  # shape (cells, 2, 3): pixels for one radian of yaw, pitch and roll
    # shape (cells,): factor >= 1 on the uncertainty of each cell, by how well it obeys the model;
    # infinite for cells that do not move with the camera (bodywork, a burnt-in readout)
    spread: FloatArray
    # shape (cells, 2, 2): change of `along` for one radian of pitch and of roll of the vehicle;
    # zeros until known
    tilting: FloatArray
    trust: FloatArray  # shape (cells,): information about `along`
    # shape (cells,): share of a displacement along the path by which a cell may
    # stray
    share: Float32


@dataclass(frozen=True, eq=False)
class CellFit:
    """Motion of each pair: distance in units of the template, its sigma, turn, and agreement.

    `chi2` is the robust mean square misfit in sigmas, `weight` the Cauchy weight of each cell.
    `tilt` is the pitch and roll assumed, `tilt_seen` and `tilt_information` what the flow of the
    pair alone says of it; shape (n, 2) each.
    """

    distance: FloatArray
    sigma: FloatArray
    turn: FloatArray
    chi2: FloatArray
    weight: Float32
    tilt: FloatArray
    tilt_seen: FloatArray
    tilt_information: FloatArray


def turning_basis(columns: int, rows: int, width: int, height: int, focal_px: float) -> FloatArray:
    """Displacement of each cell for a radian of yaw, pitch and roll, shape (cells, 2, 3).

    Longuet-Higgins and Prazdny 1980, Proc. R. Soc. B 208:385, the part free of depth.
    """
    x = ((np.arange(columns) + 0.5) / columns - 0.5) * width
    y = ((np.arange(rows) + 0.5) / rows - 0.5) * height
    gx, gy = (a.ravel() for a in np.meshgrid(x, y))
    f = focal_px
    yaw = np.stack([f + gx * gx / f, gx * gy / f], axis=-1)
    pitch = np.stack([gx * gy / f, f + gy * gy / f], axis=-1)
    roll = np.stack([-gy, gx], axis=-1)
    return np.stack([yaw, pitch, roll], axis=-1)


def displacement(cells: Cells) -> tuple[Float32, Float32, BoolArray]:
    """Displacements in pixels, and where there is any evidence; shape (n, cells) each."""
    size = cells.tensor[..., 0] + cells.tensor[..., 2]
    ridge = 0.003 * size + 1e-6
    a, b, c = cells.tensor[..., 0] + ridge, cells.tensor[..., 1], cells.tensor[..., 2] + ridge
    inverse = 1 / (a * c - b * b)
    ux = (c * cells.pull[..., 0] - b * cells.pull[..., 1]) * inverse
    uy = (a * cells.pull[..., 1] - b * cells.pull[..., 0]) * inverse
    return ux, uy, np.asarray(size > 1e-6)
