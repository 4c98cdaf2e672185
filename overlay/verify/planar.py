"""What a camera over a plane does to the corners it sees, and what they say of its motion.

A corner at x = (x, y) focal lengths from the middle of the picture moves by
``d (x Tz - Tx, y Tz - Ty) n . (x, y, 1)`` while the camera goes the distance d along T over a plane
of normal n, and by a part free of depth while it turns (Longuet-Higgins and Prazdny 1980, Proc. R.
Soc. B 208:385). T and n are the same for the whole clip but for the vehicle's pitch on its springs;
distance, turn and pitch are each pair's own. What stands on the ground or moves by itself is left
out by Cauchy weights.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from overlay.timebase import FloatArray

BoolArray = npt.NDArray[np.bool_]

FOCAL_SHARE = 0.8  # of the picture's longer side, assumed; only second orders depend on it
NOISE_SHARE = 0.05  # of its displacement, besides noise in pixels, by which a corner strays
CAUCHY = 2.0
STRAY_RAD = 0.06  # how far a vehicle pitches on its springs
# Corners nearer than this share of the nearest show how far the ground moves; one that ought to
# move by so many sigmas and does less than this share of it is fixed to the camera.
NEAR_SHARE = 0.3
ATTACHED_SIGMAS = 6.0
ATTACHED_SHARE = 0.15
MAP = 24  # parts of the picture along its longer side


@dataclass(frozen=True, eq=False)
class Flow:
    """Corners of n pairs of pictures, in focal lengths.

    Attributes
    ----------
    x, y, u, v : ndarray, shape (n, corners)
        Place from the picture's middle half-way through, and displacement.
    ok : ndarray of bool, shape (n, corners)
        Which of them are corners and no padding.
    noise : float
        Standard uncertainty of a displacement.
    spread : ndarray, shape (MAP * MAP,)
        Factor on the variance in each part of the picture.
    """

    x: FloatArray
    y: FloatArray
    u: FloatArray
    v: FloatArray
    ok: BoolArray
    noise: float
    spread: FloatArray

    def part(self, keep: npt.NDArray[np.int64]) -> Flow:
        """The pairs named."""
        x, y, u, v = (a[keep] for a in (self.x, self.y, self.u, self.v))
        return replace(self, x=x, y=y, u=u, v=v, ok=self.ok[keep])

    def variance(self, moved: FloatArray) -> FloatArray:
        """Variance of each corner that the ground carries by `moved`."""
        own = self.noise**2 + (NOISE_SHARE * moved) ** 2
        return np.asarray(self.spread[part_of(self)] * own)


@dataclass(frozen=True, eq=False)
class Found:
    """Motion of each pair.

    Attributes
    ----------
    distance, sigma : ndarray, shape (n,)
        In heights of the camera, and its standard uncertainty.
    turn : ndarray, shape (n, 3)
        Yaw, pitch and roll between the pictures, radians.
    tilt, tilt_information : ndarray, shape (n,)
        The vehicle's pitch, radians, and one over its variance where it was not given.
    misfit : ndarray, shape (n, corners)
        Square of the distance of each corner from what the model says, in sigmas.
    """

    distance: FloatArray
    sigma: FloatArray
    turn: FloatArray
    tilt: FloatArray
    tilt_information: FloatArray
    misfit: FloatArray


def solve(
    flow: Flow, geometry: FloatArray, *, tilt: FloatArray | None = None, passes: int = 5
) -> Found:
    """Distance, turn and pitch of each pair by reweighted least squares.

    Parameters
    ----------
    flow : Flow
    geometry : ndarray, shape (3,)
        Heading in radians from the camera's axis, to the right; sideways slope of the ground; and
        horizon below the picture's middle in focal lengths.
    tilt : ndarray, shape (n,), optional
        Pitch of the vehicle in each pair, radians; each pair finds its own when left out.
    passes : int
        Of reweighting.
    """
    basis = _fields(flow, geometry)
    target = np.stack([flow.u, flow.v], axis=-1)
    variance = flow.variance(np.hypot(flow.u, flow.v))
    usable = flow.ok & ~_attached(flow, basis[..., 0])
    weight = usable.astype(np.float64)
    state, misfit = np.zeros((len(target), 5)), np.zeros(flow.ok.shape)
    for _ in range(passes):
        w = weight / variance
        whole = np.einsum("nk,nkci,nkcj->nij", w, basis, basis, optimize=True)
        pull = np.einsum("nk,nkci,nkc->ni", w, basis, target, optimize=True)
        if tilt is None:
            stray = STRAY_RAD * np.maximum(np.abs(state[:, 0]), flow.noise)
            state, cover = _free_step(whole, pull, 1 / stray**2)
        else:
            state, cover = _given_step(whole, pull, tilt)
        along = np.einsum("nkci,ni->nkc", basis[..., :2], state[:, :2])
        model = along + np.einsum("nkci,ni->nkc", basis[..., 2:], state[:, 2:])
        variance = flow.variance(np.linalg.norm(along, axis=-1))
        misfit = np.where(flow.ok, np.sum((target - model) ** 2, axis=-1) / variance, 0.0)
        weight = usable / (1 + misfit / CAUCHY**2)
    d = np.where(np.abs(state[:, 0]) > 1e-9, state[:, 0], 1e-9)
    chi2 = np.sum(weight * misfit, axis=1) / np.maximum(flow.ok.sum(axis=1), 1) / 2
    sigma = np.sqrt(np.maximum(cover[:, 0, 0], 0) * np.maximum(chi2, 0.3))
    told = np.zeros(len(d))
    if tilt is None:
        told = np.maximum(1 / np.maximum(cover[:, 1, 1], 1e-12) - 1 / stray**2, 0.0) * d**2
    seen = np.clip(state[:, 1] / d, -2 * STRAY_RAD, 2 * STRAY_RAD) if tilt is None else tilt
    return Found(state[:, 0], sigma, state[:, 2:], seen, told, misfit)


def _free_step(
    whole: FloatArray, pull: FloatArray, tie: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """All five amounts, the pitch held near none; and their covariance."""
    held = whole.copy()
    held[:, 1, 1] += tie
    held[:, range(5), range(5)] += 1e-6
    state = np.linalg.solve(held, pull[..., None])[..., 0]
    return np.asarray(state), np.asarray(np.linalg.inv(held))


def _given_step(
    whole: FloatArray, pull: FloatArray, tilt: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """All five amounts where pitch is known; and the covariance of distance and turn."""
    mix = np.repeat(np.eye(5)[None, [0, 2, 3, 4]], len(tilt), axis=0)
    mix[:, 0, 1] = tilt
    normal = mix @ whole @ mix.transpose(0, 2, 1)
    normal[:, range(4), range(4)] += 1e-6
    short = np.linalg.solve(normal, mix @ pull[..., None])
    state = (mix.transpose(0, 2, 1) @ short)[..., 0]
    return np.asarray(state), np.asarray(np.linalg.inv(normal))


def _travel_and_normal(geometry: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Unit vector of travel and normal of the plane: right, down, ahead."""
    heading, slant, horizon = geometry
    normal = np.array([slant, 1.0, -horizon])
    rise = horizon * np.cos(heading) - slant * np.sin(heading)  # travel lies in the plane
    travel = np.array([np.sin(heading), rise, np.cos(heading)])
    return travel / np.linalg.norm(travel), normal


