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

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from overlay.motion.cells import CellFit, Cells, Float32, Template, displacement
from overlay.motion.model import BoolArray
from overlay.timebase import FloatArray

# Uncertainty of a cell's displacement beyond picture noise: a floor in pixels (interpolation,
# compression) and a share of the displacement (relief, posts, a window that sees two depths).
FLOOR_PX = 0.03
SHARE = 0.06
# Beyond this displacement that share grows with the square: the search saturates, and the finite
# step shows. A signal that is to be linear in speed must lean on farther ground then.
LINEAR_PX = 14.0
LOST_LIKENESS = 0.5
_CAUCHY = 2.4
_CHUNK = 96
_FOREIGN = 1e5
# How far a vehicle may pitch or roll on its springs.
_STRAY_RAD = 0.06


def learn_template(
    cells: Cells,
    turning: FloatArray,
    start: Template | None = None,
    tilt: FloatArray | None = None,
    steps: int = 8,
) -> Template | None:
    """Learn how each cell moves with the vehicle; None when nothing but turning is seen.

    Parameters
    ----------
    cells : Cells
        n pairs, best spread over the whole clip.
    turning : ndarray, shape (cells, 2, 3)
    start : Template, optional
        What to go on from.
    tilt : ndarray, shape (n, 2), optional
        Pitch and roll of the vehicle in each pair, radians.
    steps : int
        Alternations.
    """
    count = turning.shape[0]
    template = start
    if template is None:
        along = _leading_direction(cells, turning)
        if along is None:
            return None
        nothing = np.zeros((count, 2, 2))
        share = np.full(count, SHARE, np.float32)
        template = Template(along, turning, np.ones(count), nothing, np.ones(count), share)
    fit: CellFit | None = None
    for step in range(steps):
        passes = 4 if fit is None else 2
        fit = fit_motion(cells, template, passes=passes, start=fit, tilt=tilt)
        along, trust = _update_along(cells, template, fit)
        scale = float(np.sqrt(np.mean(along * along)))
        if not np.isfinite(scale) or scale <= 0:
            return None
        template = replace(template, along=along / scale, trust=trust)
        if step in (2, 4, 6):
            fit = fit_motion(cells, template, passes=2, start=fit, tilt=tilt)
            template = replace(template, spread=_update_spread(cells, template, fit))
    return template


