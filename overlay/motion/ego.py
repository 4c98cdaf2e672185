"""From cell displacements over a whole clip to motion along the path, turning taken out.

The model is ``u_i(t) = d(t) g_i + R_i w(t)``: cell i moves by the distance d the vehicle covers
times the cell's own template g_i, plus what a turn w = (yaw, pitch, roll) of the camera does to it
(R_i, Longuet-Higgins and Prazdny 1980). R is known from the focal length; g depends on how the
camera is mounted and is learned from the clip. Since R is fixed, d is determined up to one gain:
any part of R mixed into g changes w only.

Alternating weighted least squares, started from the leading direction of what turning cannot
explain, with Cauchy weights so that another vehicle or a person passing does not pull.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from overlay.timebase import FloatArray

Float32 = npt.NDArray[np.float32]
BoolArray = npt.NDArray[np.bool_]

# Uncertainty of a cell's displacement beyond picture noise: a floor in pixels (interpolation,
# compression) and a share of the displacement (relief, posts, a window that sees two depths).
FLOOR_PX = 0.03
SHARE = 0.06
# Beyond this displacement that share grows with the square: the search saturates, and the finite
# step shows. A signal that is to be linear in speed must lean on farther ground then.
LINEAR_PX = 6.0
LOST_LIKENESS = 0.5
_CAUCHY = 2.4
_CHUNK = 512


@dataclass(frozen=True, eq=False)
class Cells:
    """Cell displacements of many pairs.

    Attributes
    ----------
    tensor : ndarray of float32, shape (n, cells, 3)
    pull : ndarray of float32, shape (n, cells, 2)
        As in :class:`overlay.motion.flow.CellFlow`; zeros where a cell is lost or ignored.
    """

    tensor: Float32
    pull: Float32

    def __len__(self) -> int:
        return len(self.tensor)

    def part(self, keep: slice | npt.NDArray[np.int64]) -> Cells:
        """The pairs named."""
        return Cells(self.tensor[keep], self.pull[keep])


@dataclass(frozen=True, eq=False)
class Template:
    """How each cell moves.

    Attributes
    ----------
    along : ndarray, shape (cells, 2)
        Pixels for one unit of distance.
    turning : ndarray, shape (cells, 2, 3)
        Pixels for one radian of yaw, pitch and roll.
    spread : ndarray, shape (cells,)
        Factor >= 1 on the uncertainty of each cell, by how well it obeys the model; infinite
        for cells that do not move with the camera (bodywork, a burnt-in readout).
    """

    along: FloatArray
    turning: FloatArray
    spread: FloatArray


@dataclass(frozen=True, eq=False)
class Fit:
    """Motion of each pair: distance in units of the template, its sigma, turn, and agreement.

    `chi2` is the robust mean square misfit in sigmas, `weight` the Cauchy weight of each cell.
    """

    distance: FloatArray
    sigma: FloatArray
    turn: FloatArray
    chi2: FloatArray
    weight: FloatArray
    misfit: FloatArray


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


def learn_template(cells: Cells, turning: FloatArray) -> Template | None:
    """Learn how each cell moves with the vehicle; None when nothing but turning is seen.

    Parameters
    ----------
    cells : Cells
        n pairs, best spread over the whole clip.
    turning : ndarray, shape (cells, 2, 3)
    """
    count = turning.shape[0]
    spread = np.ones(count)
    along = _leading_direction(cells, turning)
    if along is None:
        return None
    template = Template(along, turning, spread)
    for step in range(8):
        fit = fit_motion(cells, template)
        along = _update_along(cells, template, fit)
        scale = float(np.sqrt(np.mean(along * along)))
        if not np.isfinite(scale) or scale <= 0:
            return None
        template = Template(along / scale, turning, template.spread)
        if step in (2, 4, 6):
            fit = fit_motion(cells, template)
            template = Template(template.along, turning, _update_spread(cells, template, fit))
    return template


def fit_motion(cells: Cells, template: Template, passes: int = 4) -> Fit:
    """Distance and turn of each pair by iteratively reweighted least squares."""
    parts = [
        _fit_chunk(cells.part(slice(k, k + _CHUNK)), template, passes)
        for k in range(0, len(cells), _CHUNK)
    ]
    return Fit(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def information(
    cells: Cells, moved: FloatArray, spread: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Inverse covariance of each displacement with the floor added, and that times displacement.

    ``W = (T^-1 + q I)^-1 = T (I + q T)^-1`` in closed form, so a singular tensor is no trouble.

    Returns
    -------
    wxx, wxy, wyy, px, py : ndarrays, shape (n, cells)
    """
    t = cells.tensor.astype(np.float64)
    share = SHARE * (1 + (moved / LINEAR_PX) ** 2)
    q = (FLOOR_PX**2 + (share * moved) ** 2) * np.minimum(spread, 1e6) ** 2
    a, b, c = t[..., 0], t[..., 1], t[..., 2]
    aa, cc, bb = 1 + q * a, 1 + q * c, q * b
    det = aa * cc - bb * bb
    wxx = (a * cc - b * bb) / det
    wxy = (b * aa - a * bb) / det
    wyy = (c * aa - b * bb) / det
    p = cells.pull.astype(np.float64)
    px = (cc * p[..., 0] - bb * p[..., 1]) / det
    py = (aa * p[..., 1] - bb * p[..., 0]) / det
    dead = spread > 1e5
    if dead.any():
        for array in (wxx, wxy, wyy, px, py):
            array[:, dead] = 0.0
    return wxx, wxy, wyy, px, py


