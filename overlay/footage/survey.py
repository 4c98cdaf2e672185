"""Where a long recording moves, by a first look at its key frames alone.

Between runs a vehicle stands for minutes. Two key frames of a standing vehicle, a second apart,
show the same things at the same places; as soon as it moves, the ground close by is another.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from overlay.footage.frames import luma_frames
from overlay.footage.model import ClipFacts, Luma, LumaFrame


@dataclass(frozen=True)
class SurveyTuning:
    """Set by ``python -m tests.benchmarks.speed.long``."""

    least_s: float = 120.0  # shorter clips are looked at whole
    key_frames_apart_s: float = 2.5
    width_px: int = 160
    columns: int = 10
    rows: int = 6
    search_px: int = 4
    textured: float = 3.0  # standard deviation of a block, grey levels
    same_likeness: float = 0.6
    moving_share: float = 0.2
    least_blocks: int = 8
    around_s: float = 4.0
    worthwhile_share: float = 0.7


TUNING = SurveyTuning()


def moving_stretches(clip: ClipFacts) -> list[tuple[float, float]] | None:
    """The stretches of a long recording in which the vehicle may move, with what is around them.

    Returns
    -------
    list of (float, float) or None
        Footage times in seconds, in order, apart from each other; None where the whole clip is to
        be looked at: a short one, one with few key frames, too plain or too dark to tell, or one
        that moves most of the time.
    """
    if clip.duration_s < TUNING.least_s:
        return None
    keys = luma_frames(clip.path, width=TUNING.width_px, keys_only=True)
    found = _moving(keys, clip.duration_s)
    if not found:
        return None
    stretches = _joined(found, clip.duration_s)
    looked_at_s = sum(end - start for start, end in stretches)
    return stretches if looked_at_s < TUNING.worthwhile_share * clip.duration_s else None


def frames_within(
    path: str | os.PathLike[str], stretches: Iterable[tuple[float, float]] | None, *, width: int
) -> Iterator[LumaFrame]:
    """The small pictures of some stretches, or of all of a clip; errors as `luma_frames`."""
    for start_s, end_s in stretches if stretches is not None else [(None, None)]:
        yield from luma_frames(path, width=width, start_s=start_s, end_s=end_s)


def _moving(keys: Iterable[LumaFrame], duration_s: float) -> list[tuple[float, float]] | None:
    """Times between key frames that differ; None where that cannot be told."""
    pictures = list(keys)
    ends_s = [picture.t_s for picture in pictures] + [duration_s]
    if len(pictures) < 2 or max(np.diff(ends_s)) > TUNING.key_frames_apart_s:
        return None
    out, told = [], 0
    for one, two in pairwise(pictures):
        lost = lost_share(one.luma, two.luma)
        told += lost is not None
        if lost is None or lost > TUNING.moving_share:
            out.append((one.t_s, two.t_s))
    return out if told >= len(pictures) / 2 else None


def lost_share(one: Luma, two: Luma) -> float | None:
    """Share of the textured blocks of a picture that another does not show about there, 0 to 1.

    Parameters
    ----------
    one, two : ndarrays of uint8, shape (height, width)

    Returns
    -------
    float or None
        None where too few blocks have any texture.
    """
    import cv2

    cv: Any = cv2
    height, width = one.shape
    edge = TUNING.search_px
    high, wide = (height - 2 * edge) // TUNING.rows, (width - 2 * edge) // TUNING.columns
    first, second = one.astype(np.float32), two.astype(np.float32)
    lost = seen = 0
    for top in range(edge, height - edge - high + 1, high):
        for left in range(edge, width - edge - wide + 1, wide):
            block = first[top : top + high, left : left + wide]
            if float(block.std()) < TUNING.textured:
                continue
            around = second[top - edge : top + high + edge, left - edge : left + wide + edge]
            likeness = cv.matchTemplate(around, block, cv.TM_CCOEFF_NORMED).max()
            seen += 1
            lost += float(likeness) < TUNING.same_likeness
    return lost / seen if seen >= TUNING.least_blocks else None


def _joined(moving: list[tuple[float, float]], duration_s: float) -> list[tuple[float, float]]:
    """The stretches widened, those that then touch made one."""
    out: list[tuple[float, float]] = []
    for start_s, end_s in moving:
        start_s = max(start_s - TUNING.around_s, 0.0)
        end_s = min(end_s + TUNING.around_s, duration_s)
        if out and start_s <= out[-1][1] + TUNING.around_s:
            out[-1] = (out[-1][0], end_s)
        else:
            out.append((start_s, end_s))
    return out
