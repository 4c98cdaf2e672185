"""Every frame read for itself, and all of them read as one record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from overlay.motion.model import BoolArray
from overlay.readout.decode import IntArray, Reader
from overlay.timebase import FloatArray

CHANGE_COST, JUMP_COST = 6.0, 0.7
RIVALS = 8
BY_GLYPHS = 4.0  # log odds that the glyphs of a stretch add
LOST = 0.65  # with less than that of a sign's strokes it is another
SURE_LEAD = 6.0  # log odds of a frame that leave no doubt
BEYOND_SHARE = 0.25  # of the step from one sure value to the next, by which one between may pass
# Log odds, in the middle of a stretch's frames, under which it is not read: as a rule, and where
# all of its digits look as they should.
LEAST_LEAD, PLAIN_LEAD = 5.0, 3.0
LEAST_FIT, PLAIN_FIT = 0.25, 0.7  # of the log odds that a digit has over a quiet scene


@dataclass(frozen=True, eq=False)
class Frames:
    """What every frame shows.

    Attributes
    ----------
    values : ndarray, shape (n,)
        NaN where no number can be read.
    alone : ndarray, shape (n,)
        The same, each frame read for itself.
    lead : ndarray, shape (n,)
        Log odds of the value against the next best, in that frame alone.
    """

    values: FloatArray
    alone: FloatArray
    lead: FloatArray


def read_frames(
    reader: Reader,
    texts: Sequence[str],
    values: FloatArray,
    shown: Sequence[tuple[int, int, str]],
) -> Frames:
    """The likeliest record of numbers.

    A number stays or changes at a cost, the more the further it jumps (Viterbi 1967, IEEE
    Transactions on Information Theory 13:260).

    Parameters
    ----------
    texts : sequence of str
        Every number that may stand there.
    values : ndarray
        Of each.
    shown : sequence of (first, last, text)
        What stretches of frames show by their glyphs, which speaks for it a little.
    """
    s = np.stack([reader.score(text) for text in texts], axis=1)
    few = min(RIVALS, len(texts))
    top = np.argsort(-s, axis=1)[:, :few]
    first = top[:, 0].copy()
    told = s.copy()
    for start, end, text in shown:
        if text in texts:
            told[start:end, texts.index(text)] += BY_GLYPHS
    path = _path(told, np.argsort(-told, axis=1)[:, :few], values)
    rows = np.arange(len(s))
    chosen = s[rows, path]
    others = s.copy()
    others[rows, path] = -np.inf
    lead = chosen - others.max(axis=1) if len(texts) > 1 else chosen
    found = values[path]
    there, fit = np.zeros(len(path), dtype=bool), np.zeros(len(path))
    for k in np.unique(path):
        frames = np.flatnonzero(path == k)
        there[frames] = reader.shown(texts[k], frames) >= LOST
        fit[frames] = reader.fit(texts[k], frames)
    sure = there & (fit > LEAST_FIT)
    if reader.knows_all:
        sure |= there & (lead > SURE_LEAD) & _between(found, sure)
    found[~sure] = np.nan
    edges = [0, *(np.flatnonzero(np.diff(path)) + 1).tolist(), len(path)]
    for start, end in pairwise(edges):
        plain = float(np.median(fit[start:end])) > PLAIN_FIT
        if float(np.median(lead[start:end])) < (PLAIN_LEAD if plain else LEAST_LEAD):
            found[start:end] = np.nan
    return Frames(found, values[first], lead)


def _between(values: FloatArray, sure: BoolArray) -> BoolArray:
    """Whether each value lies about between the next sure ones before and after."""
    known = np.flatnonzero(sure)
    if len(known) < 2:
        return sure
    at = np.searchsorted(known, np.arange(len(values)))
    last = len(known) - 1
    before = values[known[np.clip(at - 1, 0, last)]]
    after = values[known[np.clip(at, 0, last)]]
    low, high = np.minimum(before, after), np.maximum(before, after)
    slack = BEYOND_SHARE * (high - low) + float(np.min(np.diff(np.unique(values)), initial=1.0))
    return np.asarray((values >= low - slack) & (values <= high + slack))


def _path(s: FloatArray, top: IntArray, values: FloatArray) -> IntArray:
    step = float(np.min(np.diff(np.unique(values)))) if len(np.unique(values)) > 1 else 1.0
    count, few = len(top), len(top[0])
    best = s[0, top[0]]
    back = np.zeros((count, few), dtype=np.intp)
    rows = np.arange(few)
    for t in range(1, count):
        here, there = top[t], top[t - 1]
        jump = np.log1p(np.abs(values[here][:, None] - values[there][None, :]) / step)
        cost = np.where(here[:, None] == there[None, :], 0.0, CHANGE_COST + JUMP_COST * jump)
        total = best[None, :] - cost
        back[t] = np.argmax(total, axis=1)
        best = total[rows, back[t]] + s[t, here]
    k = int(np.argmax(best))
    out = np.zeros(count, dtype=np.intp)
    for t in range(count - 1, -1, -1):
        out[t] = top[t, k]
        k = int(back[t, k])
    return out
