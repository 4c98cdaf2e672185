"""Distance over the ground from corner tracks, in camera heights, with the camera's attitude.

Of each pair of pictures: how the camera turned, which way it went, and how far over its height
above the ground. Every corner that stands still, near or far, ground or house, says something of
the turning and of the direction (it moves on a line through the point the camera heads for); only
the ground says how far (Song and Chandraker, CVPR 2014; Geiger, Ziegler and Stiller, IV 2011).

A vehicle pitches with its acceleration. The horizon, and the point headed for with it, then moves
in the picture, and a distance taken with a fixed horizon is wrong in step with the acceleration,
which looks like a lag. So pitch, roll and slip of each pair are unknowns, too; their steps are tied
to the turning between pictures, which is exact over seconds, and their level to the picture itself.
All pairs are solved together, a banded least-squares problem with robust weights.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from overlay.motion.model import BoolArray
from overlay.motion.tracks import Tracks
from overlay.timebase import FloatArray

# Unknowns of a pair: turning about x, y, z; pitch, slip and roll of the camera against its usual
# attitude; distance over camera height.
_PITCH, _SLIP, _ROLL, _DISTANCE, _COUNT = 3, 4, 5, 6, 7


@dataclass(frozen=True)
class Tuning:
    """Set on real streets by ``python -m tests.benchmarks.accuracy.street``."""

    noise_px: float = 0.3
    ground_share: float = 0.04  # relief of the ground: relative error of what a corner says
    above_weight: float = 1.3  # what does not lie on the ground stands above it
    least_below_horizon: float = 0.05
    attitude_step_rad: float = 3e-4  # of the ground's own bends, from pair to pair
    slip_step_rad: float = 2e-3
    attitude_rad: tuple[float, float, float] = (0.02, 0.02, 0.01)  # pitch, slip, roll
    first_roll_rad: float = 0.1
    rounds: int = 12
    loose_rounds: int = 4
    fresh_rounds: tuple[int, ...] = (0, 4)
    focal_shares: tuple[float, ...] = (0.45, 0.6, 0.8, 1.1)
    usual_focal_share: float = 0.7
    focal_turn_px: float = 2.0
    focal_cost: float = 10.0  # errors of neighbouring corners and pairs go together
    sample_pairs: int = 90
    way_heights: float = 2.0  # half the width of the way, in camera heights
    crowd_px: float = 20.0
    most_in_cell: int = 2
    least_corners: int = 12
    least_pairs: int = 8
    rates: int = 90
    rate_step_cost: float = 0.15
    bound_share: float = 0.25
    least_ground: float = 6.0


TUNING = Tuning()


@dataclass(frozen=True, eq=False)
class Odometry:
    """Motion of the camera between the pictures of each pair.

    Attributes
    ----------
    start_s, end_s : ndarrays, shape (n,)
        Footage times.
    distance, sigma : ndarrays, shape (n,)
        Distance gone over camera height, forward or backward, and its standard uncertainty.
    ground : ndarray, shape (n,)
        How many corners agree on that distance (a sum of weights).
    turn_rad, attitude_rad : ndarrays, shape (n, 3)
        Turning about the picture's x, y, z; pitch, slip and roll against the usual attitude.
    lost_share : ndarray, shape (n,), 0 to 1
    travel, normal : ndarrays, shape (3,)
        Usual direction of travel and of the ground below, in camera axes (right, down, ahead).
    focal_px : float
        Focal length found, or assumed where the clip does not tell.
    width : int
        Of the pictures tracked, pixels.
    """

    start_s: FloatArray
    end_s: FloatArray
    distance: FloatArray
    sigma: FloatArray
    ground: FloatArray
    turn_rad: FloatArray
    attitude_rad: FloatArray
    lost_share: FloatArray
    travel: FloatArray
    normal: FloatArray
    focal_px: float
    width: int


@dataclass(frozen=True, eq=False)
class _Points:
    """Corners in focal lengths: middles (n, 3), flows (n, 2), turning fields (n, 2, 3), pairs.

    `share` is the weight of each: those that crowd together say hardly more than one.
    """

    middle: FloatArray
    flow: FloatArray
    turning: FloatArray
    first: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
    pair: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
    share: FloatArray
    noise: float

    def total(self, values: FloatArray) -> FloatArray:
        """Sums over each pair; every pair holds a corner."""
        return np.asarray(np.add.reduceat(values, self.first, axis=0))

    def products(self, left: FloatArray, right: FloatArray) -> FloatArray:
        """Products of columns summed over each pair, shape (pairs, left's, right's)."""
        ends = np.append(self.first, len(self.pair))
        return np.stack([left[a:b].T @ right[a:b] for a, b in pairwise(ends)])


def odometry(tracks: Tracks) -> Odometry | None:
    """Distance and attitude of every pair, or None where too little could be followed.

    Parameters
    ----------
    tracks : Tracks

    Notes
    -----
    A corner at p (in focal lengths from the middle) moves by ``R(p) w`` as the camera turns by w,
    and by ``D (N p) (p T_z - T)`` as it travels a distance of D camera heights along T over ground
    below N: exact for the middle of both places, up to the square of half the growth.
    """
    kept = _with_enough(tracks)
    if kept is None:
        return None
    focal, travel = _camera(kept)
    points = _points(kept, focal)
    return _Solver(kept, points, focal, travel).solved()


def _with_enough(tracks: Tracks) -> Tracks | None:
    """The pairs with corners to go by, where those crowd only the longest followed."""
    key = _cell(tracks)
    order = np.argsort(key, kind="stable")
    starts = np.flatnonzero(np.diff(key[order], prepend=-1))
    rank = np.arange(len(key)) - np.repeat(starts, np.diff(np.append(starts, len(key))))
    mine = np.zeros(len(key), dtype=np.bool_)
    mine[order] = rank < TUNING.most_in_cell
    counts = np.bincount(tracks.pair[mine], minlength=len(tracks.start_s))
    good = counts >= TUNING.least_corners
    return _picked(tracks, good, mine) if good.sum() >= TUNING.least_pairs else None


def _picked(tracks: Tracks, pairs: BoolArray, corners: BoolArray | None = None) -> Tracks:
    """Some of the pairs, and of their corners."""
    mine = pairs[tracks.pair]
    if corners is not None:
        mine &= corners
    return replace(
        tracks,
        pair=(np.cumsum(pairs) - 1)[tracks.pair[mine]],
        x0=tracks.x0[mine],
        y0=tracks.y0[mine],
        x1=tracks.x1[mine],
        y1=tracks.y1[mine],
        start_s=tracks.start_s[pairs],
        end_s=tracks.end_s[pairs],
        lost_share=tracks.lost_share[pairs],
    )


def _cell(tracks: Tracks) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
    """A number for each pair and cell of the picture, shape (n,)."""
    size = TUNING.crowd_px * tracks.width / 640
    column = ((tracks.x0 + tracks.width / 2) // size).astype(np.int64)
    row = ((tracks.y0 + tracks.height / 2) // size).astype(np.int64)
    return np.asarray((tracks.pair * 4096 + row) * 4096 + column)


def turning_field(x: FloatArray, y: FloatArray) -> FloatArray:
    """Flow for one radian of turning about x, y and z, at places in focal lengths, (n, 2, 3).

    Longuet-Higgins and Prazdny 1980, Proc. R. Soc. B 208:385.
    """
    return np.stack(
        [np.stack([x * y, -(1 + x * x), y], -1), np.stack([1 + y * y, -x * y, -x], -1)], -2
    )


def _points(tracks: Tracks, focal_px: float) -> _Points:
    x0, y0, x1, y1 = (a / focal_px for a in (tracks.x0, tracks.y0, tracks.x1, tracks.y1))
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    return _Points(
        np.stack([x, y, np.ones_like(x)], -1),
        np.stack([x1 - x0, y1 - y0], -1),
        turning_field(x, y),
        np.searchsorted(tracks.pair, np.arange(len(tracks.start_s))),
        tracks.pair,
        _crowding(tracks),
        TUNING.noise_px / focal_px,
    )


def _crowding(tracks: Tracks) -> FloatArray:
    """One over how many corners of a pair share a cell of the picture, shape (n,)."""
    _, where, count = np.unique(_cell(tracks), return_inverse=True, return_counts=True)
    return np.asarray(1 / count[where])


def _camera(tracks: Tracks) -> tuple[float, FloatArray]:
    """Focal length in pixels, and the usual direction of travel."""
    longer = max(tracks.width, tracks.height)
    flow = np.hypot(tracks.x1 - tracks.x0, tracks.y1 - tracks.y0)
    size = np.bincount(tracks.pair, flow) / np.bincount(tracks.pair)
    moving = size > 0.3 * np.percentile(size, 90)
    numbers = np.flatnonzero(moving)
    focal = TUNING.usual_focal_share * longer
    few = _among(numbers[:: max(1, len(numbers) // TUNING.sample_pairs)], len(size))
    first = _points(_picked(tracks, few), focal)
    travel, *_ = min((_heading(first, start) for start in _starts()), key=lambda each: each[2])
    turn = _heading(_points(_picked(tracks, moving), focal), travel, rounds=6, fixed=True)[1]
    turned = np.hypot(turn[:, 0], turn[:, 1]) * focal
    most = np.argsort(-turned)[: TUNING.sample_pairs]
    if float(turned[most].mean()) < TUNING.focal_turn_px:
        return focal, travel
    sample = _picked(tracks, _among(numbers[most], len(size)))
    shares, costs = np.array(TUNING.focal_shares), []
    for share in shares:
        there = travel * [1, 1, share / TUNING.usual_focal_share]
        cost = _heading(_points(sample, share * longer), there)[2] / TUNING.focal_cost
        costs.append(cost + 0.5 * np.log(share / TUNING.usual_focal_share) ** 2 / 0.35**2)
    focal = float(np.exp(_lowest(np.log(shares), np.array(costs)))) * longer
    return focal, _heading(_points(sample, focal), travel)[0]


def _among(numbers: np.ndarray[tuple[int, ...], np.dtype[np.int64]], size: int) -> BoolArray:
    out = np.zeros(size, dtype=np.bool_)
    out[numbers] = True
    return out


def _lowest(x: FloatArray, cost: FloatArray) -> float:
    """Where a parabola through the least value and its neighbours is lowest."""
    k = int(np.clip(np.argmin(cost), 1, len(x) - 2))
    a, b, _ = np.polyfit(x[k - 1 : k + 2], cost[k - 1 : k + 2], 2)
    return float(np.clip(-b / (2 * a), x[0], x[-1])) if a > 0 else float(x[np.argmin(cost)])


def _starts() -> Iterator[FloatArray]:
    for degrees in (0.0, 45.0, 90.0, 135.0):
        yield np.array([np.sin(np.radians(degrees)), 0.0, np.cos(np.radians(degrees))])


def _sideways(points: _Points, travel: FloatArray, flow: FloatArray) -> tuple[FloatArray, ...]:
    """Lines to the point headed for: unit vectors, their normals, lengths, misfits across."""
    q = points.middle[:, :2] * travel[..., 2:] - travel[..., :2]
    size = np.hypot(q[:, 0], q[:, 1]) + 1e-6
    unit = q / size[:, None]
    normal = np.stack([-unit[:, 1], unit[:, 0]], -1)
    return unit, normal, size, np.sum(normal * flow, axis=1)


def _turned(points: _Points, turn: FloatArray) -> FloatArray:
    """Flow that turning leaves."""
    turned = np.einsum("nij,nj->ni", points.turning, turn[points.pair])
    return np.asarray(points.flow - turned)


def _slope(points: _Points, flow: FloatArray, size: FloatArray, axis: FloatArray) -> FloatArray:
    """Change of the misfit across as the direction of travel moves along an axis, shape (n,)."""
    moved = points.middle[:, :2] * axis[2] - axis[:2]
    return np.asarray((-moved[:, 1] * flow[:, 0] + moved[:, 0] * flow[:, 1]) / size)


def _heading(
    points: _Points, travel: FloatArray, *, rounds: int = 14, fixed: bool = False
) -> tuple[FloatArray, FloatArray, float]:
    """One direction of travel for all pairs, the turning of each, and the cost of misfits.

    Gauss-Newton with turning and slip eliminated pair by pair, weights robust (Cauchy). `fixed`
    keeps the direction as given.
    """
    travel = travel / np.linalg.norm(travel)
    pairs = len(points.first)
    own: FloatArray = np.zeros((pairs, 4))
    prior = np.diag([1e-9, 1e-9, 1e-9, (points.noise / TUNING.attitude_rad[1]) ** 2])
    rest: FloatArray = np.zeros(len(points.pair))
    for round_ in range(rounds):
        slip_axis = np.cross(travel, _below(travel))
        heading = (travel + own[:, 3:] * slip_axis)[points.pair]
        flow = _turned(points, own[:, :3])
        _, normal, size, rest = _sideways(points, heading, flow)
        width = points.noise * max(1.5, 24 * 0.6**round_)
        weight = points.share / (1 + (rest / width) ** 2)

        turning = -np.einsum("ni,nij->nj", normal, points.turning)
        rows = np.column_stack([turning, _slope(points, flow, size, slip_axis)])
        heavy = weight[:, None] * rows
        left = points.products(heavy, rows) + prior
        right = points.total(heavy * rest[:, None]) + own @ prior
        change: FloatArray = np.zeros(2)
        step = np.linalg.solve(left, right[..., None])[..., 0]
        if round_ >= 3 and not fixed:
            basis = np.linalg.svd(travel[None])[2][1:]
            across = np.column_stack([_slope(points, flow, size, axis) for axis in basis])
            tied = points.products(heavy, across)
            solved = np.linalg.solve(left, tied)
            inner = (weight[:, None] * across).T @ across + 1e-9 * np.eye(2)
            inner = inner - np.einsum("nij,nik->jk", tied, solved)
            outer = (weight[:, None] * across).T @ rest - np.einsum("nij,ni->j", tied, step)
            change = -np.clip(np.linalg.solve(inner, outer), -0.2, 0.2)
            step = step + solved @ change
            travel = travel + change @ basis
            travel = travel / np.linalg.norm(travel)
        own = own - step
    cost = float(np.sum(points.share * np.log1p((rest / (1.5 * points.noise)) ** 2)))
    return travel, own[:, :3], cost


def _below(travel: FloatArray) -> FloatArray:
    """Where the ground lies below a camera held about upright, across the direction of travel."""
    down = np.array([0.0, 1.0, 0.0])
    normal = down - travel * (down @ travel)
    return np.asarray(normal / np.linalg.norm(normal))


class _Solver:
    """All pairs together; `travel` and `normal` are the usual directions, renewed on the way."""

    def __init__(
        self, tracks: Tracks, points: _Points, focal_px: float, travel: FloatArray
    ) -> None:
        self.tracks, self.points, self.focal_px = tracks, points, focal_px
        self.pairs = len(tracks.start_s)
        self.span_s = tracks.end_s - tracks.start_s
        self.travel, self.normal = travel, _below(travel)
        self.state = np.zeros((self.pairs, _COUNT))
        self.ground = np.zeros(self.pairs)
        self.likely = np.zeros(self.pairs)
        self.block = np.zeros((self.pairs, _COUNT, _COUNT))

    def solved(self) -> Odometry | None:
        """The motion of every pair."""
        self.state[:, :3] = _heading(self.points, self.travel, rounds=10, fixed=True)[1]
        for round_ in range(TUNING.rounds):
            if round_ in TUNING.fresh_rounds:
                likely = self._likely_distances()
                if likely is None:
                    return None
                self.state[:, _DISTANCE] = self.likely = likely
            self._step(round_)
        inner = self.block + np.diag([0, 0, 0, *(s**-2.0 for s in TUNING.attitude_rad), 1e-9])
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
            self.focal_px,
            self.tracks.width,
        )

    def _likely_distances(self) -> FloatArray | None:
        """Distance of each pair by what is most frequent below the horizon, jumps being unlikely.

        Most things stand on the ground or are part of it, but at times another vehicle that keeps
        pace fills more of the picture; the speed does not jump to its own.
        """
        points = self.points
        travel, normal = self._directions()
        flow = _turned(points, self.state[:, :3])
        unit, _, size, _ = _sideways(points, travel[points.pair], flow)
        low = np.sum(points.middle * normal[points.pair], axis=1)
        below = low > 1.4 * TUNING.least_below_horizon
        reach = (low * size)[below]
        span = self.span_s[points.pair[below]]
        rate = np.sum(unit * flow, axis=1)[below] / reach / span
        noise = points.noise / reach / span
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
        flow = _turned(points, state[:, :3])
        unit, across, size, rest = _sideways(points, travel[pair], flow)
        along = np.sum(unit * flow, axis=1)
        low = np.sum(points.middle * normal[pair], axis=1)
        grown = 1 - (self.travel[2] * along / (2 * size)) ** 2
        reach = low * size * grown
        expected = state[pair, _DISTANCE] * reach
        off = along - expected
        n = len(pair)
        rows, ground = np.zeros((n, _COUNT)), np.zeros((n, _COUNT))
        rows[:, :3] = -np.einsum("ni,nij->nj", across, points.turning)
        ground[:, :3] = -np.einsum("ni,nij->nj", unit, points.turning)
        ground[:, _DISTANCE] = -reach
        for k, (a, b) in axes.items():
            moved = points.middle[:, :2] * a[2] - a[:2]
            rows[:, k] = _slope(points, flow, size, a)
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
        sigmas = list(TUNING.attitude_rad)
        if round_ < TUNING.loose_rounds:
            sigmas[2] = TUNING.first_roll_rad
        for k, sigma in zip((_PITCH, _SLIP, _ROLL), sigmas, strict=True):
            bands[0, base + k] += sigma**-2
            flat[base + k] -= sigma**-2 * state[base + k]
        bands[0, base + _DISTANCE] += 1e-9
        bands[0] += 1e-9
        step = TUNING.attitude_step_rad
        for k, axis, sigma in (
            (_PITCH, np.cross(self.normal, self.travel), step),
            (_SLIP, np.zeros(3), TUNING.slip_step_rad),
            (_ROLL, self.travel, step),
        ):
            places = [_COUNT + k, k, 0, 1, 2, _COUNT, _COUNT + 1, _COUNT + 2]
            factors = np.array([1.0, -1.0, *(-axis / 2), *(-axis / 2)])
            at = base[:-1]
            apart = sum(f * state[at + p] for p, f in zip(places, factors, strict=True))
            for p, f in zip(places, factors, strict=True):
                flat[at + p] -= f * apart / sigma**2
                for r, g in zip(places, factors, strict=True):
                    if p >= r and f and g:
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
