"""Corners followed from each picture to the next: other evidence of motion than the fit used.

The alignment measures a dense flow on a grid of cells. Here single corners (Harris and Stephens
1988, "A combined corner and edge detector") are followed by pyramids of small windows (Lucas and
Kanade 1981; Bouguet 2001), there and back again, at a larger size of picture; those that do not
come home are dropped.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from overlay.footage.model import Luma, LumaFrame
from overlay.timebase import FloatArray

Float32 = npt.NDArray[np.float32]
Box = tuple[float, float, float, float]  # left, top, right, bottom, shares of the picture

MOST_CORNERS = 400
# Every picture is searched in a grid of this many parts, lest a hedge take all corners.
PARTS = (6, 4)
QUALITY = 0.001  # of the strongest corner of the part, in the fourth power of contrast
EDGE_K = 0.1  # a corner's weaker direction has at least an eighth of the stronger one's power
BLOCK_PX = 7
APART_PX = 5
WINDOW_PX = 13
LEVELS = 4
HOME_PX = 0.7  # how far from its start a corner may come back
RENEW_SHARE = 0.7
BORDER_PX = 4
# Bodywork: parts of this size, low in the picture, whose corners stay put (within STILL_PX, this
# share of at least so many seen) while a tenth of all corners move by LIVELY_PX or more.
PART_PX = 20
STILL_PX, LIVELY_PX = 0.8, 5.0
STILL_SHARE, STILL_SEEN = 0.8, 20
LOW_SHARE = 0.45
LEAST_STEP_S = 0.024  # pictures closer than this to the one before add noise, not motion


@dataclass(frozen=True, eq=False)
class CornerPairs:
    """Corners of many pairs of pictures, padded to one number a pair."""

    size: tuple[int, int]  # of the pictures, pixels
    # shape (n,): Footage times of the two pictures of each pair.
    start_s: FloatArray
    end_s: FloatArray
    # shape (n, corners, 2): Half-way place from the picture's middle, and displacement, pixels.
    place: FloatArray
    move: FloatArray
    ok: npt.NDArray[np.bool_]  # shape (n, corners): Which of them are corners and no padding
    difference: FloatArray  # shape (n,): Mean absolute difference of the two pictures, grey levels

    def __len__(self) -> int:
        return len(self.start_s)


class CornerFollower:
    """Takes pictures of one size in time order and keeps what their corners do.

    Parameters
    ----------
    ignore : sequence of Box
        Parts of the picture that are not the outside world.
    """

    def __init__(self, ignore: Sequence[Box] = ()) -> None:
        import cv2

        self._cv: Any = cv2
        self._ignore = tuple(ignore)
        self._mask: npt.NDArray[np.uint8] | None = None
        self._before: tuple[float, Luma] | None = None
        self._corners: Float32 = np.zeros((0, 2), np.float32)
        self._fresh = 0
        self._seen: FloatArray = np.zeros((0, 0, 2))
        self._step: Float32 = np.zeros((0, 2), np.float32)
        self._rows: list[tuple[float, float, Float32, Float32, float]] = []

    def add(self, frame: LumaFrame) -> None:
        """The next picture; left out where it comes too soon after the one before."""
        if self._before is not None and frame.t_s - self._before[0] < LEAST_STEP_S:
            return
        luma = frame.luma
        if self._mask is None:
            self._mask = self._outside(luma.shape)
            self._seen = np.zeros((*(size // PART_PX + 1 for size in luma.shape), 2))
        if self._before is not None:
            self._pair(self._before, (frame.t_s, luma))
        self._before = (frame.t_s, luma)

    def pairs(self) -> CornerPairs:
        """Everything followed so far."""
        n = len(self._rows)
        most = max((len(row[2]) for row in self._rows), default=0)
        place, move = np.zeros((n, most, 2)), np.zeros((n, most, 2))
        ok = np.zeros((n, most), np.bool_)
        width, height = (1, 1) if self._mask is None else self._mask.shape[::-1]
        middle = np.array([(width - 1) / 2, (height - 1) / 2])
        for k, row in enumerate(self._rows):
            count = len(row[2])
            place[k, :count] = (row[2] + row[3]) / 2 - middle
            move[k, :count] = row[3] - row[2]
            ok[k, :count] = True
        start, end, difference = (
            np.array([row[i] for row in self._rows], dtype=np.float64) for i in (0, 1, 4)
        )
        return CornerPairs((width, height), start, end, place, move, ok, difference)

    def _outside(self, shape: tuple[int, ...]) -> npt.NDArray[np.uint8]:
        """255 where corners may stand: a window must not touch what is ignored."""
        height, width = shape
        reach = WINDOW_PX // 2 + 1
        mask = np.zeros(shape, np.uint8)
        mask[BORDER_PX : height - BORDER_PX, BORDER_PX : width - BORDER_PX] = 255
        for box in self._ignore:
            left, top = (max(0, int(box[i] * (width, height)[i]) - reach) for i in (0, 1))
            mask[top : int(box[3] * height) + reach, left : int(box[2] * width) + reach] = 0
        return mask

    def _pair(self, first: tuple[float, Luma], second: tuple[float, Luma]) -> None:
        cv = self._cv
        if len(self._corners) < RENEW_SHARE * self._fresh or self._fresh == 0:
            self._renew(first[1])
        difference = float(cv.norm(first[1], second[1], cv.NORM_L1)) / first[1].size
        start = self._corners
        there, kept = self._followed(first[1], second[1])
        self._rows.append((first[0], second[0], start[kept], there[kept], difference))
        self._step = (there - start)[kept]
        self._corners = there[kept]
        self._count_still()
        self._drop_covered()

    def _followed(self, first: Luma, second: Luma) -> tuple[Float32, npt.NDArray[np.bool_]]:
        """Where each corner went, and whether it came home when followed back."""
        cv, start = self._cv, self._corners
        if not len(start):
            return start, np.zeros(0, np.bool_)
        options = {
            "winSize": (WINDOW_PX, WINDOW_PX),
            "maxLevel": LEVELS,
            "criteria": (cv.TERM_CRITERIA_EPS | cv.TERM_CRITERIA_COUNT, 12, 0.02),
        }
        guess = np.ascontiguousarray(start + self._step)[:, None]
        flag = cv.OPTFLOW_USE_INITIAL_FLOW
        there, found, _ = cv.calcOpticalFlowPyrLK(
            first, second, start[:, None], guess.copy(), flags=flag, **options
        )
        home, back, _ = cv.calcOpticalFlowPyrLK(
            second, first, there, there - self._step[:, None], flags=flag, **options
        )
        there = there[:, 0]
        astray = np.hypot(*(home[:, 0] - start).T)
        kept = (found[:, 0] == 1) & (back[:, 0] == 1) & (astray < HOME_PX)
        return there, np.asarray(kept)

    def _count_still(self) -> None:
        """Count, in each part of the picture, corners that stay put while others move."""
        length = np.hypot(*self._step.T)
        if not len(length) or np.percentile(length, 90) < LIVELY_PX:
            return
        column, row = (np.clip(self._corners.T, 0, None) // PART_PX).astype(int)
        inside = (row < self._seen.shape[0]) & (column < self._seen.shape[1])
        seen = np.stack([np.ones(len(length)), length < STILL_PX], axis=-1)
        np.add.at(self._seen, (row[inside], column[inside]), seen[inside])

    def _free(self) -> npt.NDArray[np.uint8]:
        """The mask without bodywork."""
        assert self._mask is not None
        height, width = self._mask.shape
        stood = (self._seen[..., 1] > STILL_SHARE * self._seen[..., 0]) & (
            self._seen[..., 0] >= STILL_SEEN
        )
        stood[: int(LOW_SHARE * height / PART_PX)] = False
        whole = np.kron(stood, np.ones((PART_PX, PART_PX), np.uint8))[:height, :width]
        return np.where(whole > 0, np.uint8(0), self._mask)

    def _drop_covered(self) -> None:
        """Leave out corners that ran under a gauge or out of the picture."""
        assert self._mask is not None
        height, width = self._mask.shape
        at = np.rint(self._corners).astype(int)
        inside = (at[:, 0] >= 0) & (at[:, 0] < width) & (at[:, 1] >= 0) & (at[:, 1] < height)
        inside[inside] = self._mask[at[inside, 1], at[inside, 0]] > 0
        self._corners, self._step = self._corners[inside], self._step[inside]

    def _renew(self, luma: Luma) -> None:
        """Corners of this picture, some in each part; those followed so far give the guess."""
        cv, mask = self._cv, self._free()
        height, width = luma.shape
        across, down = PARTS if width >= height else PARTS[::-1]
        parts = [
            (
                slice(i * height // down, (i + 1) * height // down),
                slice(j * width // across, (j + 1) * width // across),
            )
            for i in range(down)
            for j in range(across)
        ]
        parts = [part for part in parts if mask[part].any()]
        found = []
        for rows, columns in parts:
            corners = cv.goodFeaturesToTrack(
                luma[rows, columns],
                MOST_CORNERS // len(parts),
                QUALITY,
                APART_PX,
                mask=mask[rows, columns],
                blockSize=BLOCK_PX,
                useHarrisDetector=True,
                k=EDGE_K,
            )
            if corners is not None:
                found.append(corners[:, 0] + np.array([columns.start, rows.start], np.float32))
        fresh = np.concatenate(found) if found else np.zeros((0, 2), np.float32)
        self._step = self._guessed(fresh)
        self._corners = np.ascontiguousarray(fresh, dtype=np.float32)
        self._fresh = len(fresh)

    def _guessed(self, fresh: Float32) -> Float32:
        """The step of the nearest corner followed so far, for each new one."""
        if not len(self._corners) or not len(fresh):
            return np.zeros_like(fresh)
        apart = fresh[:, None] - self._corners[None]
        nearest = np.argmin(np.einsum("nmk,nmk->nm", apart, apart), axis=1)
        step: Float32 = self._step[nearest]
        return step


def follow_corners(frames: Iterable[LumaFrame], *, ignore: Sequence[Box] = ()) -> CornerPairs:
    """Follow corners through the pictures of a clip.

    Parameters
    ----------
    frames : iterable of LumaFrame
        Upright pictures of one size, in time order.
    ignore : sequence of Box
        Parts of the picture that are not the outside world.
    """
    follower = CornerFollower(ignore)
    for frame in frames:
        follower.add(frame)
    return follower.pairs()