def fit_motion(
    cells: Cells,
    template: Template,
    *,
    passes: int = 4,
    start: CellFit | None = None,
    tilt: FloatArray | None = None,
    tilts_freely: bool = False,
) -> CellFit:
    """Distance and turn of each pair by iteratively reweighted least squares.

    `start` is an earlier fit of the same pairs to go on from; `tilt` the pitch and roll of the
    vehicle in each pair, shape (n, 2). With `tilts_freely` each pair finds its own instead, which
    leaves the distance untouched by pitch, if less sure.
    """
    lean = np.zeros((len(cells), 2)) if tilt is None else tilt
    parts = []
    for k in range(0, len(cells), _CHUNK):
        part = slice(k, k + _CHUNK)
        warm = None if start is None else (start.distance[part], start.weight[part])
        parts.append(_fit_chunk(cells.part(part), template, passes, warm, lean[part], tilts_freely))
    return CellFit(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def information(
    cells: Cells, moved: Float32, spread: FloatArray, stray: Float32
) -> tuple[Float32, ...]:
    """Inverse covariance of each displacement with the floor added, and that times displacement.

    ``W = (T^-1 + q I)^-1 = T (I + q T)^-1`` in closed form, so a singular tensor is no trouble.

    Returns
    -------
    wxx, wxy, wyy, px, py : ndarrays of float32, shape (n, cells)
    """
    alive = spread < _FOREIGN
    far = np.minimum(moved * np.float32(1 / LINEAR_PX), np.float32(4))
    far *= far  # a power of four by np.power takes as long as all the rest
    share = stray * (1 + far * far)
    scale = np.where(alive, spread, 1.0).astype(np.float32)
    q = (FLOOR_PX**2 + (share * np.minimum(moved, 99)) ** 2) * scale**2
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
    tilt: FloatArray,
    tilts_freely: bool,
) -> tuple[npt.NDArray[np.floating], ...]:
    basis, unit = _scaled_basis(template)
    bx, by = basis[:, 0, :].astype(np.float32), basis[:, 1, :].astype(np.float32)
    outer_xx, outer_xy, outer_yy = _outer_products(bx, by)
    n = len(cells)
    mix = _mixing(tilt)
    ux, uy, ok = displacement(cells)
    weight: Float32
    if warm is None:
        # How far each cell seems to have moved: keeps near cells honest from the start.
        moved = np.where(ok, np.hypot(ux, uy), 0).astype(np.float32)
        weight = ok.astype(np.float32)
    else:
        moved = _moved_along(warm[0][:, None] * mix[:, :3, 0], bx, by)
        weight = warm[1]
    misfit = np.zeros_like(weight)
    for _ in range(passes):
        wxx, wxy, wyy, px, py = information(cells, moved, template.spread, template.share)
        whole = (weight * wxx) @ outer_xx + (weight * wxy) @ outer_xy + (weight * wyy) @ outer_yy
        whole = whole.reshape(n, 6, 6).astype(np.float64)
        pulls = ((weight * px) @ bx + (weight * py) @ by).astype(np.float64)
        if tilts_freely:
            tilt = _free_tilt(whole, pulls)
            mix = _mixing(tilt)
        normal = mix.transpose(0, 2, 1) @ whole @ mix
        normal[:, range(4), range(4)] += 1e-6 + np.array([0.0, 1e-3, 1e-3, 1e-3])
        right = np.einsum("nij,ni->nj", mix, pulls)
        state = np.linalg.solve(normal, right[..., None])[..., 0]
        full = np.einsum("nij,nj->ni", mix, state)
        moved = _moved_along(full[:, :3], bx, by)
        short = full.astype(np.float32)
        misfit = _misfit(ux - short @ bx.T, uy - short @ by.T, (wxx, wxy, wyy), ok)
        weight = np.float32(1) / (1 + misfit * np.float32(1 / _CAUCHY**2))
    known = (wxx + wyy > 0) & ok
    used = np.maximum(known.sum(axis=1), 1)
    chi2 = np.sum(weight * misfit * known, axis=1) / used
    cover = np.linalg.inv(normal).astype(np.float64)
    sigma = np.sqrt(np.maximum(cover[:, 0, 0], 0) * np.maximum(chi2, 0.3))
    seen, told = _tilt_seen(whole, pulls, mix, cover, full, tilt)
    return state[:, 0], sigma, state[:, 1:] * unit, chi2, weight, tilt, seen, told


def _free_tilt(whole: FloatArray, pulls: FloatArray) -> FloatArray:
    """Pitch and roll of each pair that fit it best, held near none where it cannot tell."""
    normal = whole.copy()
    normal[:, range(6), range(6)] += 1e-6 + np.array([0.0, 0.0, 0.0, 1e-3, 1e-3, 1e-3])
    d = np.ones(len(whole))
    for _ in range(2):
        held = normal.copy()
        stray = (_STRAY_RAD * d)[:, None] ** 2 + 1e-12
        held[:, [1, 2], [1, 2]] += 1 / stray
        state = np.linalg.solve(held, pulls[..., None])[..., 0]
        d = np.abs(state[:, 0])
    safe = np.where(np.abs(state[:, 0]) > 1e-9, state[:, 0], 1e-9)
    return np.clip(state[:, 1:3] / safe[:, None], -2 * _STRAY_RAD, 2 * _STRAY_RAD)


def _mixing(tilt: FloatArray) -> FloatArray:
    """From (distance, turn) to weights of the six basis fields, shape (n, 6, 4)."""
    mix = np.zeros((len(tilt), 6, 4))
    mix[:, 0, 0] = 1.0
    mix[:, 1:3, 0] = tilt
    mix[:, [3, 4, 5], [1, 2, 3]] = 1.0
    return mix


def _moved_along(amounts: FloatArray, bx: Float32, by: Float32) -> Float32:
    """Length of the displacement by motion along the path, shape (n, cells)."""
    a = amounts.astype(np.float32)
    x, y = a @ bx[:, :3].T, a @ by[:, :3].T
    length: Float32 = np.sqrt(x * x + y * y)
    return length


