"""How well any number fits every frame, by the clip's own digits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from overlay.readout.glyphs import ABOVE, HIGH, SOLID, Ink
from overlay.readout.layout import Layout
from overlay.readout.typefaces import DIGITS
from overlay.timebase import FloatArray

IntArray = npt.NDArray[np.intp]

TOP, BOTTOM = ABOVE - 3, ABOVE + HIGH + 3
LEAST_TONE, MOST_TONE = 0.03, 0.97
LEAST_SCENE = 0.02  # share of ink in what stands behind, or of what is none
SOFT_PX = 0.7  # places are whole columns: edges may be off by half of one
EDGE_PX, RING_PX = 1, 4  # from a stroke: what it blurs, and where its outline would be
# Stretches that are asked, what share of them must have that little ink there.
MOST_RINGS, RING_SHARE, RING_INK = 150, 0.9, 0.2
TEMPER = 10.0  # neighbouring pixels err together: so many count as one
MOST_WEIGHT = 10  # frames: longer holds say no more of what a sign looks like
CHUNK = 256
STROKE = 0.7  # mean ink of a stroke
MOVED = 0.3  # weight of what stands behind digits of several widths
TAIL, AS_SHARP = "tail", 0.95  # what follows a number, and how sharp it is if it moves along


@dataclass(frozen=True, eq=False)
class Tones:
    """Mean ink, 0 to 1, of rows `TOP` to `BOTTOM`.

    Attributes
    ----------
    signs : dict of str to ndarray
        Of each sign in its cell.
    beside : dict of int to ndarray, shape (rows, width)
        Of the whole line with a number of that many signs: what stands beside it is what counts.
    tail : ndarray, shape (rows, width)
        Of what follows the number, from its right end on.
    """

    signs: dict[str, FloatArray]
    beside: dict[int, FloatArray]
    tail: FloatArray

    @property
    def moves(self) -> bool:
        """Whether what follows the number moves with its right end."""
        wide = self.tail.shape[1]
        still = [np.count_nonzero(a[:, -wide:] > STROKE) for a in self.beside.values()]
        return bool(np.count_nonzero(self.tail > STROKE) > AS_SHARP * np.mean(still))


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

    placed = [
        (first, last, text, cells)
        for first, last, text in shown
        if (cells := layout.cells(text)) is not None
    ]
    room = max(1, ink.shape[2] - max(_end(layout, text, cells) for *_, text, cells in placed))
    for first, last, text, cells in placed:
        mean = ink[first:last, TOP:BOTTOM].mean(axis=0) / 255.0
        weight = min(last - first, MOST_WEIGHT)
        add(len(text), mean, weight)
        end = _end(layout, text, cells)
        add(TAIL, mean[:, end : end + room], weight)
        for sign, (start, _) in zip(text, cells, strict=True):
            left, wide = round(start), layout.wide(sign)
            if left >= 0 and left + wide <= mean.shape[1]:
                add(sign, mean[:, left : left + wide], weight)
    means = {key: total / counts[key] for key, total in sums.items()}
    tail = means.pop(TAIL)
    return Tones(
        {key: mean for key, mean in means.items() if isinstance(key, str)},
        {key: mean for key, mean in means.items() if isinstance(key, int)},
        tail,
    )


def _end(layout: Layout, text: str, cells: Sequence[tuple[float, float]]) -> int:
    """Column after a number."""
    return round(cells[-1][0]) + layout.wide(text[-1])


@dataclass(frozen=True, eq=False)
class _Model:
    """How likely ink is in a sign, and where it says anything.

    Attributes
    ----------
    on, off : ndarray, shape (rows, columns)
        Log probability of ink and of none in the strokes and close around them; 0 elsewhere.
    own : ndarray, shape (rows, columns)
        1 in the strokes and close around them; what is further off is the scene's.
    """

    on: FloatArray
    off: FloatArray
    own: FloatArray


def _away(mean: FloatArray) -> IntArray:
    """Whole pixels from the next stroke, at most one more than `RING_PX`."""
    import cv2

    free = (mean < SOLID).astype(np.uint8)
    away = cv2.distanceTransform(free, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    return np.minimum(np.ceil(away), RING_PX + 1).astype(np.intp)


def ring_of(
    ink: Ink, layout: Layout, tone: Tones, shown: Sequence[tuple[int, int, str]]
) -> FloatArray:
    """Mean ink by whole pixels from the next stroke, NaN from where the scene shows, of all signs.

    An outline is there in every frame; what is dark in most of them only may be the scene.
    """
    away = {sign: _away(mean) for sign, mean in tone.signs.items()}
    seen = []
    for first, last, text in shown[:: max(1, len(shown) // MOST_RINGS)]:
        sums, counts = np.zeros(RING_PX + 2), np.zeros(RING_PX + 2)
        mean = ink[first:last, TOP:BOTTOM].mean(axis=0) / 255.0
        for sign, (start, _) in zip(text, layout.cells(text) or (), strict=True):
            left, far = round(start), away[sign]
            part = mean[:, max(left, 0) : left + far.shape[1]]
            far = far[:, max(-left, 0) : max(-left, 0) + part.shape[1]]
            sums += np.bincount(far.ravel(), part.ravel(), RING_PX + 2)
            counts += np.bincount(far.ravel(), minlength=RING_PX + 2)
        seen.append(sums / np.maximum(counts, 1.0))
    rings = np.array(seen).reshape(-1, RING_PX + 2)
    if not len(rings):
        return np.full(RING_PX + 2, np.nan)
    always = np.quantile(rings, RING_SHARE, axis=0) < RING_INK
    always[: EDGE_PX + 1], always[RING_PX + 1] = True, False
    return np.where(np.logical_and.accumulate(always), rings.mean(axis=0), np.nan)


def _model(mean: FloatArray, ring: FloatArray | None) -> _Model:
    import cv2

    away = _away(mean)
    near = away <= EDGE_PX
    p = cv2.GaussianBlur(mean, (0, 0), SOFT_PX)
    if ring is not None:
        p = np.where(near, p, np.nan_to_num(ring)[away])
        near |= np.isfinite(ring)[away]
    p, own = np.clip(p, LEAST_TONE, MOST_TONE), near.astype(np.float64)
    return _Model(own * np.log(p), own * np.log(1 - p), own)


def _scene(ink: FloatArray, count: FloatArray | float) -> FloatArray:
    """Greatest log likelihood of pixels that are ink at random, `ink` of `count`."""
    share = np.clip(ink / np.maximum(count, 1e-9), LEAST_SCENE, 1 - LEAST_SCENE)
    return np.asarray(ink * np.log(share) + (count - ink) * np.log(1 - share))


class Reader:
    """Scores of any number in every frame.

    Each pixel is ink as the sign has it, or, away from its strokes, as the scene behind has it in
    that frame, whatever it was when the sign was learned.

    Parameters
    ----------
    ink : ndarray of uint8, shape (n, ROWS, width)
    layout : Layout
    tone : Tones
    ring : ndarray, optional
        Ink close around strokes, as :func:`ring_of` gives it; what is there may else be the scene.
    """

    def __init__(
        self, ink: Ink, layout: Layout, tone: Tones, *, ring: FloatArray | None = None
    ) -> None:
        self._ink = ink
        self._layout = layout
        self._tone = tone
        self._models = {sign: _model(mean, ring) for sign, mean in tone.signs.items()}
        self._models[TAIL] = _model(tone.tail, ring)
        self._moves = tone.moves
        self._known: dict[tuple[str, int], FloatArray] = {}
        self._spans: dict[tuple[int, int, int], FloatArray] = {}
        self._all = self._by_column(np.ones((BOTTOM - TOP, ink.shape[2])))
        self._beside = {n: self._columns(_model(mean, ring)) for n, mean in tone.beside.items()}

    @property
    def knows_all(self) -> bool:
        """Whether no digit is read as the next best since its look is not known."""
        return all(digit in self._models for digit in DIGITS)

    def can_read(self, text: str) -> bool:
        """Whether all signs of a number, and their places, are known."""
        cells = self._layout.cells(text)
        if cells is None or len(text) not in self._beside:
            return False
        if any(sign not in self._models for sign in text):
            return False
        return cells[0][0] > -1.5 and cells[-1][1] < self._ink.shape[2] + 1.5

    def score(self, text: str) -> FloatArray:
        """Log odds of a number, and what stands beside it, against the scene alone, shape (n,)."""
        cells = self._layout.cells(text)
        assert cells is not None
        total: FloatArray = np.zeros(len(self._ink))
        for sign, (start, _) in zip(text, cells, strict=True):
            total = total + self._near(sign, round(start))
        last = self._ink.shape[2]
        first = min(max(round(cells[0][0]), 0), last)
        end = min(_end(self._layout, text, cells), last)
        behind = self._near(TAIL, end) if self._moves else self._blocks(len(text), end, last)
        # After digits of several widths its place is known to a column or two only.
        behind = behind * (MOVED if self._layout.is_proportional else 1.0)
        return (total + behind + self._blocks(len(text), first, 0)) / TEMPER

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

    def fit(self, text: str, frames: IntArray) -> FloatArray:
        """How much each digit of a number, of the worst, looks as it should over a quiet scene.

        A share of the log odds, at most about 1. A digit that was never learned is read as the next
        best, which looks little like it.
        """
        worst = np.ones(len(frames))
        for sign, (start, _) in zip(text, self._layout.cells(text) or (), strict=True):
            if sign in DIGITS:
                found = self._near(sign, round(start))[frames] / self._usual(sign)
                worst = np.minimum(worst, found)
        return worst

    def _usual(self, sign: str) -> float:
        """Log odds of a sign in its own frames over a scene without ink."""
        model, p = self._models[sign], self._tone.signs[sign]
        own = np.sum(model.own * (p * model.on + (1 - p) * model.off))
        return float(own - _scene(np.array(p.sum()), float(p.size)))

    def _near(self, sign: str, left: int) -> FloatArray:
        """As :meth:`_sign`; of digits of several widths at the best of three columns."""
        if not self._layout.is_proportional:
            return self._sign(sign, left)
        return np.asarray(np.max([self._sign(sign, left + k) for k in (-1, 0, 1)], axis=0))

    def _sign(self, sign: str, left: int) -> FloatArray:
        if (sign, left) not in self._known:
            model = self._models[sign]
            first, last = max(left, 0), min(left + model.on.shape[1], self._ink.shape[2])
            span = slice(first - left, last - left)
            on, off, own = (a[:, span] for a in (model.on, model.off, model.own))
            weights = np.stack([(on - off).ravel(), own.ravel()], axis=1) / 255.0
            part = self._ink[:, TOP:BOTTOM, first:last].reshape(len(self._ink), -1)
            odds, inside = (part.astype(np.float32) @ weights.astype(np.float32)).T
            every = self._all[:, last] - self._all[:, first]
            scene = _scene(every - inside, own.size - own.sum()) - _scene(every, float(own.size))
            self._known[sign, left] = odds + float(off.sum()) + scene
        return self._known[sign, left]

    def _by_column(self, weight: FloatArray) -> FloatArray:
        """Weighted ink of all columns before each, shape (n, width + 1)."""
        out = np.zeros((len(self._ink), weight.shape[1] + 1))
        for start in range(0, len(self._ink), CHUNK):
            part = self._ink[start : start + CHUNK, TOP:BOTTOM].astype(np.float32)
            columns = np.einsum("nrc,rc->nc", part, weight.astype(np.float32)) / 255.0
            out[start : start + CHUNK, 1:] = np.cumsum(columns, axis=1)
        return out

    def _columns(self, model: _Model) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Log likelihood, ink and count of a line's own pixels before each column."""
        odds = self._by_column(model.on - model.off)
        odds[:, 1:] += np.cumsum(model.off.sum(axis=0))
        count = np.concatenate([[0.0], np.cumsum(model.own.sum(axis=0))])
        return odds, self._by_column(model.own), count

    def _blocks(self, length: int, start: int, end: int) -> FloatArray:
        """Log odds of what stands from one column to another, a digit's width at a time."""
        if (length, start, end) not in self._spans:
            self._spans[length, start, end] = self._span(length, start, end)
        return self._spans[length, start, end]

    def _span(self, length: int, start: int, end: int) -> FloatArray:
        odds, inside, own = self._beside[length]
        wide = max(2, round(float(np.mean(self._layout.advances[:10]))))
        edges = [*range(start, end, wide if end > start else -wide), end]
        total: FloatArray = np.zeros(len(self._ink))
        for one, other in pairwise(edges):
            a, b = min(one, other), max(one, other)
            every = self._all[:, b] - self._all[:, a]
            rest = every - (inside[:, b] - inside[:, a])
            count, free = (BOTTOM - TOP) * (b - a), (BOTTOM - TOP) * (b - a) - (own[b] - own[a])
            total += odds[:, b] - odds[:, a] + _scene(rest, free) - _scene(every, float(count))
        return total