def _fit_chunk(cells: Cells, template: Template, passes: int) -> tuple[FloatArray, ...]:
    basis = np.concatenate([template.along[:, :, None], template.turning], axis=2)
    focal = float(np.sqrt(np.mean(template.turning[:, 0, 0] ** 2)))
    unit = np.array([1.0, 1 / focal, 1 / focal, 2 / focal])
    basis = basis * unit
    bx, by = basis[:, 0, :], basis[:, 1, :]
    outer_xx = np.einsum("ij,ik->ijk", bx, bx).reshape(len(bx), -1)
    outer_xy = np.einsum("ij,ik->ijk", bx, by)
    outer_xy = (outer_xy + outer_xy.transpose(0, 2, 1)).reshape(len(bx), -1)
    outer_yy = np.einsum("ij,ik->ijk", by, by).reshape(len(bx), -1)
    n, count = len(cells), len(bx)
    state = np.zeros((n, 4))
    weight = np.ones((n, count))
    # A first guess of how far each cell moved, from the data: keeps near cells honest.
    moved = _rough_size(cells)
    for _ in range(passes):
        wxx, wxy, wyy, px, py = information(cells, moved, template.spread)
        normal = (weight * wxx) @ outer_xx + (weight * wxy) @ outer_xy + (weight * wyy) @ outer_yy
        normal = normal.reshape(n, 4, 4)
        right = (weight * px) @ bx + (weight * py) @ by
        normal[:, range(4), range(4)] += 1e-6 + np.array([0.0, 1e-3, 1e-3, 1e-3])
        state = np.linalg.solve(normal, right[..., None])[..., 0]
        mx, my = state @ bx.T, state @ by.T
        moved = np.hypot(np.outer(state[:, 0], bx[:, 0]), np.outer(state[:, 0], by[:, 0]))
        misfit = _misfit(cells, wxx, wxy, wyy, mx, my)
        weight = 1 / (1 + misfit / _CAUCHY**2)
    known = wxx + wyy > 0
    used = np.maximum(known.sum(axis=1), 1)
    chi2 = np.sum(weight * misfit * known, axis=1) / used
    cover = np.linalg.inv(normal)
    sigma = np.sqrt(np.maximum(cover[:, 0, 0], 0) * np.maximum(chi2, 0.3))
    return state[:, 0], sigma, state[:, 1:] * unit[1:], chi2, weight, misfit


