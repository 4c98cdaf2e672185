"""Distance over the ground from corner tracks, in camera heights, with the camera's attitude.

Of each pair of pictures: how the camera turned, which way it went, and how far over its height
above the ground. Every corner that stands still, near or far, ground or house, says something of
the turning and of the direction (it moves on a line through the point the camera heads for); only
the ground says how far (Song and Chandraker, CVPR 2014; Geiger, Ziegler and Stiller, IV 2011).

A vehicle pitches with its acceleration. The horizon, and the point headed for with it, then moves
in the picture, and a distance taken with a fixed horizon is wrong in step with the acceleration,
which looks like a lag. So pitch, roll and slip of each pair are unknowns, too; their steps are tied
to the turning between pictures, which is exact over seconds, and their level to the picture itself.

A way bends up and down as well. In a dip the ground ahead rises towards the camera and seems to
pass faster, and the vehicle turns nose up though it does not pitch against the ground. Both say
how much the way bends, an unknown of each pair that changes little over the next few metres.

All pairs are solved together, a banded least-squares problem with robust weights.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from overlay.motion.calibrate import camera_of
from overlay.motion.camera import Camera
from overlay.motion.heading import (
    TUNING,
    Points,
    among,
    cell_of,
    flow_without_turning,
    ground_below,
    heading_of,
    picked,
    points_of,
    sideways,
    slope,
)
from overlay.motion.tracks import Tracks
from overlay.timebase import FloatArray

# Unknowns of a pair: turning about x, y, z; pitch, slip and roll of the camera against its usual
# attitude; distance over camera height; how the ground bends up, radians a camera height.
_PITCH, _SLIP, _ROLL, _DISTANCE, _BEND, _COUNT = 3, 4, 5, 6, 7, 8


@dataclass(frozen=True, eq=False)
class Odometry:
    """Motion of the camera between the pictures of each pair."""

    # shape (n,): footage times
    start_s: FloatArray
    end_s: FloatArray
    # shape (n,): distance gone over camera height, forward or backward, and its standard
    # uncertainty
    distance: FloatArray
    sigma: FloatArray
    ground: FloatArray  # shape (n,): how many corners agree on that distance (a sum of weights)
    # shape (n, 3): turning about the picture's x, y, z; pitch, slip and roll against the usual
    # attitude
    turn_rad: FloatArray
    attitude_rad: FloatArray
    lost_share: FloatArray  # shape (n,), 0 to 1
    # shape (3,): usual direction of travel and of the ground below, in camera axes (right, down,
    # ahead)
    travel: FloatArray
    normal: FloatArray
    camera: Camera  # Its focal length is assumed where the clip does not tell


def odometry(tracks: Tracks, angle_deg: float | None = None) -> Odometry | None:
    """Distance and attitude of every pair, or None where too little could be followed.

    Parameters
    ----------
    tracks : Tracks
    angle_deg : float, optional
        Angle of view across the picture's longer side, where it is known.

    Notes
    -----
    A corner at p (in focal lengths from the middle) moves by ``R(p) w`` as the camera turns by w,
    and by ``D (N p) (p T_z - T)`` as it travels a distance of D camera heights along T over ground
    below N: exact for the middle of both places, up to the square of half the growth. Ground that
    bends up by b radians a camera height is higher by ``b / (2 (N p)^2)`` heights there.
    """
    kept = _with_enough(tracks)
    if kept is None:
        return None
    camera, travel = camera_of(kept, angle_deg)
    focal_px = camera.focal_share * max(kept.width, kept.height)
    count = len(kept.start_s)
    # A long drive in stretches, so that memory stays bounded; the camera is the same in all.
    stretches = np.array_split(np.arange(count), -(-count // TUNING.stretch_pairs))
    solved = []
    for numbers in stretches:
        part = picked(kept, among(numbers, count))
        points = points_of(part, focal_px, camera.lens)
        found = _Solver(part, points, camera, travel).solved()
        if found is not None:
            solved.append(found)
    return _joined(solved) if solved else None


def _joined(parts: list[Odometry]) -> Odometry:
    """Stretches one after the other; the usual directions are those of the first."""

    def whole(name: str) -> FloatArray:
        return np.concatenate([getattr(part, name) for part in parts])

    return replace(
        parts[0],
        start_s=whole("start_s"),
        end_s=whole("end_s"),
        distance=whole("distance"),
        sigma=whole("sigma"),
        ground=whole("ground"),
        turn_rad=whole("turn_rad"),
        attitude_rad=whole("attitude_rad"),
        lost_share=whole("lost_share"),
    )


def _with_enough(tracks: Tracks) -> Tracks | None:
    """The pairs with corners to go by, where those crowd only the longest followed."""
    key = cell_of(tracks)
    order = np.argsort(key, kind="stable")
    starts = np.flatnonzero(np.diff(key[order], prepend=-1))
    rank = np.arange(len(key)) - np.repeat(starts, np.diff(np.append(starts, len(key))))
    mine = np.zeros(len(key), dtype=np.bool_)
    mine[order] = rank < TUNING.most_in_cell
    counts = np.bincount(tracks.pair[mine], minlength=len(tracks.start_s))
    good = counts >= TUNING.least_corners
    return picked(tracks, good, mine) if good.sum() >= TUNING.least_pairs else None


class _Solver:
    """All pairs together; `travel` and `normal` are the usual directions, renewed on the way."""

    def __init__(self, tracks: Tracks, points: Points, camera: Camera, travel: FloatArray) -> None:
        self.tracks, self.points, self.camera = tracks, points, camera
        self.pairs = len(tracks.start_s)
        self.span_s = tracks.end_s - tracks.start_s
        self.travel, self.normal = travel, ground_below(travel)
        self.state = np.zeros((self.pairs, _COUNT))
        self.ground = np.zeros(self.pairs)
        self.likely = np.zeros(self.pairs)
        self.block = np.zeros((self.pairs, _COUNT, _COUNT))

    def solved(self) -> Odometry | None:
        """The motion of every pair."""
        self.state[:, :3] = heading_of(self.points, self.travel, rounds=10, fixed=True)[1]
        for round_ in range(TUNING.rounds):
            if round_ in TUNING.fresh_rounds:
                likely = self._likely_distances()
                if likely is None:
                    return None
                self.state[:, _DISTANCE] = self.likely = likely
            self._step(round_)
        sigmas = (*TUNING.attitude_rad, np.inf, TUNING.bend)
        inner = self.block + np.diag([0, 0, 0, *(s**-2.0 for s in sigmas)])
        tie = 2 * TUNING.attitude_step_rad**-2
        inner[:, [_PITCH, _ROLL], [_PITCH, _ROLL]] += tie
        inner[:, range(3), range(3)] += 1e-6
        sigma = np.sqrt(np.linalg.inv(inner)[:, _DISTANCE, _DISTANCE])
        return Odometry(
            self.tracks.start_s,
            self.tracks.end_s,
            self.state[:, _DISTANCE].copy(),
            sigma,
            self.ground,
            self.state[:, :3],
            self.state[:, [_PITCH, _SLIP, _ROLL]],
            self.tracks.lost_share,
            self.travel,
            self.normal,
            self._turned_camera(),
        )

    def _turned_camera(self) -> Camera:
        """The camera, and where it looks."""
        ahead = self.travel * np.sign(self.state[:, _DISTANCE].sum())
        return replace(
            self.camera,
            down_deg=float(np.degrees(np.arcsin(self.normal[2]))),
            left_deg=float(np.degrees(np.arctan2(ahead[0], ahead[2]))),
        )

    def _likely_distances(self) -> FloatArray | None:
        """Distance of each pair by what is most frequent below the horizon, jumps being unlikely.

        Most things stand on the ground or are part of it, but at times another vehicle that keeps
        pace fills more of the picture; the speed does not jump to its own.
        """
        points = self.points
        travel, normal = self._directions()
        flow = flow_without_turning(points, self.state[:, :3])
        unit, _, size, _ = sideways(points, travel[points.pair], flow)
        low = np.sum(points.middle * normal[points.pair], axis=1)
        below = low > 1.4 * TUNING.least_below_horizon
        reach = (low * size)[below]
        span = self.span_s[points.pair[below]]
        rate = np.sum(unit * flow, axis=1)[below] / reach / span
        noise = points.noise[below] / reach / span
        weight = (points.share * low**2)[below]
        if len(rate) < 5 * self.pairs / 2:
            return None
        top = 1.5 * float(np.percentile(np.abs(rate), 80)) + 1e-9
        least = float(np.percentile(noise, 10))
        end = float(np.arcsinh(top / least))
        grid = least * np.sinh(np.linspace(-end, end, TUNING.rates))
        step = np.gradient(grid)
        wide = np.hypot(step, np.minimum(noise, 5 * least)[:, None]).astype(np.float32)
        z = (rate[:, None] - grid).astype(np.float32) / wide
        density = weight[:, None].astype(np.float32) * np.exp(-0.5 * z * z) / wide
        total = np.zeros((self.pairs, TUNING.rates))
        starts = np.searchsorted(points.pair[below], np.arange(self.pairs))
        known = np.diff(np.append(starts, len(rate))) > 0
        total[known] = np.add.reduceat(density, starts[known], axis=0)
        total = total * step / np.maximum((total * step).sum(axis=1, keepdims=True), 1e-12)
        return np.asarray(grid[_likeliest_path(np.log(total + 0.3 / TUNING.rates))] * self.span_s)

    def _directions(self) -> tuple[FloatArray, FloatArray]:
        """Direction of travel and of the ground below in each pair, shape (pairs, 3) each."""
        travel, normal = self.travel, self.normal
        for k, (turned, tipped) in self._axes().items():
            travel = travel + self.state[:, k, None] * turned
            normal = normal + self.state[:, k, None] * tipped
        return travel, normal

    def _axes(self) -> dict[int, tuple[FloatArray, FloatArray]]:
        """How each angle of attitude moves the direction of travel and that of the ground."""
        lateral = np.cross(self.normal, self.travel)
        return {
            _PITCH: (np.cross(self.travel, lateral), np.cross(self.normal, lateral)),
            _SLIP: (np.cross(self.travel, self.normal), np.zeros(3)),
            _ROLL: (np.zeros(3), np.cross(self.normal, self.travel)),
        }

    def _step(self, round_: int) -> None:
        """One Gauss-Newton step of everything."""
        import scipy.linalg

        points, state, pair = self.points, self.state, self.points.pair
        axes = self._axes()
        travel, normal = self._directions()
        flow = flow_without_turning(points, state[:, :3])
        unit, across, size, rest = sideways(points, travel[pair], flow)
        along = np.sum(unit * flow, axis=1)
        low = np.sum(points.middle * normal[pair], axis=1)
        grown = 1 - (self.travel[2] * along / (2 * size)) ** 2
        level = low * size * grown
        nearer = 1 / (2 * np.maximum(low, TUNING.least_below_horizon) ** 2)
        reach = level * (1 + state[pair, _BEND] * nearer)
        expected = state[pair, _DISTANCE] * reach
        off = along - expected
        n = len(pair)
        rows, ground = np.zeros((n, _COUNT)), np.zeros((n, _COUNT))
        rows[:, :3] = -np.einsum("ni,nij->nj", across, points.turning)
        ground[:, :3] = -np.einsum("ni,nij->nj", unit, points.turning)
        ground[:, _DISTANCE] = -reach
        ground[:, _BEND] = -state[pair, _DISTANCE] * level * nearer
        for k, (a, b) in axes.items():
            moved = points.middle[:, :2] * a[2] - a[:2]
            rows[:, k] = slope(points, flow, size, a)
            lower, longer = points.middle @ b, np.sum(unit * moved, axis=1)
            ground[:, k] = -state[pair, _DISTANCE] * grown * (lower * size + low * longer)
        loose = max(1.0, 2 * 0.7**round_)
        noise = points.noise
        weight = points.share / (1 + (rest / (1.5 * noise * loose)) ** 2) / noise**2
        spread = np.hypot(noise, TUNING.ground_share * expected)
        z = off * np.sign(expected) / (spread * loose)
        z = np.where(z > 0, TUNING.above_weight * z, z)
        share = points.share / (1 + (z / 1.5) ** 2) ** 2
        # Ground far to the side is another surface more often; a camera looking sideways sees no
        # other.
        beside = points.middle @ np.cross(self.normal, self.travel) * self.travel[2] ** 2
        share = share / (1 + (beside / np.maximum(low, 0.02) / TUNING.way_heights) ** 2)
        share = np.where(low > TUNING.least_below_horizon, share, 0.0)
        self.ground = points.total(share)
        heavy, ground_heavy = weight[:, None] * rows, (share / spread**2)[:, None] * ground
        self.block = points.products(heavy, rows) + points.products(ground_heavy, ground)
        right = -points.total(heavy * rest[:, None] + ground_heavy * off[:, None])
        bands, right = self._with_ties(right, round_)
        step = scipy.linalg.solveh_banded(bands, right.ravel(), lower=True, check_finite=False)
        self.state = np.asarray(state + step.reshape(self.pairs, _COUNT))
        most = TUNING.bound_share * np.maximum(
            np.abs(self.likely), 0.2 * np.percentile(np.abs(self.likely), 90)
        )
        distance = self.state[:, _DISTANCE]
        self.state[:, _DISTANCE] = np.clip(distance, self.likely - most, self.likely + most)
        self._level_roll()

    def _level_roll(self) -> None:
        """Take the usual roll over into the ground's usual direction."""
        usual = float(np.median(self.state[:, _ROLL]))
        self.normal = self.normal + usual * np.cross(self.normal, self.travel)
        self.normal /= np.linalg.norm(self.normal)
        self.state[:, _ROLL] -= usual

    def _with_ties(self, right: FloatArray, round_: int) -> tuple[FloatArray, FloatArray]:
        """Banded normal matrix with the priors of attitude and its ties to the turning."""
        bands = np.zeros((2 * _COUNT, self.pairs * _COUNT))
        flat = right.ravel()
        state = self.state.ravel()
        base = np.arange(self.pairs) * _COUNT
        for i in range(_COUNT):
            for j in range(i + 1):
                bands[i - j, base + j] += self.block[:, i, j]
        sigmas = [*TUNING.attitude_rad, TUNING.bend]
        if round_ < TUNING.loose_rounds:
            sigmas[2] = TUNING.first_roll_rad
        for k, sigma in zip((_PITCH, _SLIP, _ROLL, _BEND), sigmas, strict=True):
            bands[0, base + k] += sigma**-2
            flat[base + k] -= sigma**-2 * state[base + k]
        bands[0, base + _DISTANCE] += 1e-9
        bands[0] += 1e-9
        gone = (self.likely[1:] + self.likely[:-1]) / 4
        step, none = TUNING.attitude_step_rad, np.zeros(3)
        bend_step = TUNING.bend_step * np.sqrt(np.maximum(2 * np.abs(gone), TUNING.least_gone))
        at = base[:-1]
        for k, axis, bent, sigma in (
            (_PITCH, np.cross(self.normal, self.travel), gone, step),
            (_SLIP, none, 0.0, TUNING.slip_step_rad),
            (_ROLL, self.travel, 0.0, step),
            (_BEND, none, 0.0, bend_step),
        ):
            of_one = {0: -axis[0] / 2, 1: -axis[1] / 2, 2: -axis[2] / 2, _BEND: bent}
            factors = {k: 0.0, **of_one, **{_COUNT + i: f for i, f in of_one.items()}}
            factors[k] -= 1.0
            factors[_COUNT + k] = factors.get(_COUNT + k, 0.0) + 1.0
            apart = sum(f * state[at + p] for p, f in factors.items())
            for p, f in factors.items():
                flat[at + p] -= f * apart / sigma**2
                for r, g in factors.items():
                    if p >= r and np.any(f) and np.any(g):
                        bands[p - r, at + r] += f * g / sigma**2
        return bands, flat.reshape(right.shape)


def _likeliest_path(score: FloatArray) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
    """Column of each row that together score most, steps between rows costing their square."""
    rows, columns = score.shape
    apart = np.subtract.outer(np.arange(columns), np.arange(columns))
    cost = TUNING.rate_step_cost * np.minimum(apart**2, 100)
    best, back = score[0], np.zeros((rows, columns), dtype=np.int64)
    for k in range(1, rows):
        from_each = best[None, :] - cost
        back[k] = from_each.argmax(axis=1)
        best = score[k] + from_each.max(axis=1)
    path = np.zeros(rows, dtype=np.int64)
    path[-1] = int(best.argmax())
    for k in range(rows - 1, 0, -1):
        path[k - 1] = back[k, path[k]]
    return path
