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
_FOREIGN = 1e5


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
    weight: Float32


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
    fit: Fit | None = None
    for step in range(8):
        fit = fit_motion(cells, template, passes=4 if fit is None else 2, start=fit)
        along = _update_along(cells, template, fit)
        scale = float(np.sqrt(np.mean(along * along)))
        if not np.isfinite(scale) or scale <= 0:
            return None
        template = Template(along / scale, turning, template.spread)
        if step in (2, 4, 6):
            fit = fit_motion(cells, template, passes=2, start=fit)
            template = Template(template.along, turning, _update_spread(cells, template, fit))
    return template


def fit_motion(
    cells: Cells, template: Template, *, passes: int = 4, start: Fit | None = None
) -> Fit:
    """Distance and turn of each pair by iteratively reweighted least squares.

    `start` is an earlier fit of the same pairs to go on from.
    """
    parts = []
    for k in range(0, len(cells), _CHUNK):
        part = slice(k, k + _CHUNK)
        warm = None if start is None else (start.distance[part], start.weight[part])
        parts.append(_fit_chunk(cells.part(part), template, passes, warm))
    return Fit(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def information(cells: Cells, moved: Float32, spread: FloatArray) -> tuple[Float32, ...]:
    """Inverse covariance of each displacement with the floor added, and that times displacement.

    ``W = (T^-1 + q I)^-1 = T (I + q T)^-1`` in closed form, so a singular tensor is no trouble.

    Returns
    -------
    wxx, wxy, wyy, px, py : ndarrays of float32, shape (n, cells)
    """
    alive = spread < _FOREIGN
    share = SHARE * (1 + (moved / LINEAR_PX) ** 4)
    scale = np.where(alive, spread, 1.0).astype(np.float32)
    q = (FLOOR_PX**2 + (share * moved) ** 2) * scale**2
    live = alive.astype(np.float32)
    a, b, c = (cells.tensor[..., k] * live for k in range(3))
    pull_x, pull_y = cells.pull[..., 0] * live, cells.pull[..., 1] * live
    aa, cc, bb = 1 + q * a, 1 + q * c, q * b
    inverse = 1 / (aa * cc - bb * bb)
    det = a * c - b * b
    wxx = (a + q * det) * inverse
    wyy = (c + q * det) * inverse
    wxy = b * inverse
    px = (cc * pull_x - bb * pull_y) * inverse
    py = (aa * pull_y - bb * pull_x) * inverse
    return wxx, wxy, wyy, px, py


def _fit_chunk(
    cells: Cells,
    template: Template,
    passes: int,
    warm: tuple[FloatArray, Float32] | None,
) -> tuple[npt.NDArray[np.floating], ...]:
    basis, unit = _scaled_basis(template)
    bx, by = basis[:, 0, :].astype(np.float32), basis[:, 1, :].astype(np.float32)
    outer_xx, outer_xy, outer_yy = _outer_products(bx, by)
    reach: Float32 = np.hypot(bx[:, 0], by[:, 0])
    moved: Float32
    weight: Float32
    n = len(cells)
    ux, uy, ok = displacement(cells)
    if warm is None:
        # How far each cell seems to have moved: keeps near cells honest from the start.
        moved, weight = np.where(ok, np.hypot(ux, uy), 0.0).astype(np.float32), ok * np.float32(1)
    else:
        moved, weight = np.abs(warm[0].astype(np.float32))[:, None] * reach, warm[1]
    for _ in range(passes):
        wxx, wxy, wyy, px, py = information(cells, moved, template.spread)
        normal = (weight * wxx) @ outer_xx + (weight * wxy) @ outer_xy + (weight * wyy) @ outer_yy
        normal = normal.reshape(n, 4, 4).astype(np.float64)
        normal[:, range(4), range(4)] += 1e-6 + np.array([0.0, 1e-3, 1e-3, 1e-3])
        right = ((weight * px) @ bx + (weight * py) @ by).astype(np.float64)
        state = np.linalg.solve(normal, right[..., None])[..., 0]
        short = state.astype(np.float32)
        moved = np.abs(short[:, :1]) * reach
        misfit = _misfit(ux - short @ bx.T, uy - short @ by.T, (wxx, wxy, wyy), ok)
        weight = 1 / (1 + misfit * np.float32(1 / _CAUCHY**2))
    known = (wxx + wyy > 0) & ok
    used = np.maximum(known.sum(axis=1), 1)
    chi2 = np.sum(weight * misfit * known, axis=1) / used
    cover = np.linalg.inv(normal)
    sigma = np.sqrt(np.maximum(cover[:, 0, 0], 0) * np.maximum(chi2, 0.3))
    return state[:, 0], sigma, state[:, 1:] * unit[1:], chi2, weight


def _scaled_basis(template: Template) -> tuple[FloatArray, FloatArray]:
    """Template and turning side by side, shape (cells, 2, 4), in units of about a pixel."""
    basis = np.concatenate([template.along[:, :, None], template.turning], axis=2)
    focal = float(np.sqrt(np.mean(template.turning[:, 0, 0] ** 2)))
    unit = np.array([1.0, 1 / focal, 1 / focal, 2 / focal])
    return basis * unit, unit


def _outer_products(bx: Float32, by: Float32) -> tuple[Float32, Float32, Float32]:
    """What each of wxx, wxy, wyy of a cell adds to the normal matrix, (cells, 16) each."""
    cross = bx[:, :, None] * by[:, None, :]
    return (
        (bx[:, :, None] * bx[:, None, :]).reshape(len(bx), -1),
        (cross + cross.transpose(0, 2, 1)).reshape(len(bx), -1),
        (by[:, :, None] * by[:, None, :]).reshape(len(bx), -1),
    )


def _misfit(ex: Float32, ey: Float32, w: tuple[Float32, ...], ok: BoolArray) -> Float32:
    """Squared length of the error (ex, ey) of each displacement, in sigmas."""
    out = w[0] * ex * ex + 2 * w[1] * ex * ey + w[2] * ey * ey
    return np.where(ok, np.maximum(out, 0.0), 0.0).astype(np.float32)


def displacement(cells: Cells) -> tuple[Float32, Float32, BoolArray]:
    """Displacements in pixels, and where there is any evidence; shape (n, cells) each."""
    size = cells.tensor[..., 0] + cells.tensor[..., 2]
    ridge = 0.003 * size + 1e-6
    a, b, c = cells.tensor[..., 0] + ridge, cells.tensor[..., 1], cells.tensor[..., 2] + ridge
    inverse = 1 / (a * c - b * b)
    ux = (c * cells.pull[..., 0] - b * cells.pull[..., 1]) * inverse
    uy = (a * cells.pull[..., 1] - b * cells.pull[..., 0]) * inverse
    return ux, uy, np.asarray(size > 1e-6)


def _model(
    cells: Cells, template: Template, fit: Fit
) -> tuple[Float32, Float32, Float32, Float32, Float32]:
    """What turning and motion along do to each cell: (rx, ry, ax, ay, length of the latter)."""
    turn = fit.turn.astype(np.float32)
    turning, along = template.turning.astype(np.float32), template.along.astype(np.float32)
    d = fit.distance.astype(np.float32)[:, None]
    ax, ay = d * along[:, 0], d * along[:, 1]
    return turn @ turning[:, 0, :].T, turn @ turning[:, 1, :].T, ax, ay, np.hypot(ax, ay)


def _update_along(cells: Cells, template: Template, fit: Fit) -> FloatArray:
    """Best template for each cell given the motion of each pair, shape (cells, 2)."""
    rx, ry, _, _, moved = _model(cells, template, fit)
    wxx, wxy, wyy, px, py = information(cells, moved, template.spread)
    d = fit.distance.astype(np.float32)[:, None]
    once = fit.weight * d
    twice = once * d
    a, b, c = ((twice * w).sum(axis=0, dtype=np.float64) for w in (wxx, wxy, wyy))
    sx = (once * (px - wxx * rx - wxy * ry)).sum(axis=0, dtype=np.float64)
    sy = (once * (py - wxy * rx - wyy * ry)).sum(axis=0, dtype=np.float64)
    # Only against division by nothing: a ridge that bites would shrink a cell's template, and with
    # it bend the signal where that cell leads.
    ridge = 1e-5 * (a + c) + 1e-6 * float(np.median(a + c)) + 1e-12
    a, c = a + ridge, c + ridge
    det = a * c - b * b
    return np.stack([(c * sx - b * sy) / det, (a * sy - b * sx) / det], axis=-1)


def _update_spread(cells: Cells, template: Template, fit: Fit) -> FloatArray:
    """How much worse than expected each cell obeys, and which do not move with the camera."""
    rx, ry, ax, ay, moved = _model(cells, template, fit)
    ux, uy, ok = displacement(cells)
    w = information(cells, moved, np.ones(len(template.along)))[:3]
    misfit = _misfit(ux - rx - ax, uy - ry - ay, w, ok)
    still = _misfit(ux, uy, w, ok)
    seen: BoolArray = np.asarray(ok.any(axis=0))
    typical = np.full(seen.shape, 1e4)
    typical[seen] = np.nanmedian(np.where(ok, misfit, np.nan)[:, seen], axis=0)
    # The median of chi-squared with two degrees of freedom is 1.386.
    spread = np.clip(np.sqrt(typical / 1.386), 1.0, 1e3)
    as_model = np.minimum(misfit, 25.0).sum(axis=0)
    as_still = np.minimum(still, 25.0).sum(axis=0)
    foreign = (as_still < as_model) & (as_model > 0.3 * ok.sum(axis=0))
    return np.where(foreign, 2 * _FOREIGN, spread)


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
    piece = cells.part(marked)
    part = Fit(*(value[marked] for value in vars(fit).values()))
    rx, ry, ax, ay, moved = _model(piece, template, part)
    ux, uy, ok = displacement(piece)
    w = information(piece, moved, np.ones(len(template.along)))[:3]
    without = np.minimum(_misfit(ux - rx, uy - ry, w, ok), 50.0)
    with_it = np.minimum(_misfit(ux - rx - ax, uy - ry - ay, w, ok), 50.0)
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
