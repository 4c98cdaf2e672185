"""Reading the ribbon back from finished pixels.

The solid core of the tape is one even colour up to the speed and another beyond it; nothing else
crosses these rows. Left of zero the tape is always full and right of full scale always empty, so
the two levels are measured in the same picture. Speed fraction = the place of the edge between
them, found to a part of a pixel by the luma summed across it (an area is kept by blur, which is
all that resampling and encoding do to a straight edge).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

# Full and empty differ by at least this much, as a share of what was drawn; less is "no data".
LEAST_CONTRAST_SHARE = 0.5
# Columns on the wrong side of the edge that still make a tape, as a share of all.
MOST_WRONG_SHARE = 0.02
WINDOW_PX = 6  # half of the stretch the edge is measured over; wider than an encoder's ringing


@dataclass(frozen=True)
class ReadBand:
    """Where the tape's core lies, in gauge pixels (add the gauge's place for frame pixels)."""

    # Columns of zero and of full scale.
    x0: float
    x1: float
    # First row and row after the last of the part that is even in every frame.
    y0: int
    y1: int
    full_scale_mps: float  # speed at `x1`, m/s
    anchor_px: int  # columns before `x0` that are always full, and after `x1` that are always empty
    luma_step: float  # luma of full less luma of empty as drawn, in 8-bit limited-range codes

    @property
    def crop(self) -> tuple[int, int, int, int]:
        """(left, top, right, bottom), gauge pixels: the crop that :func:`read_ribbon` takes."""
        left = math.ceil(self.x0) - self.anchor_px
        right = math.floor(self.x1) + self.anchor_px
        return left, self.y0, right, self.y1

    def cut(self, luma: npt.NDArray[np.uint8], x: int, y: int) -> npt.NDArray[np.uint8]:
        """The crop out of a whole luma picture in which the gauge stands at (x, y)."""
        left, top, right, bottom = self.crop
        return luma[y + top : y + bottom, x + left : x + right]


def read_ribbon(luma_crop: npt.ArrayLike, band: ReadBand) -> float:
    """Fraction of full scale that the tape shows, or NaN where it shows no number.

    Parameters
    ----------
    luma_crop : array_like, shape (rows, columns)
        Luma within ``band.crop``, at the size drawn or resampled as a whole.

    Returns
    -------
    float
        0 to 1. NaN if the tape says "no data" or the crop does not show a tape.
    """
    luma = np.asarray(luma_crop, dtype=np.float64)
    left, _, right, _ = band.crop
    if luma.ndim != 2 or luma.shape[0] < 1 or luma.shape[1] < 4:
        return float("nan")
    scale = luma.shape[1] / (right - left)
    zero, full = (band.x0 - left) * scale, (band.x1 - left) * scale
    profile = np.median(luma, axis=0) if luma.shape[0] > 2 else luma.mean(axis=0)
    anchor = max(1, math.floor(band.anchor_px * scale * 0.7))
    level_full = float(np.median(profile[:anchor]))
    level_empty = float(np.median(profile[-anchor:]))
    if level_full - level_empty < LEAST_CONTRAST_SHARE * band.luma_step:
        return float("nan")
    covered = (profile - level_empty) / (level_full - level_empty)
    edge = _edge(covered, max(3, round(WINDOW_PX * max(scale, 0.5))))
    if math.isnan(edge):
        return edge
    return float(min(1.0, max(0.0, (edge - zero) / (full - zero))))


def _edge(covered: npt.NDArray[np.float64], window: int) -> float:
    """Column at which a step from 1 to 0 lies; NaN if the profile is no single step."""
    is_full = covered > 0.5
    # The best single step: the most columns full before it and empty after it.
    score = np.concatenate([[0], np.cumsum(np.where(is_full, 1, -1))])
    place = int(np.argmax(score))
    wrong = int(np.sum(~is_full[:place]) + np.sum(is_full[place:]))
    if wrong > MOST_WRONG_SHARE * len(covered):
        return float("nan")
    start, stop = max(0, place - window), min(len(covered), place + window)
    # Levels just outside the window, where there is room, follow slow errors of the encoder.
    before = covered[max(0, start - 2 * window) : start]
    after = covered[stop : stop + 2 * window]
    high = float(np.median(before)) if len(before) >= window else 1.0
    low = float(np.median(after)) if len(after) >= window else 0.0
    if high - low < 0.5:
        return float("nan")
    return start + float(np.sum((covered[start:stop] - low) / (high - low)))
