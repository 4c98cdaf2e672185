"""Digits that were never seen plainly, lent by the typeface that looks most like the clip's own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from overlay.readout.decode import BOTTOM, TOP, Tones
from overlay.readout.layout import Layout
from overlay.readout.typefaces import DIGITS, drawings
from overlay.timebase import FloatArray

LEAST_LIKE, LEAST_KNOWN = 0.6, 3  # median correlation with digits that are known, and how many
INK = 0.5
LENT_SOFT_PX, LENT_DOUBT = 0.8, 0.15  # how far its strokes may be off, and be otherwise

Drawing = Callable[[str], FloatArray]


def with_unseen(tone: Tones, layout: Layout) -> Tones:
    """Tones of all ten digits: a digit that no tone has is not read as the next best instead.

    Parameters
    ----------
    tone : Tones
    layout : Layout
        Of the same clip.
    """
    missing = [d for d in DIGITS if d not in tone.signs]
    known = {d: tone.signs[d] for d in DIGITS if d in tone.signs}
    if not missing or len(known) < LEAST_KNOWN:
        return tone
    likes = [(_alike(known, face), k) for k, face in enumerate(drawings())]
    like, best = max(likes)
    if like < LEAST_LIKE:
        return tone
    lent = {d: _in_cell(drawings()[best], d, known, layout.wide(d)) for d in missing}
    return replace(tone, signs={**tone.signs, **lent})


def _alike(known: dict[str, FloatArray], face: Drawing) -> float:
    """Median correlation of the clip's digits with those of a typeface, brought to their widths."""
    found = []
    for digit, mean in known.items():
        left, right = _edges(mean)
        own = mean[:, left:right].ravel()
        other = _stretched(face(digit), right - left).ravel()
        found.append(float(np.corrcoef(own, other)[0, 1]))
    return float(np.median(found))


def _in_cell(face: Drawing, digit: str, known: dict[str, FloatArray], wide: int) -> FloatArray:
    """A digit as wide beside the clip's own as in its typeface, in the middle of its cell."""
    import cv2

    ratios = [np.ptp(_edges(mean)) / face(d).shape[1] for d, mean in known.items()]
    own = face(digit)
    size = int(np.clip(round(float(np.median(ratios)) * own.shape[1]), 2, wide))
    out = np.zeros((BOTTOM - TOP, wide))
    left = (wide - size) // 2
    out[:, left : left + size] = _stretched(own, size)
    # Its strokes may run a little otherwise.
    soft = np.asarray(cv2.GaussianBlur(out, (0, 0), LENT_SOFT_PX), float)
    return LENT_DOUBT + (1 - 2 * LENT_DOUBT) * soft


def _edges(mean: FloatArray) -> tuple[int, int]:
    columns = np.flatnonzero(mean.max(axis=0) > INK)
    return (int(columns[0]), int(columns[-1]) + 1) if len(columns) else (0, mean.shape[1])


def _stretched(patch: FloatArray, wide: int) -> FloatArray:
    import cv2

    rows = np.ascontiguousarray(patch[TOP:BOTTOM], dtype=np.float32)
    return np.asarray(cv2.resize(rows, (wide, len(rows)), interpolation=cv2.INTER_AREA), float)