def _tilt_seen(
    whole: FloatArray,
    pulls: FloatArray,
    mix: FloatArray,
    cover: FloatArray,
    full: npt.NDArray[np.floating],
    tilt: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Pitch and roll by the shape of the flow of each pair alone, and one over the variance."""
    rest = pulls - np.einsum("nij,nj->ni", whole, full)
    cross = whole[:, 1:3, :] @ mix
    left = whole[:, 1:3, 1:3] - cross @ cover @ cross.transpose(0, 2, 1)
    other = np.einsum("nij,ni->nj", mix, rest)
    pull = rest[:, 1:3] - np.einsum("nij,njk,nk->ni", cross, cover, other)
    d = full[:, 0]
    told = np.maximum(np.stack([left[:, 0, 0], left[:, 1, 1]], axis=-1), 0.0)
    step = pull / np.maximum(told, 1e-9)
    safe = np.where(np.abs(d) > 1e-9, d, 1e-9)[:, None]
    return tilt + np.clip(step / safe, -0.3, 0.3), told * d[:, None] ** 2


def _scaled_basis(template: Template) -> tuple[FloatArray, FloatArray]:
    """Template, its tilting, and turning side by side, shape (cells, 2, 6); turning in pixels."""
    focal = float(np.sqrt(np.mean(template.turning[:, 0, 0] ** 2)))
    unit = np.array([1 / focal, 1 / focal, 2 / focal])
    parts = [template.along[:, :, None], template.tilting, template.turning * unit]
    return np.concatenate(parts, axis=2), unit


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


def _model(
    cells: Cells, template: Template, fit: CellFit
) -> tuple[Float32, Float32, Float32, Float32, Float32]:
    """What turning and motion along do to each cell: (rx, ry, ax, ay, length of the latter)."""
    turn, tilt = fit.turn.astype(np.float32), fit.tilt.astype(np.float32)
    turning, along = template.turning.astype(np.float32), template.along.astype(np.float32)
    tilting = template.tilting.astype(np.float32)
    d = fit.distance.astype(np.float32)[:, None]
    ax = d * (along[:, 0] + tilt @ tilting[:, 0, :].T)
    ay = d * (along[:, 1] + tilt @ tilting[:, 1, :].T)
    return turn @ turning[:, 0, :].T, turn @ turning[:, 1, :].T, ax, ay, np.hypot(ax, ay)


def _update_along(cells: Cells, template: Template, fit: CellFit) -> tuple[FloatArray, FloatArray]:
    """Best template for each cell given the motion of each pair, and the information on it."""
    rx, ry, ax, ay, moved = _model(cells, template, fit)
    d = fit.distance.astype(np.float32)[:, None]
    along = template.along.astype(np.float32)
    rx, ry = rx + (ax - d * along[:, 0]), ry + (ay - d * along[:, 1])
    wxx, wxy, wyy, px, py = information(cells, moved, template.spread, template.share)
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
    found = np.stack([(c * sx - b * sy) / det, (a * sy - b * sx) / det], axis=-1)
    return found, a + c


def _update_spread(cells: Cells, template: Template, fit: CellFit) -> FloatArray:
    """How much worse than expected each cell obeys, and which do not move with the camera."""
    rx, ry, ax, ay, moved = _model(cells, template, fit)
    ux, uy, ok = displacement(cells)
    w = information(cells, moved, np.ones(len(template.along)), template.share)[:3]
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


def moving_cells(cells: Cells, template: Template, fit: CellFit) -> tuple[BoolArray, BoolArray]:
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
    part = CellFit(*(value[marked] for value in vars(fit).values()))
    rx, ry, ax, ay, moved = _model(piece, template, part)
    ux, uy, ok = displacement(piece)
    w = information(piece, moved, np.ones(len(template.along)), template.share)[:3]
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
    # The leading right singular vector, by way of the smaller of the two Gram matrices.
    _, left = np.linalg.eigh(data @ data.T)
    direction = left[:, -1] @ data
    along: FloatArray = direction.reshape(count, 2) / np.maximum(trusted, 0.05)[:, None]
    scaled: FloatArray = along / np.sqrt(np.mean(along * along))
    return scaled