def _misfit(
    cells: Cells,
    wxx: FloatArray,
    wxy: FloatArray,
    wyy: FloatArray,
    mx: FloatArray,
    my: FloatArray,
) -> FloatArray:
    """Squared distance, in sigmas, of each measured displacement from (mx, my)."""
    ux, uy, ok = displacement(cells)
    ex, ey = ux - mx, uy - my
    out = wxx * ex * ex + 2 * wxy * ex * ey + wyy * ey * ey
    return np.where(ok, np.maximum(out, 0.0), 0.0)


def displacement(cells: Cells) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Displacements in pixels, and where there is any evidence; shape (n, cells) each."""
    t, p = cells.tensor.astype(np.float64), cells.pull.astype(np.float64)
    ridge = 0.003 * (t[..., 0] + t[..., 2]) + 1e-9
    a, b, c = t[..., 0] + ridge, t[..., 1], t[..., 2] + ridge
    det = a * c - b * b
    ux = (c * p[..., 0] - b * p[..., 1]) / det
    uy = (a * p[..., 1] - b * p[..., 0]) / det
    return ux, uy, np.asarray(t[..., 0] + t[..., 2] > 1e-6)


def _rough_size(cells: Cells) -> FloatArray:
    ux, uy, ok = displacement(cells)
    return np.where(ok, np.hypot(ux, uy), 0.0)


def _update_along(cells: Cells, template: Template, fit: Fit) -> FloatArray:
    """Best template for each cell given the motion of each pair, shape (cells, 2)."""
    count = len(template.along)
    sums = np.zeros((count, 5))
    for k in range(0, len(cells), _CHUNK):
        part = slice(k, k + _CHUNK)
        piece = cells.part(part)
        d = fit.distance[part, None]
        moved = np.hypot(d * template.along[:, 0], d * template.along[:, 1])
        wxx, wxy, wyy, px, py = information(piece, moved, template.spread)
        turn = fit.turn[part]
        rx, ry = turn @ template.turning[:, 0, :].T, turn @ template.turning[:, 1, :].T
        w = fit.weight[part]
        sums[:, 0] += np.sum(w * d * d * wxx, axis=0)
        sums[:, 1] += np.sum(w * d * d * wxy, axis=0)
        sums[:, 2] += np.sum(w * d * d * wyy, axis=0)
        sums[:, 3] += np.sum(w * d * (px - wxx * rx - wxy * ry), axis=0)
        sums[:, 4] += np.sum(w * d * (py - wxy * rx - wyy * ry), axis=0)
    # Only against division by nothing: a ridge that bites would shrink a cell's template, and with
    # it bend the signal where that cell leads.
    size = sums[:, 0] + sums[:, 2]
    ridge = 1e-5 * size + 1e-6 * float(np.median(size)) + 1e-12
    a, b, c = sums[:, 0] + ridge, sums[:, 1], sums[:, 2] + ridge
    det = a * c - b * b
    return np.stack(
        [(c * sums[:, 3] - b * sums[:, 4]) / det, (a * sums[:, 4] - b * sums[:, 3]) / det], axis=-1
    )


def _update_spread(cells: Cells, template: Template, fit: Fit) -> FloatArray:
    """How much worse than expected each cell obeys, and which do not move with the camera."""
    ok = cells.tensor[..., 0] + cells.tensor[..., 2] > 1e-6
    d = fit.distance[:, None]
    moved = np.hypot(d * template.along[:, 0], d * template.along[:, 1])
    wxx, wxy, wyy, _, _ = information(cells, moved, np.ones(len(template.along)))
    mx = d * template.along[:, 0] + fit.turn @ template.turning[:, 0, :].T
    my = d * template.along[:, 1] + fit.turn @ template.turning[:, 1, :].T
    misfit = _misfit(cells, wxx, wxy, wyy, mx, my)
    still = _misfit(cells, wxx, wxy, wyy, np.zeros_like(mx), np.zeros_like(my))
    # Twice as many stand beyond the median (chi2 of 2 degrees of freedom: 1.386).
    typical = np.nanmedian(np.where(ok, misfit, np.nan), axis=0) if ok.any() else np.zeros(1)
    spread = np.clip(np.sqrt(np.nan_to_num(typical, nan=1e4) / 1.386), 1.0, 1e3)
    capped = np.minimum(misfit, 25.0)
    calm = np.minimum(still, 25.0)
    foreign = (calm.sum(axis=0) < capped.sum(axis=0)) & (capped.sum(axis=0) > 0.3 * ok.sum(axis=0))
    return np.where(foreign, 1e9, spread)


def moving_cells(cells: Cells, template: Template, fit: Fit) -> tuple[BoolArray, BoolArray]:
    """Which cells show anything, and which of them move with the vehicle; shape (cells,) each.

    A cell moves with the vehicle when, over the pairs of marked motion, the model explains at
    least half of the displacement that turning leaves, and that displacement is more than noise.
    Someone walking through a still picture moves each cell now and then, but never as the model
    says all along.
    """
    size = np.abs(fit.distance)
    marked = np.flatnonzero(size >= 0.4 * np.percentile(size, 95))
    marked = marked[:: max(1, len(marked) // 400)]
    piece, d, turn = cells.part(marked), fit.distance[marked, None], fit.turn[marked]
    rx, ry = turn @ template.turning[:, 0, :].T, turn @ template.turning[:, 1, :].T
    moved = np.hypot(d * template.along[:, 0], d * template.along[:, 1])
    wxx, wxy, wyy, _, _ = information(piece, moved, np.ones(len(template.along)))
    without = np.minimum(_misfit(piece, wxx, wxy, wyy, rx, ry), 50.0)
    mx, my = rx + d * template.along[:, 0], ry + d * template.along[:, 1]
    with_it = np.minimum(_misfit(piece, wxx, wxy, wyy, mx, my), 50.0)
    alive = (piece.tensor[..., 0] + piece.tensor[..., 2]) > 10.0
    shows = alive.mean(axis=0) > 0.2
    before, after = (without * alive).sum(axis=0), (with_it * alive).sum(axis=0)
    moves = shows & (after < 0.5 * before) & (before > 6.0 * alive.sum(axis=0))
    return shows, moves & (np.median(moved, axis=0) > 0.1)


def _leading_direction(cells: Cells, turning: FloatArray) -> FloatArray | None:
    """First guess of the template: the leading direction of what turning cannot explain."""
    ux, uy, ok = displacement(cells)
    count = turning.shape[0]
    trace = (cells.tensor[..., 0] + cells.tensor[..., 2]).astype(np.float64)
    size = np.hypot(ux, uy)
    variance = 2 / np.maximum(trace, 1e-9) + 0.1**2 + (0.3 * size) ** 2
    weight = np.where(ok, 1 / variance, 0.0)
    share = weight.mean(axis=0)
    if share.max() <= 0:
        return None
    trusted = np.sqrt(share / share.max())
    flow = np.stack([ux, uy], axis=-1)
    flow = np.where(ok[..., None], flow, 0.0)
    limit = np.maximum(size, 1e-9)
    flow *= (np.minimum(size, 12.0) / limit)[..., None]
    basis = (turning * trusted[:, None, None]).reshape(2 * count, 3)
    data = (flow * trusted[None, :, None]).reshape(len(flow), 2 * count)
    q, _ = np.linalg.qr(basis)
    data = data - (data @ q) @ q.T
    # Each pair counts alike beyond a pixel or so, lest the wildest rule.
    length = np.linalg.norm(data, axis=1)
    middle = float(np.median(length))
    if middle <= 0:
        return None
    data /= np.maximum(length, 0.5 * middle)[:, None] ** 0.5
    direction = np.linalg.svd(data, full_matrices=False)[2][0]
    along: FloatArray = direction.reshape(count, 2) / np.maximum(trusted, 0.05)[:, None]
    scaled: FloatArray = along / np.sqrt(np.mean(along * along))
    return scaled
