"""Corners followed from picture to picture: where scene points went, pair by pair.

Corners (Shi and Tomasi 1994) are kept spread over the picture, more of them in its lower half where
the ground lies, and followed by pyramidal Lucas-Kanade (Bouguet 2001) from where their last motion
predicts them; what does not come back to where it started is dropped (Kalal et al. 2010).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from overlay.footage.model import Luma
from overlay.motion.model import LONGEST_PAIR_S, BoolArray, Box
from overlay.timebase import FloatArray

Float32 = npt.NDArray[np.float32]


@dataclass(frozen=True)
class TrackTuning:
    """Set on real streets by ``python -m tests.benchmarks.accuracy.street``."""

    columns: int = 24
    rows: int = 12
    window_px: int = 11
    levels: int = 2
    least_eigenvalue: float = 4e-7
    largest_return_px: float = 0.5
    edge_px: int = 6
    longest_span_s: float = 0.12
    shortest_span_s: float = 1 / 32
    near_span: float = 0.75
    far_px: float = 22.0
    near_px: float = 9.0
    most_pairs: int = 20_000


TUNING = TrackTuning()


@dataclass(frozen=True, eq=False)
class Tracks:
    """Displacements of scene points between pairs of pictures."""

    pair: npt.NDArray[np.int64]  # shape (n,): which pair each belongs to, in order
    # shape (n,): pixels from the middle of the picture, right and down positive, in the first and
    # second picture of the pair
    x0: FloatArray
    y0: FloatArray
    x1: FloatArray
    y1: FloatArray
    # shape (pairs,): footage times of each pair's pictures
    start_s: FloatArray
    end_s: FloatArray
    lost_share: FloatArray  # shape (pairs,), 0 to 1: share of the corners that were not found again
    # Of the pictures, pixels
    width: int
    height: int


@dataclass(eq=False)
class CornerTracker:
    """Follows corners through pictures of one size, given one by one in time order.

    Not every picture is looked at: pairs lie as far apart as corners can be followed surely, so
    that slow motion is measured over longer spans.

    Parameters
    ----------
    ignore : sequence of Box
        Parts of the picture that are not the outside world.
    """

    ignore: Sequence[Box] = ()
    _before: Luma | None = None
    _before_s: float = 0.0
    _span_s: float = TUNING.longest_span_s / 2
    _points: Float32 = field(default_factory=lambda: np.zeros((0, 2), np.float32))
    _moving: Float32 = field(default_factory=lambda: np.zeros((0, 2), np.float32))
    _found: list[tuple[Float32, Float32]] = field(default_factory=list)
    _times: list[tuple[float, float]] = field(default_factory=list)
    _lost: list[float] = field(default_factory=list)
    _keep: BoolArray | None = None

    def add(self, t_s: float, luma: Luma) -> None:
        """Look at the next picture, shape (height, width), footage time in seconds."""
        if self._before is None or t_s - self._before_s > LONGEST_PAIR_S:
            self._points = self._moving = np.zeros((0, 2), np.float32)
            self._keep = _outside(self.ignore, luma.shape)
            self._start(t_s, luma)
            return
        # The picture nearest to the span wanted, where rates do not divide.
        if (
            t_s - self._before_s < TUNING.near_span * self._span_s
            or len(self._times) >= TUNING.most_pairs
        ):
            return
        self._follow(t_s, luma)
        self._start(t_s, luma)

    def tracks(self) -> Tracks:
        """All that was followed so far."""
        height, width = self._before.shape if self._before is not None else (0, 0)
        counts = [len(a) for a, _ in self._found]
        middle = np.array([(width - 1) / 2, (height - 1) / 2])
        empty = np.zeros((0, 2))
        first = np.concatenate([empty, *(a for a, _ in self._found)]) - middle
        second = np.concatenate([empty, *(b for _, b in self._found)]) - middle
        times = np.array(self._times).reshape(-1, 2)
        return Tracks(
            np.repeat(np.arange(len(counts)), counts),
            first[:, 0],
            first[:, 1],
            second[:, 0],
            second[:, 1],
            times[:, 0],
            times[:, 1],
            np.array(self._lost),
            width,
            height,
        )

    def _follow(self, t_s: float, luma: Luma) -> None:
        import cv2

        cv: Any = cv2
        span_s = t_s - self._before_s
        self._times.append((self._before_s, t_s))
        if not len(self._points):
            self._found.append((self._points, self._points))
            self._lost.append(1.0)
            return
        size = (TUNING.window_px, TUNING.window_px)
        given = {
            "winSize": size,
            "flags": cv.OPTFLOW_USE_INITIAL_FLOW,
            "criteria": (cv.TERM_CRITERIA_EPS | cv.TERM_CRITERIA_COUNT, 8, 0.02),
        }
        start = self._points
        guess = start + self._moving * np.float32(span_s)
        there, ok, _ = cv.calcOpticalFlowPyrLK(
            self._before, luma, start, guess, maxLevel=TUNING.levels, **given
        )
        back, ok_back, _ = cv.calcOpticalFlowPyrLK(
            luma, self._before, there, start.copy(), maxLevel=0, **given
        )
        height, width = luma.shape
        edge = TUNING.edge_px / 2
        good = (ok[:, 0] > 0) & (ok_back[:, 0] > 0)
        good &= np.hypot(*(back - start).T) < TUNING.largest_return_px
        good &= (there > edge).all(axis=1) & (there < (width - edge, height - edge)).all(axis=1)
        self._lost.append(1 - float(good.mean()))
        start, there = start[good], there[good]
        self._found.append((start, there))
        self._points, self._moving = there, (there - start) / np.float32(span_s)
        self._next_span(span_s, start, there)

    def _next_span(self, span_s: float, start: Float32, there: Float32) -> None:
        if len(start) < 20:
            self._span_s = TUNING.longest_span_s / 2
            return
        far = float(np.percentile(np.hypot(*(there - start).T), 85))
        if far > TUNING.far_px:
            self._span_s = max(span_s / 2, TUNING.shortest_span_s)
        elif far < TUNING.near_px:
            self._span_s = min(span_s * 1.5, TUNING.longest_span_s)

    def _start(self, t_s: float, luma: Luma) -> None:
        """Keep this picture, with new corners where there are few."""
        import cv2

        self._before, self._before_s = luma, t_s
        strength: Float32 = np.asarray(cv2.cornerMinEigenVal(luma, 5), np.float32)
        if self._keep is not None:
            strength[~self._keep] = 0
        new = _new_corners(strength, self._points)
        if not len(new):
            return
        moving = np.zeros_like(new)
        if len(self._points) > 5:
            apart = ((new[:, None] - self._points[None]) ** 2).sum(axis=-1)
            nearest = np.argpartition(apart, 3, axis=1)[:, :3]
            moving = np.median(self._moving[nearest], axis=1).astype(np.float32)
        self._points = np.concatenate([self._points, new])
        self._moving = np.concatenate([self._moving, moving])


def _outside(ignore: Sequence[Box], shape: tuple[int, ...]) -> BoolArray:
    """True where corners may lie, shape (height, width)."""
    height, width = shape
    keep = np.zeros((height, width), dtype=np.bool_)
    edge = TUNING.edge_px
    keep[edge:-edge, edge:-edge] = True
    for box in ignore:
        rows = slice(int(box.top * height), int(np.ceil(box.bottom * height)))
        keep[rows, int(box.left * width) : int(np.ceil(box.right * width))] = False
    return keep


def _new_corners(strength: Float32, points: Float32) -> Float32:
    """The strongest corner of each cell that holds too few, shape (n, 2)."""
    height, width = strength.shape
    rows, columns = TUNING.rows, TUNING.columns
    high, wide = height // rows, width // columns
    top, left = (height - high * rows) // 2, (width - wide * columns) // 2
    cells = strength[top : top + high * rows, left : left + wide * columns]
    cells = cells.reshape(rows, high, columns, wide).transpose(0, 2, 1, 3)
    cells = cells.reshape(rows, columns, high * wide)
    best = cells.argmax(axis=2)
    size = np.take_along_axis(cells, best[..., None], axis=2)[..., 0]
    row, column = np.indices((rows, columns))
    held = np.zeros((rows, columns), int)
    if len(points):
        at_row = np.clip((points[:, 1] - top) // high, 0, rows - 1).astype(int)
        at_column = np.clip((points[:, 0] - left) // wide, 0, columns - 1).astype(int)
        np.add.at(held, (at_row, at_column), 1)
    most = np.where(row >= rows // 2, 3, 1)
    most[: rows // 2, 1::2] = 0
    wanted = (held < most) & (size > TUNING.least_eigenvalue)
    x = left + column * wide + best % wide
    y = top + row * high + best // wide
    return np.stack([x[wanted], y[wanted]], axis=-1).astype(np.float32)
