"""Where a camera is headed and how it turns, from corner tracks.

Every corner that stands still moves on a line through the point the camera heads for, once turning
is taken out. One direction of travel serves all pairs, since a camera is fixed to its vehicle; each
pair slips a little to the side of it, in bends above all, and without that freedom bends would be
taken for another focal length.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from overlay.motion.camera import straightened
from overlay.motion.model import BoolArray
from overlay.motion.tracks import Tracks
from overlay.timebase import FloatArray


@dataclass(frozen=True)
class HeadingTuning:
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
    least_gone: float = 0.05  # camera heights: `bend` may change even as the vehicle stands
    attitude_rad: tuple[float, float, float] = (0.02, 0.02, 0.01)  # pitch, slip, roll
    first_roll_rad: float = 0.1
    rounds: int = 12
    loose_rounds: int = 4
    fresh_rounds: tuple[int, ...] = (0, 4)
    way_heights: float = 2.0  # half the width of the way, in camera heights
    crowd_px: float = 20.0
    most_in_cell: int = 2
    least_corners: int = 12
    least_pairs: int = 8
    stretch_pairs: int = 1500
    rates: int = 90
    rate_step_cost: float = 0.15
    bound_share: float = 0.25


TUNING = HeadingTuning()


@dataclass(frozen=True, eq=False)
class Points:
    """Corners in focal lengths: middles (n, 3), flows (n, 2), turning fields (n, 2, 3), pairs.

    `share` is the weight of each: those that crowd together say hardly more than one. `noise` of a
    place is its standard uncertainty.
    """

    middle: FloatArray
    flow: FloatArray
    turning: FloatArray
    first: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
    pair: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
    share: FloatArray
    noise: FloatArray

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


def points_of(tracks: Tracks, focal_px: float, lens: float = 0.0) -> Points:
    """Corners of tracks in focal lengths, as a lens that keeps straight lines would show them.

    Parameters
    ----------
    focal_px, lens
        See :class:`~overlay.motion.camera.Camera`; the focal length in pixels.
    """
    x0, y0, grown = straightened(tracks.x0 / focal_px, tracks.y0 / focal_px, lens)
    x1, y1, grown_then = straightened(tracks.x1 / focal_px, tracks.y1 / focal_px, lens)
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    within = np.isfinite(grown + grown_then)
    noise = TUNING.noise_px / focal_px * np.where(within, np.maximum(grown, grown_then), 1.0)
    return Points(
        np.stack([x, y, np.ones_like(x)], -1),
        np.stack([x1 - x0, y1 - y0], -1),
        turning_field(x, y),
        np.searchsorted(tracks.pair, np.arange(len(tracks.start_s))),
        tracks.pair,
        np.where(within, crowding(tracks), 0.0),
        noise,
    )


def crowding(tracks: Tracks) -> FloatArray:
    """One over how many corners of a pair share a cell of the picture, shape (n,)."""
    _, where, count = np.unique(cell_of(tracks), return_inverse=True, return_counts=True)
    return np.asarray(1 / count[where])


def among(numbers: np.ndarray[tuple[int, ...], np.dtype[np.int64]], size: int) -> BoolArray:
    """Which of `size` are among some numbers."""
    out = np.zeros(size, dtype=np.bool_)
    out[numbers] = True
    return out


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
    least = float(points.noise.min())
    prior = np.diag([1e-9, 1e-9, 1e-9, (least / TUNING.attitude_rad[1]) ** 2])
    share = points.share * (least / points.noise) ** 2
    rest: FloatArray = np.zeros(len(points.pair))
    for round_ in range(rounds):
        slip_axis = np.cross(travel, ground_below(travel))
        heading = (travel + own[:, 3:] * slip_axis)[points.pair]
        flow = flow_without_turning(points, own[:, :3])
        _, normal, size, rest = sideways(points, heading, flow)
        width = points.noise * max(1.5, 24 * 0.6**round_)
        weight = share / (1 + (rest / width) ** 2)

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