def _fields(flow: Flow, geometry: FloatArray) -> FloatArray:
    """What each corner does for one unit of distance, pitch times distance, yaw, pitch and roll.

    Shape (n, corners, 2, 5).
    """
    travel, normal = _travel_and_normal(geometry)
    x, y = flow.x, flow.y

    def along(t: FloatArray) -> FloatArray:
        return np.stack([x * t[2] - t[0], y * t[2] - t[1]], axis=-1)

    def pitched(v: FloatArray) -> FloatArray:
        return np.array([0.0, v[2], -v[1]])

    raw = normal[0] * x + normal[1] * y + normal[2]
    depth = np.maximum(raw, 0.0)[..., None]
    lean = pitched(normal)
    change = np.where(raw > 0, lean[0] * x + lean[1] * y + lean[2], 0.0)[..., None]
    parts = [
        along(travel) * depth,
        along(pitched(travel)) * depth + along(travel) * change,
        np.stack([1 + x * x, x * y], axis=-1),
        np.stack([x * y, 1 + y * y], axis=-1),
        np.stack([-y, x], axis=-1),
    ]
    return np.stack(parts, axis=-1)


def _attached(flow: Flow, along: FloatArray) -> BoolArray:
    """Corners that stand still where ground would move by many pixels, shape (n, corners).

    Bodywork and what it carries, and ground that a frugal encoder left as it was. How far ground
    moves is taken from the liveliest quarter of the corners near enough to show it.
    """
    length2 = np.sum(along * along, axis=-1)
    near = flow.ok & (length2 > NEAR_SHARE**2 * np.max(length2 * flow.ok, axis=1, keepdims=True))
    each = (flow.u * along[..., 0] + flow.v * along[..., 1]) / np.maximum(length2, 1e-12)
    each = np.where(near, each, np.where(near.any(axis=1)[:, None], np.nan, 0.0))
    low, high = np.nanpercentile(each, [25, 75], axis=1)
    distance = np.where(high >= -low, high, -low)
    expected = distance[:, None] * np.sqrt(length2)
    size = np.hypot(flow.u, flow.v)
    ought = flow.ok & (expected > ATTACHED_SIGMAS * flow.noise)
    return np.asarray(ought & (size < ATTACHED_SHARE * expected))


def part_of(flow: Flow) -> npt.NDArray[np.int64]:
    """Number of the part of the picture in which each corner lies, 0 to MAP * MAP."""
    column = np.clip((flow.x * FOCAL_SHARE + 0.5) * MAP, 0, MAP - 1).astype(np.int64)
    row = np.clip((flow.y * FOCAL_SHARE + 0.5) * MAP, 0, MAP - 1).astype(np.int64)
    return row * MAP + column
