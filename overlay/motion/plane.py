"""The ground as a plane: what flow a camera sees that moves along it.

A cell at direction X = (x/f, y/f, 1) looks at ground of inverse depth ``n . X`` (n: the plane's
normal over the camera's height) and moves by ``(x Tz - f Tx, y Tz - f Ty) n . X`` for one unit of
distance along T (Longuet-Higgins and Prazdny 1980). The six numbers T and n are fitted to the
learned template of each cell. Where they explain it, they are better than it: cells that hold a
hedge or the edge of bodywork stand out, the far ground stands still as it must, so that turning is
known without drift, and the change under pitch and roll of the vehicle is exact.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from overlay.timebase import FloatArray

BoolArray = npt.NDArray[np.bool_]

_WIDTHS = (2.0, 2.0, 1.0, 1.0, 1.0, 1.0)  # of the robust weights, one a step
_START_SHARE = 0.1
_FARTHEST_HORIZON = 1.5  # from the middle of the picture, in half its height
_HORIZONS = (0.2, 0.35, 0.45, 0.55, 0.7)
_FAR = 1e-3
# A cell follows the plane when its template strays by less than this share of the plane's, or of
# a twentieth of the largest flow of the plane.
_NEAR_SHARE = 0.15
_LEAST_CELLS = 0.12
_TILT_STEP = 1e-3


@dataclass(frozen=True, eq=False)
class CellGrid:
    """Where the cells lie."""

    # shape (cells,): middle of each cell from the middle of the picture, in focal lengths
    x: FloatArray
    y: FloatArray
    # In focal lengths
    cell_width: float
    cell_height: float
    focal_px: float


@dataclass(frozen=True, eq=False)
class Plane:
    """Ground and direction of travel as the camera sees them, and which cells agree."""

    # shape (3,): right, down, ahead
    travel: FloatArray
    normal: FloatArray
    # shape (3,): yaw, pitch and roll for one unit of distance that the learned template held
    turn: FloatArray
    follows: BoolArray  # shape (cells,): cells on the ground whose template is the plane's
    strays: BoolArray  # shape (cells,): cells below the horizon whose template is not


def cell_grid(columns: int, rows: int, width: int, height: int, focal_px: float) -> CellGrid:
    """Cells of a picture."""
    x = ((np.arange(columns) + 0.5) / columns - 0.5) * width / focal_px
    y = ((np.arange(rows) + 0.5) / rows - 0.5) * height / focal_px
    gx, gy = (a.ravel() for a in np.meshgrid(x, y))
    return CellGrid(gx, gy, width / columns / focal_px, height / rows / focal_px, focal_px)


def plane_flow(grid: CellGrid, travel: FloatArray, normal: FloatArray) -> FloatArray:
    """Pixels that each cell moves for one unit of distance, its mean over the cell, (cells, 2)."""
    inverse, seen = _inverse_depth(grid, normal)
    wide, high = grid.cell_width**2 / 12, grid.cell_height**2 / 12
    x = inverse * (grid.x * travel[2] - travel[0]) + normal[0] * travel[2] * wide
    y = inverse * (grid.y * travel[2] - travel[1]) + normal[1] * travel[2] * high
    return np.asarray(grid.focal_px * np.stack([x, y], axis=-1) * seen[:, None])


def plane_tilting(grid: CellGrid, travel: FloatArray, normal: FloatArray) -> FloatArray:
    """Change of :func:`plane_flow` for one radian of pitch and of roll, shape (cells, 2, 2)."""
    out = np.empty((len(grid.x), 2, 2))
    for k, turn in enumerate((_pitched, _rolled)):
        up, down = (
            plane_flow(grid, turn(travel, step), turn(normal, step))
            for step in (_TILT_STEP, -_TILT_STEP)
        )
        out[..., k] = (up - down) / (2 * _TILT_STEP)
    return out


def find_plane(
    grid: CellGrid, along: FloatArray, trust: FloatArray, turning: FloatArray
) -> Plane | None:
    """The plane that explains the template of most cells, or None when none does.

    Parameters
    ----------
    grid : CellGrid
    along : ndarray, shape (cells, 2)
        Template of each cell, pixels for one unit of distance.
    trust : ndarray, shape (cells,)
        Information about it, >= 0; 0 where a cell says nothing.
    turning : ndarray, shape (cells, 2, 3)
    """
    known = trust > 0
    if known.sum() < 12:
        return None
    scale = float(np.percentile(np.hypot(*along[known].T), 90))
    if scale <= 0:
        return None
    # Alike for all cells until the plane is about found, then by size of flow: else many still
    # cells, such as bodywork's, would draw the plane.
    alike = np.where(known, 1 / (_START_SHARE * scale), 0.0)
    sigma = np.hypot(0.03 * scale, 0.1 * np.hypot(*along.T))
    weight = np.where(known, 1 / sigma, 0.0)
    planes = []
    for start in _starts(grid, along, turning, alike):
        found = _refined(grid, along, turning, alike, start)
        found = _refined(grid, along, turning, weight, found)
        plane = _judged(grid, along, known, turning, found)
        if plane is not None:
            planes.append(plane)
    return max(planes, key=lambda plane: int(plane.follows.sum()), default=None)


def _starts(
    grid: CellGrid, along: FloatArray, turning: FloatArray, weight: FloatArray
) -> list[FloatArray]:
    """Level ground seen ahead and to the side, the horizon at several heights."""
    low, high = float(grid.y.min()), float(grid.y.max())
    out = []
    for share in _HORIZONS:
        horizon = low + share * (high - low)
        normal = np.array([0.0, 1.0, -horizon])
        for travel in (np.array([0.0, horizon, 1.0]), np.array([1.0, 0.0, 0.0])):
            basis = np.concatenate([plane_flow(grid, travel, normal)[..., None], turning], axis=-1)
            found = _robust_amounts(basis, along, weight)
            out.append(np.concatenate([travel, normal * found[0], found[1:]]))
    return out


def _robust_amounts(basis: FloatArray, along: FloatArray, weight: FloatArray) -> FloatArray:
    """Amounts of each field of `basis`, shape (cells, 2, k), by absolute misfit."""
    robust = weight.copy()
    found: FloatArray = np.zeros(basis.shape[2])
    for _ in range(12):
        w = robust[:, None, None]
        rows = (basis * w).reshape(-1, basis.shape[2])
        found = np.asarray(np.linalg.lstsq(rows, (along * w[..., 0]).ravel(), rcond=None)[0])
        rest = along - basis @ found
        robust = weight / (1 + np.sum(rest * rest, axis=1) * weight**2) ** 0.5
    return found


def _refined(
    grid: CellGrid, along: FloatArray, turning: FloatArray, weight: FloatArray, start: FloatArray
) -> FloatArray:
    """Gauss-Newton with Cauchy weights; (travel, normal, turn)."""
    focal = grid.focal_px
    ahead = np.stack([grid.x, grid.y, np.ones_like(grid.x)], axis=-1)
    state: FloatArray = np.asarray(start)
    for width in _WIDTHS:
        travel, normal, turn = state[:3], state[3:6], state[6:]
        rest = along - plane_flow(grid, travel, normal) - turning @ turn
        misfit = np.sum(rest * rest, axis=1) * (weight / width) ** 2
        inverse, seen = _inverse_depth(grid, normal)
        jacobian = np.zeros((len(grid.x), 2, 10))
        jacobian[:, 0, 0] = jacobian[:, 1, 1] = -inverse * focal
        jacobian[:, 0, 2], jacobian[:, 1, 2] = grid.x * inverse * focal, grid.y * inverse * focal
        moved = np.stack([grid.x, grid.y], -1) * travel[2] - travel[:2]
        jacobian[:, :, 3:6] = focal * moved[:, :, None] * ahead[:, None, :]
        jacobian[:, :, :6] *= seen[:, None, None]
        jacobian[:, :, 6:9] = turning
        row = weight[:, None] / np.sqrt(1 + misfit[:, None])
        left = (jacobian[:, :, :9] * row[..., None]).reshape(-1, 9)
        # Travel stays a unit vector and along the plane.
        size = np.linalg.norm(normal) + 1e-12
        ties = np.zeros((2, 9))
        ties[0, :3] = travel * 1e3
        ties[1, :3], ties[1, 3:6] = normal / size * 1e2, travel / size * 1e2
        gaps = np.array([0.5 * (1 - travel @ travel) * 1e3, -(travel @ normal) / size * 1e2])
        normal_matrix = left.T @ left + ties.T @ ties
        normal_matrix[range(9), range(9)] *= 1 + 1e-4
        normal_matrix[range(9), range(9)] += 1e-12
        right = left.T @ (rest * row).ravel() + ties.T @ gaps
        state = np.asarray(state + np.linalg.solve(normal_matrix, right))
    return state


def _judged(
    grid: CellGrid, along: FloatArray, known: BoolArray, turning: FloatArray, state: FloatArray
) -> Plane | None:
    travel, normal, turn = state[:3], state[3:6], state[6:9]
    flow = plane_flow(grid, travel, normal)
    size = np.hypot(*flow.T)
    top = float(size.max())
    slant = abs(travel @ normal) / (np.linalg.norm(normal) + 1e-12)
    if not np.isfinite(top) or top <= 0 or abs(np.linalg.norm(travel) - 1) > 0.1 or slant > 0.1:
        return None  # lost its way
    horizon = -normal[2] / normal[1] if normal[1] else np.inf
    if abs(horizon) > _FARTHEST_HORIZON * float(grid.y.max()):
        return None  # even depth, which turning explains as well
    rest = np.hypot(*(along - turning @ turn - flow).T)
    on_ground = size > 0.02 * top
    near = rest < _NEAR_SHARE * np.maximum(size, 0.05 * top)
    follows = known & on_ground & near
    if follows.sum() < _LEAST_CELLS * len(size):
        return None
    return Plane(travel, normal, turn, follows, known & on_ground & ~near)


def _inverse_depth(grid: CellGrid, normal: FloatArray) -> tuple[FloatArray, BoolArray]:
    inverse = normal[0] * grid.x + normal[1] * grid.y + normal[2]
    # Ground is where the flow is the larger the lower: the plane's normal points down.
    side = 1.0 if normal[1] >= 0 else -1.0
    seen = side * inverse > _FAR * np.abs(inverse).max()
    return np.where(seen, inverse, 0.0), np.asarray(seen)


def _pitched(vector: FloatArray, step: float) -> FloatArray:
    return vector + step * np.array([0.0, vector[2], -vector[1]])


def _rolled(vector: FloatArray, step: float) -> FloatArray:
    return vector + step * np.array([-vector[1], vector[0], 0.0])
