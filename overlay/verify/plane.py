"""What a camera over a plane does to the corners it sees, and what they say of its motion.

A corner at x = (x, y) focal lengths from the middle of the picture moves by
``(x Tz - Tx, y Tz - Ty) d / Z`` while the camera goes the distance d along T past a point at depth
Z, and by a part free of depth while it turns (Longuet-Higgins and Prazdny 1980, Proc. R. Soc. B
208:385). On the ground 1 / Z is ``n . (x, y, 1)`` over the camera's height. So each displacement
is split in two: across the way a corner must go whatever its depth, all that stands still tells
the turn, the direction of travel and the vehicle's pitch; along it, only the ground tells the
distance. Both are solved together by reweighted least squares; hedges and parked cars lose their
say along, what moves by itself loses both.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from overlay.timebase import FloatArray

BoolArray = npt.NDArray[np.bool_]

FOCAL_SHARE = 0.8  # of the picture's longer side, assumed; only second orders depend on it
# Standard deviation of a corner's displacement along and across its way, pixels and share of
# the displacement; followed on rendered ground with the camera known.
NOISE_PX, NOISE_SHARE = (0.5, 0.15), (0.05, 0.02)
CAUCHY = 2.0
STRAY_RAD = 0.06  # how far a vehicle pitches about its usual attitude
# Corners nearer than this share of the nearest show how far the ground moves; one that ought to
# move by so many sigmas and does less than this share of it is fixed to the camera.
NEAR_SHARE, ATTACHED_SIGMAS, ATTACHED_SHARE = 0.3, 6.0, 0.15
MAP = 24  # parts of the picture along its longer side
FOREIGN = 1e8  # spread of a part that shows no outside world


@dataclass(frozen=True, eq=False)
class Flow:
    """Corners of n pairs of pictures, in focal lengths.

    `x, y, u, v, ok` have the shape (n, corners): half-way place from the picture's middle,
    displacement, and whether it is a corner. `pixel` is one pixel; `spread`, of shape
    (MAP * MAP,), the factor on the variance along in each part of the picture.
    """

    x: FloatArray
    y: FloatArray
    u: FloatArray
    v: FloatArray
    ok: BoolArray
    pixel: float
    spread: FloatArray

    def part(self, keep: npt.NDArray[np.int64]) -> Flow:
        """The pairs named."""
        x, y, u, v = (a[keep] for a in (self.x, self.y, self.u, self.v))
        return replace(self, x=x, y=y, u=u, v=v, ok=self.ok[keep])

    @property
    def place(self) -> npt.NDArray[np.int64]:
        """Number of the part of the picture in which each corner lies, 0 to MAP * MAP."""
        row, column = (
            np.clip((a * FOCAL_SHARE + 0.5) * MAP, 0, MAP - 1).astype(np.int64)
            for a in (self.y, self.x)
        )
        return row * MAP + column


@dataclass(frozen=True, eq=False)
class Found:
    """Motion of each pair.

    `distance` and `sigma` are in heights of the camera, shape (n,); `turn` is the pitch between
    the pictures and `tilt` the vehicle's, radians, with `information`, one over its variance where
    it was not given. `misfit` is the square of each corner's distance, along and across, from
    what the model says, in sigmas, shape (n, corners, 2); `along`, shape (n, corners), how far
    ground there goes.
    """

    distance: FloatArray
    sigma: FloatArray
    turn: FloatArray
    tilt: FloatArray
    information: FloatArray
    misfit: FloatArray
    along: FloatArray


def solve(
    flow: Flow,
    geometry: FloatArray,
    *,
    tilt: FloatArray | None = None,
    stray_rad: float = STRAY_RAD,
    passes: int = 5,
) -> Found:
    """Distance, turn and pitch of each pair by reweighted least squares.

    Parameters
    ----------
    geometry : ndarray, shape (3,)
        Heading in radians from the camera's axis, to the right; sideways slope of the ground; and
        horizon below the picture's middle in focal lengths.
    tilt : ndarray, shape (n,), optional
        Pitch of the vehicle in each pair, radians; each pair finds its own when left out.
    stray_rad : float
        Standard deviation of a pitch that is not given.
    passes : int
        Of reweighting.
    """
    fields, below, narrowing = _fields(flow, geometry)
    target = _turned(np.stack([flow.u, flow.v], axis=-1)[..., None], *narrowing[:2])[..., 0]
    # Half-way places and finite steps: 1 / Z grows by q² on the way, q being half the share of
    # the depth that is covered.
    q = np.clip(target[..., 0] * narrowing[2], -0.5, 0.5)
    target[..., 0] /= 1 - q * q
    usable = flow.ok & (flow.spread[flow.place] < FOREIGN) & ~_attached(flow, fields[..., 0, 0])
    allowed = np.stack([usable & below, usable], axis=-1).astype(np.float64)
    variance = _variance(flow)
    weight, misfit = allowed, np.zeros(target.shape)
    state = np.zeros((len(target), 5))
    for _ in range(passes):
        w = weight / variance
        whole = np.einsum("nkc,nkci,nkcj->nij", w, fields, fields, optimize=True)
        pull = np.einsum("nkc,nkci,nkc->ni", w, fields, target, optimize=True)
        stray = stray_rad * np.maximum(np.abs(state[:, 0]), flow.pixel / 2)
        state, cover = _step(whole, pull, stray, tilt)
        misfit = (target - np.einsum("nkci,ni->nkc", fields, state)) ** 2 / variance
        misfit = np.where(flow.ok[..., None], misfit, 0.0)
        likely = 1 / (1 + misfit / CAUCHY**2)
        weight = allowed * likely
        weight[..., 0] *= likely[..., 1]
    d = np.where(np.abs(state[:, 0]) > 1e-9, state[:, 0], 1e-9)
    chi2 = np.sum(weight * misfit, axis=(1, 2)) / np.maximum(allowed.sum(axis=(1, 2)), 1)
    sigma = np.sqrt(np.maximum(cover[:, 0, 0], 0) * np.maximum(chi2, 0.3))
    seen, told = tilt, np.zeros(len(d))
    if seen is None:
        seen = np.clip(state[:, 1] / d, -2 * STRAY_RAD, 2 * STRAY_RAD)
        told = np.maximum(1 / np.maximum(cover[:, 1, 1], 1e-12) - 1 / stray**2, 0.0) * d**2
    along = np.where(below, np.abs(state[:, :1] * fields[..., 0, 0]), 0.0)
    return Found(state[:, 0], sigma, state[:, 3], seen, told, misfit, along)


def _step(
    whole: FloatArray, pull: FloatArray, stray: FloatArray, tilt: FloatArray | None
) -> tuple[FloatArray, FloatArray]:
    """Five amounts of each pair and their covariance; without the pitch's where it is given."""
    mix = np.repeat(np.eye(5)[None], len(pull), axis=0)
    if tilt is not None:
        mix = mix[:, [0, 2, 3, 4]]
        mix[:, 0, 1] = tilt
    normal = mix @ whole @ mix.transpose(0, 2, 1)
    size = range(normal.shape[1])
    normal[:, size, size] += 1e-6
    if tilt is None:
        normal[:, 1, 1] += 1 / stray**2
    state = mix.transpose(0, 2, 1) @ np.linalg.solve(normal, mix @ pull[..., None])
    return np.asarray(state[..., 0]), np.asarray(np.linalg.inv(normal))


