"""Stretches of frames in which what is written stays, and their mean pictures."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from overlay.readout.glyphs import HIGH, Ink
from overlay.timebase import FloatArray

LEAST_CHANGE_PX = 0.010 * HIGH**2  # the least part in which two digits differ is about thrice that
FIRM = 90  # of 255: ink that is gained or lost beyond doubt
CHUNK = 256


@dataclass(frozen=True, eq=False)
class Hold:
    """Frames from `first` up to `last`, and their mean ink, 0 to 1, shape (ROWS, width)."""

    first: int
    last: int
    ink: FloatArray


def changes(ink: Ink) -> FloatArray:
    """Pixels of ink gained and lost from each frame on for good, shape (n,).

    Both frames before must agree on what was, and both frames from there on on what is, so that a
    picture that moves behind the digits counts for little.
    """
    flat = ink.reshape(len(ink), -1)
    out = np.zeros(len(ink))
    for start in range(2, len(ink) - 1, CHUNK):
        stop = min(start + CHUNK, len(ink) - 1)
        part = flat[start - 2 : stop + 1]
        low = np.minimum(part[1:], part[:-1])
        high = np.maximum(part[1:], part[:-1])
        lost = np.maximum(low[:-2], high[2:]) - high[2:] > FIRM
        gained = np.maximum(low[2:], high[:-2]) - high[:-2] > FIRM
        out[start:stop] = np.count_nonzero(lost, axis=1) + np.count_nonzero(gained, axis=1)
    return out


def holds(ink: Ink) -> list[Hold]:
    """Stretches between changes; too many where the picture behind looks like ink."""
    gone = changes(ink)
    peak = np.ones(len(gone), dtype=bool)
    peak[1:] &= gone[1:] >= gone[:-1]
    peak[:-1] &= gone[:-1] > gone[1:]
    edges = [0, *np.flatnonzero(peak & (gone > LEAST_CHANGE_PX)).tolist(), len(ink)]
    found = []
    for first, last in pairwise(edges):
        if last > first:
            settled = first + 1 if last - first > 3 else first
            found.append(Hold(first, last, ink[settled:last].mean(axis=0) / 255.0))
    return found
