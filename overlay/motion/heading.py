"""Where a camera is headed and how it turns, and its focal length, from corner tracks.

Every corner that stands still moves on a line through the point the camera heads for, once turning
is taken out. One direction of travel serves all pairs, since a camera is fixed to its vehicle; each
pair slips a little to the side of it, in bends above all, and without that freedom bends would be
taken for another focal length.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from overlay.motion.model import BoolArray
from overlay.motion.tracks import Tracks
from overlay.timebase import FloatArray


@dataclass(frozen=True)
class Tuning:
    """Set on real streets by ``python -m tests.benchmarks.accuracy.street``.

    `bend` is one over the usual radius of crests and dips, in camera heights, and `bend_step` how
    much it changes over one: a road for 50 km/h is built with radii of 700 m and more (AASHTO,
    "A Policy on Geometric Design of Highways and Streets", from memory), some 500 heights.
    """

    noise_px: float = 0.3
    ground_share: float = 0.04  # relief of the ground: relative error of what a corner says
    above_weight: float = 1.3  # what does not lie on the ground stands above it
    least_below_horizon: float = 0.05
    attitude_step_rad: float = 3e-4  # of the ground's own bends, from pair to pair
    slip_step_rad: float = 2e-3
    bend: float = 2e-3
    bend_step: float = 4e-4
    least_gone: float = 0.05
    attitude_rad: tuple[float, float, float] = (0.02, 0.02, 0.01)  # pitch, slip, roll
    first_roll_rad: float = 0.1
    rounds: int = 12
    loose_rounds: int = 4
    fresh_rounds: tuple[int, ...] = (0, 4)
    focal_shares: tuple[float, ...] = (0.45, 0.6, 0.8, 1.1)
    usual_focal_share: float = 0.7
    usual_focal_spread: float = 0.35  # relative
    focal_turn_px: float = 2.0
    focal_steps: tuple[float, ...] = (0.89, 1.0, 1.12)  # of a second look
    focal_cost: float = 10.0  # errors of neighbouring corners and pairs go together
    sample_pairs: int = 90
    way_heights: float = 2.0  # half the width of the way, in camera heights
    crowd_px: float = 20.0
    most_in_cell: int = 2
    least_corners: int = 12
    least_pairs: int = 8
    stretch_pairs: int = 1500
    rates: int = 90
    rate_step_cost: float = 0.15
    bound_share: float = 0.25


TUNING = Tuning()


@dataclass(frozen=True, eq=False)
class Points:
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


def picked(tracks: Tracks, pairs: BoolArray, corners: BoolArray | None = None) -> Tracks:
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


def cell_of(tracks: Tracks) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
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


def points_of(tracks: Tracks, focal_px: float) -> Points:
    """Corners of tracks in focal lengths, at a focal length in pixels."""
    x0, y0, x1, y1 = (a / focal_px for a in (tracks.x0, tracks.y0, tracks.x1, tracks.y1))
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    return Points(
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
    _, where, count = np.unique(cell_of(tracks), return_inverse=True, return_counts=True)
    return np.asarray(1 / count[where])


def camera_of(tracks: Tracks, known_share: float | None = None) -> tuple[float, float, FloatArray]:
    """Focal length in pixels, its relative standard uncertainty, the usual direction of travel.

    Parameters
    ----------
    known_share : float, optional
        Focal length over the picture's longer side, where it is known.
    """
    longer = max(tracks.width, tracks.height)
    flow = np.hypot(tracks.x1 - tracks.x0, tracks.y1 - tracks.y0)
    size = np.bincount(tracks.pair, flow) / np.bincount(tracks.pair)
    moving = size > 0.3 * np.percentile(size, 90)
    numbers = np.flatnonzero(moving)
    focal = (known_share or TUNING.usual_focal_share) * longer
    few = among(numbers[:: max(1, len(numbers) // TUNING.sample_pairs)], len(size))
    first = points_of(picked(tracks, few), focal)
    travel, *_ = min((heading_of(first, start) for start in _starts()), key=lambda each: each[2])
    if known_share is not None:
        return focal, 0.0, travel
    numbers = numbers[:: max(1, len(numbers) // TUNING.stretch_pairs)]
    some = points_of(picked(tracks, among(numbers, len(size))), focal)
    turn = heading_of(some, travel, rounds=6, fixed=True)[1]
    turned = np.hypot(turn[:, 0], turn[:, 1]) * focal
    most = np.argsort(-turned)[: TUNING.sample_pairs]
    if float(turned[most].mean()) < TUNING.focal_turn_px:
        return focal, TUNING.usual_focal_spread, travel
    sample = picked(tracks, among(numbers[most], len(size)))

    def cost_of(log_share: float) -> float:
        share = float(np.exp(log_share))
        there = travel * [1, 1, share / TUNING.usual_focal_share]
        cost = heading_of(points_of(sample, share * longer), there)[2] / TUNING.focal_cost
        unusual = np.log(share / TUNING.usual_focal_share) / TUNING.usual_focal_spread
        return float(cost + 0.5 * unusual**2)

    wide = np.log(TUNING.focal_shares)
    near = _lowest(wide, np.array(list(map(cost_of, wide))))[0] + np.log(TUNING.focal_steps)
    log_share, sigma = _lowest(near, np.array(list(map(cost_of, near))))
    focal = float(np.exp(log_share)) * longer
    return focal, sigma, heading_of(points_of(sample, focal), travel)[0]


def among(numbers: np.ndarray[tuple[int, ...], np.dtype[np.int64]], size: int) -> BoolArray:
    """Which of `size` are among some numbers."""
    out = np.zeros(size, dtype=np.bool_)
    out[numbers] = True
    return out


def _lowest(x: FloatArray, cost: FloatArray) -> tuple[float, float]:
    """Where a parabola through the least value and its neighbours is lowest, and how surely.

    `cost` is minus a log likelihood, so that the standard uncertainty is the parabola's width.
    """
    k = int(np.clip(np.argmin(cost), 1, len(x) - 2))
    a, b, _ = np.polyfit(x[k - 1 : k + 2], cost[k - 1 : k + 2], 2)
    if a <= 0:
        return float(x[np.argmin(cost)]), TUNING.usual_focal_spread
    sigma = min(1 / np.sqrt(2 * a), TUNING.usual_focal_spread)
    return float(np.clip(-b / (2 * a), x[0], x[-1])), float(sigma)


def _starts() -> Iterator[FloatArray]:
    for degrees in (0.0, 45.0, 90.0, 135.0):
        yield np.array([np.sin(np.radians(degrees)), 0.0, np.cos(np.radians(degrees))])


def sideways(points: Points, travel: FloatArray, flow: FloatArray) -> tuple[FloatArray, ...]:
    """Lines to the point headed for: unit vectors, their normals, lengths, misfits across."""
    q = points.middle[:, :2] * travel[..., 2:] - travel[..., :2]
    size = np.hypot(q[:, 0], q[:, 1]) + 1e-6
    unit = q / size[:, None]
    normal = np.stack([-unit[:, 1], unit[:, 0]], -1)
    return unit, normal, size, np.sum(normal * flow, axis=1)


def flow_without_turning(points: Points, turn: FloatArray) -> FloatArray:
    """Flow that turning leaves."""
    turned = np.einsum("nij,nj->ni", points.turning, turn[points.pair])
    return np.asarray(points.flow - turned)


def slope(points: Points, flow: FloatArray, size: FloatArray, axis: FloatArray) -> FloatArray:
    """Change of the misfit across as the direction of travel moves along an axis, shape (n,)."""
    moved = points.middle[:, :2] * axis[2] - axis[:2]
    return np.asarray((-moved[:, 1] * flow[:, 0] + moved[:, 0] * flow[:, 1]) / size)


def heading_of(
    points: Points, travel: FloatArray, *, rounds: int = 14, fixed: bool = False
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
        slip_axis = np.cross(travel, ground_below(travel))
        heading = (travel + own[:, 3:] * slip_axis)[points.pair]
        flow = flow_without_turning(points, own[:, :3])
        _, normal, size, rest = sideways(points, heading, flow)
        width = points.noise * max(1.5, 24 * 0.6**round_)
        weight = points.share / (1 + (rest / width) ** 2)

        turning = -np.einsum("ni,nij->nj", normal, points.turning)
        rows = np.column_stack([turning, slope(points, flow, size, slip_axis)])
        heavy = weight[:, None] * rows
        left = points.products(heavy, rows) + prior
        right = points.total(heavy * rest[:, None]) + own @ prior
        change: FloatArray = np.zeros(2)
        step = np.linalg.solve(left, right[..., None])[..., 0]
        if round_ >= 3 and not fixed:
            basis = np.linalg.svd(travel[None])[2][1:]
            across = np.column_stack([slope(points, flow, size, axis) for axis in basis])
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


def ground_below(travel: FloatArray) -> FloatArray:
    """Where the ground lies below a camera held about upright, across the direction of travel."""
    down = np.array([0.0, 1.0, 0.0])
    normal = down - travel * (down @ travel)
    return np.asarray(normal / np.linalg.norm(normal))