def _fields(
    flow: Flow, geometry: FloatArray
) -> tuple[FloatArray, BoolArray, tuple[FloatArray, FloatArray, FloatArray]]:
    """What one unit of distance, pitch times distance, yaw, pitch and roll does, along and across.

    Shape (n, corners, 2, 5); with which corners lie below the horizon, and the cosine and sine of
    the way along and what makes half the share of the depth of a displacement.
    """
    heading, slant, horizon = geometry
    normal = np.array([slant, 1.0, -horizon])
    rise = horizon * np.cos(heading) - slant * np.sin(heading)  # travel lies in the plane
    travel = np.array([np.sin(heading), rise, np.cos(heading)])
    travel /= np.linalg.norm(travel)
    x, y = flow.x, flow.y

    def away(t: FloatArray) -> FloatArray:
        return np.stack([x * t[2] - t[0], y * t[2] - t[1]], axis=-1)

    def pitched(v: FloatArray) -> FloatArray:
        return np.array([0.0, v[2], -v[1]])

    way, lean = away(travel), pitched(normal)
    raw = normal[0] * x + normal[1] * y + normal[2]
    depth = np.maximum(raw, 0.0)[..., None]
    change = np.where(raw > 0, lean[0] * x + lean[1] * y + lean[2], 0.0)[..., None]
    parts = [
        way * depth,
        away(pitched(travel)) * depth + way * change,
        np.stack([1 + x * x, x * y], axis=-1),
        np.stack([x * y, 1 + y * y], axis=-1),
        np.stack([-y, x], axis=-1),
    ]
    length = np.maximum(np.linalg.norm(way, axis=-1), 1e-9)
    cos, sin = way[..., 0] / length, way[..., 1] / length
    half = travel[2] / (2 * np.maximum(length, 1e-6))
    return _turned(np.stack(parts, axis=-1), cos, sin), raw > 0, (cos, sin, half)


def _turned(vectors: FloatArray, cos: FloatArray, sin: FloatArray) -> FloatArray:
    """Components along and across, shape (n, corners, 2, m)."""
    x, y = vectors[..., 0, :], vectors[..., 1, :]
    cos, sin = cos[..., None], sin[..., None]
    return np.stack([cos * x + sin * y, cos * y - sin * x], axis=-2)


def _variance(flow: Flow) -> FloatArray:
    """Variance along and across of each corner, shape (n, corners, 2)."""
    size2 = flow.u**2 + flow.v**2
    along, across = (
        (noise * flow.pixel) ** 2 + share**2 * size2
        for noise, share in zip(NOISE_PX, NOISE_SHARE, strict=True)
    )
    return np.stack([flow.spread[flow.place] * along, across], axis=-1)


def _attached(flow: Flow, along: FloatArray) -> BoolArray:
    """Corners that stand still where ground would move by many pixels, shape (n, corners).

    Bodywork and what it carries, and ground that a frugal encoder left as it was. How far ground
    moves is taken from the liveliest quarter of the corners near enough to show it.
    """
    size = np.hypot(flow.u, flow.v)
    near = flow.ok & (along > NEAR_SHARE * np.max(along * flow.ok, axis=1, keepdims=True))
    each = np.where(near, size / np.maximum(along, 1e-9), np.nan)
    each[~near.any(axis=1)] = 0.0
    expected = np.nanpercentile(each, 75, axis=1)[:, None] * along
    ought = expected > ATTACHED_SIGMAS * NOISE_PX[0] * flow.pixel
    return np.asarray(flow.ok & ought & (size < ATTACHED_SHARE * expected))
