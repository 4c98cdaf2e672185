"""Every frame read for itself by the clip's own digits, and all of them read as one record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from overlay.readout.glyphs import ABOVE, HIGH, Ink
from overlay.readout.layout import Layout
from overlay.timebase import FloatArray

IntArray = npt.NDArray[np.intp]

TOP, BOTTOM = ABOVE - 3, ABOVE + HIGH + 3
LEAST_TONE, MOST_TONE = 0.03, 0.97
LEAST_GROUND, MOST_GROUND = 0.02, 0.3
SOFT_PX = 0.7  # places are whole columns: edges may be off by half of one
TEMPER = 10.0  # neighbouring pixels err together: so many count as one
CHANGE_COST, JUMP_COST = 6.0, 0.7
RIVALS = 8
BY_GLYPHS = 4.0  # log odds that the glyphs of a stretch add
MOST_WEIGHT = 10  # frames: longer holds say no more of what a sign looks like
CHUNK = 256
STROKE, LOST = 0.7, 0.5  # mean ink of a stroke; with less of a sign's strokes it is another
MOVED = 0.3  # weight of what stands behind digits of several widths


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


@dataclass(frozen=True, eq=False)
class Tones:
    """Mean ink, 0 to 1, of rows `TOP` to `BOTTOM`.

    Attributes
    ----------
    signs : dict of str to ndarray
        Of each sign in its cell.
    beside : dict of int to ndarray, shape (rows, width)
        Of the whole line with a number of that many signs: what stands beside it is what counts.
    """

    signs: dict[str, FloatArray]
    beside: dict[int, FloatArray]


def tones(ink: Ink, layout: Layout, shown: Sequence[tuple[int, int, str]]) -> Tones:
    """Mean ink from frames whose text is known.

    Parameters
    ----------
    shown : sequence of (first, last, text)
        Frames from `first` up to `last` show `text`.
    """
    sums: dict[str | int, FloatArray] = {}
    counts: dict[str | int, float] = {}

    def add(key: str | int, part: FloatArray, weight: float) -> None:
        sums[key] = sums.get(key, 0.0) + weight * part
        counts[key] = counts.get(key, 0.0) + weight

    for first, last, text in shown:
        cells = layout.cells(text)
        if cells is None:
            continue
        mean = ink[first:last, TOP:BOTTOM].mean(axis=0) / 255.0
        weight = min(last - first, MOST_WEIGHT)
        add(len(text), mean, weight)
        for sign, (start, _) in zip(text, cells, strict=True):
            left, wide = round(start), layout.wide(sign)
            if left >= 0 and left + wide <= mean.shape[1]:
                add(sign, mean[:, left : left + wide], weight)
    means = {key: total / counts[key] for key, total in sums.items()}
    return Tones(
        {key: mean for key, mean in means.items() if isinstance(key, str)},
        {key: mean for key, mean in means.items() if isinstance(key, int)},
    )


def ground_ink(ink: Ink, layout: Layout, text: str) -> float:
    """How much ink there seems to be where there is none: what the picture behind looks like."""
    cells = layout.cells(text)
    assert cells is not None
    left, right = max(0, round(cells[0][0])), round(cells[-1][1])
    rows = ink[:: max(1, len(ink) // 200), :, left:right].astype(np.float64) / 255.0
    above = rows[:, : ABOVE - 4].mean() if ABOVE > 4 else 0.0
    return float(np.clip(above, LEAST_GROUND, MOST_GROUND))


class Reader:
    """Scores of any number in every frame.

    Parameters
    ----------
    ink : ndarray of uint8, shape (n, ROWS, width)
    layout : Layout
    tone : Tones
    ground : float
        From :func:`ground_ink`.
    """

    def __init__(self, ink: Ink, layout: Layout, tone: Tones, ground: float) -> None:
        self._ink = ink
        self._layout = layout
        self._tone = tone
        self._ground = ground
        self._weights = {sign: self._odds(mean) for sign, mean in tone.signs.items()}
        self._known: dict[tuple[str, int], FloatArray] = {}
        self._columns = {n: self._by_column(mean) for n, mean in tone.beside.items()}

    def can_read(self, text: str) -> bool:
        """Whether all signs of a number, and their places, are known."""
        cells = self._layout.cells(text)
        if cells is None or len(text) not in self._columns:
            return False
        if any(sign not in self._weights for sign in text):
            return False
        return cells[0][0] > -1.5 and cells[-1][1] < self._ink.shape[2] + 1.5

    def score(self, text: str) -> FloatArray:
        """Log odds of a number, and what stands beside it, against the ground, shape (n,)."""
        cells = self._layout.cells(text)
        assert cells is not None
        total: FloatArray = np.zeros(len(self._ink))
        end = round(cells[0][0])
        for sign, (start, _) in zip(text, cells, strict=True):
            total = total + self._sign(sign, round(start))
            end = round(start) + self._layout.wide(sign)
        columns = self._columns[len(text)]
        last = columns.shape[1] - 1
        first, end = (min(max(at, 0), last) for at in (round(cells[0][0]), end))
        behind = columns[:, last] - columns[:, end]
        # A unit that moves with the widths of digits blurs what is known of it.
        behind = behind * (MOVED if float(np.ptp(self._layout.advances[:10])) > 1.0 else 1.0)
        beside = behind + columns[:, first]
        return (total + beside) / TEMPER

    def shown(self, text: str, frames: IntArray) -> FloatArray:
        """Share of the ink that is there in some frames, of the sign that lacks most."""
        least = np.ones(len(frames))
        for sign, (start, _) in zip(text, self._layout.cells(text) or (), strict=True):
            left, strokes = round(start), self._tone.signs[sign] > STROKE
            first, last = max(left, 0), min(left + strokes.shape[1], self._ink.shape[2])
            strokes = strokes[:, first - left : last - left]
            part = self._ink[frames, TOP:BOTTOM, first:last]
            there = part[:, strokes].sum(axis=1) / 255.0
            least = np.minimum(least, there / max(float(np.count_nonzero(strokes)), 1.0))
        return least

    def _odds(self, mean: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Log odds of ink against the ground's, less those of no ink; and these."""
        import cv2

        p = np.clip(cv2.GaussianBlur(mean, (0, 0), SOFT_PX), LEAST_TONE, MOST_TONE)
        on, off = np.log(p / self._ground), np.log((1 - p) / (1 - self._ground))
        return (on - off) / 255.0, off

    def _sign(self, sign: str, left: int) -> FloatArray:
        if (sign, left) not in self._known:
            weight, off = self._weights[sign]
            first, last = max(left, 0), min(left + weight.shape[1], self._ink.shape[2])
            rows = weight[:, first - left : last - left].astype(np.float32)
            part = self._ink[:, TOP:BOTTOM, first:last].reshape(len(self._ink), -1)
            odds = part.astype(np.float32) @ rows.ravel()
            self._known[sign, left] = odds.astype(np.float64) + float(off.sum())
        return self._known[sign, left]

    def _by_column(self, mean: FloatArray) -> FloatArray:
        """Log odds of all columns before each, shape (n, width + 1)."""
        weight, off = self._odds(mean)
        out = np.zeros((len(self._ink), mean.shape[1] + 1))
        for start in range(0, len(self._ink), CHUNK):
            part = self._ink[start : start + CHUNK, TOP:BOTTOM].astype(np.float32)
            columns = np.einsum("nrc,rc->nc", part, weight.astype(np.float32)) + off.sum(axis=0)
            out[start : start + CHUNK, 1:] = np.cumsum(columns, axis=1)
        return out


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
    for k in np.unique(path):
        frames = np.flatnonzero(path == k)
        found[frames[reader.shown(texts[k], frames) < LOST]] = np.nan
    return Frames(found, values[first], lead)


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
