"""Where each digit of any number stands, learned from those that were seen."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise, product

import numpy as np

from overlay.motion.model import BoolArray
from overlay.readout.glyphs import HIGH
from overlay.timebase import FloatArray

SIGNS = "0123456789."
ANCHORS = (0.0, 0.5, 1.0)  # what stays still: left end, middle, right end
BETTER, BETTER_OF_SEVERAL = 0.9, 0.75  # share of the misfit; several widths also fit what is noise
STRAY_PX, ONE_WIDE_PX = 2.5, 1.0
# Weight of the assumption that all digits are of one width: as a rule, and where it is enough.
EVEN, ONE_WIDTH, TABULAR_PX = 0.15, 100.0, 0.35
# Columns: less is the rounding of edges, more is no kerning; and how often a pair must be seen.
KERNED_PX, MOST_KERNED_PX, KERNED_SEEN = 1.0, 0.25 * HIGH, 3
KERNED_FITS = 3
TOO_WIDE_PX = 2.0  # a sign that much wider or narrower than as a rule has the scene on it

_Seen = Sequence[tuple[str, Sequence[float], Sequence[float]]]


@dataclass(frozen=True, eq=False)
class Layout:
    """Places of signs.

    Attributes
    ----------
    origins : dict of int to float
        Column at which a number of that many signs begins, if all its digits were of usual width.
    advances : ndarray, shape (11,)
        Columns from the start of each sign to that of the next.
    anchor : float
        Share of a number's excess width by which it begins further left.
    widths : dict of int to float
        Usual width of a number of that many signs.
    rms_px : float
        How far off signs were from their places.
    kerns : dict of str to float
        By how many columns the second sign of a pair stands closer (negative) or further.
    """

    origins: dict[int, float]
    advances: FloatArray
    anchor: float
    widths: dict[int, float]
    rms_px: float
    kerns: dict[str, float] = field(default_factory=dict)

    @property
    def is_proportional(self) -> bool:
        """Whether its digits are of several widths; then kerning moves them by a column or so."""
        return float(np.ptp(self.advances[:10])) > ONE_WIDE_PX

    def wide(self, sign: str) -> int:
        """Columns of a sign's cell."""
        return max(2, round(float(self.advances[SIGNS.index(sign)])))

    def cells(self, text: str) -> list[tuple[float, float]] | None:
        """First and last column of each sign's cell; None for a length never seen."""
        if len(text) not in self.origins:
            return None
        wide = self.advances[[SIGNS.index(sign) for sign in text]]
        moved = _kerned(text, self.kerns)
        excess = float(wide.sum() + moved[-1]) - self.widths[len(text)]
        starts = self.origins[len(text)] - self.anchor * excess + np.cumsum(wide) - wide + moved
        return list(zip(starts.tolist(), (starts + wide).tolist(), strict=True))

    def holds(self, text: str, lefts: Sequence[float], rights: Sequence[float]) -> bool:
        """Whether all signs of a number stand in their cells."""
        cells = self.cells(text)
        return cells is not None and all(
            start - STRAY_PX <= left and right <= end + STRAY_PX
            for (start, end), left, right in zip(cells, lefts, rights, strict=True)
        )


def _kerned(text: str, kerns: dict[str, float]) -> FloatArray:
    """By how many columns kerning moves each sign of a number, from its first on."""
    return np.cumsum([0.0, *(kerns.get(a + b, 0.0) for a, b in pairwise(text))])


def layout_of(seen: _Seen) -> Layout:
    """Fit places to numbers with the left and right edges of their signs.

    Parameters
    ----------
    seen : sequence of (text, lefts, rights)
        In columns.

    Notes
    -----
    Least squares of ``left = origin - anchor * excess + sum of advances before + bearing``,
    with the advances drawn to their mean where little was seen, and strays left out once. What is
    left over between the same two neighbours is kerning, and is taken out before the next fit.
    """
    kerns: dict[str, float] = {}
    for _ in range(KERNED_FITS):
        layout, over = _laid_out(seen, kerns)
        kerns = _kerns(seen, over, kerns)
        if not kerns:
            break
    return layout


def _kerns(seen: _Seen, over: FloatArray, known: dict[str, float]) -> dict[str, float]:
    """What is `known` and the median of what is left `over` between two plain neighbours."""
    found: dict[str, list[float]] = defaultdict(list)
    first = 0
    for text, *_ in seen:
        for k, pair in enumerate(pairwise(text), first):
            if np.isfinite(over[k + 1] - over[k]):
                found["".join(pair)].append(over[k + 1] - over[k])
        first += len(text)
    medians = {
        p: known.get(p, 0.0) + float(np.median(gaps))
        for p, gaps in found.items()
        if len(gaps) >= KERNED_SEEN
    }
    return {pair: gap for pair, gap in medians.items() if KERNED_PX < abs(gap) < MOST_KERNED_PX}


def _laid_out(seen: _Seen, kerns: dict[str, float]) -> tuple[Layout, FloatArray]:
    """Places that fit best, and how much further right each sign in turn stands."""
    widths, plain = _widths(seen)
    best: _Fit | None = None
    several = False
    for even, anchor in product((ONE_WIDTH, EVEN), ANCHORS):
        if even == EVEN and best is not None and best.rms_px < TABULAR_PX:
            break
        found = _fit(seen, anchor, (widths, plain), even, kerns)
        share = BETTER_OF_SEVERAL if even == EVEN and not several else BETTER
        if best is None or found.rms_px < share * best.rms_px:
            best, several = found, even == EVEN
    assert best is not None
    anchor, bearings, advances = best.anchor, best.x[11:22], best.x[:11]
    margin = float(np.mean([advances[k] - widths[k] for k in range(10)])) / 2
    shift = float(np.mean(bearings[:10])) - margin
    usual = {
        n: float(
            np.mean([sum(advances[SIGNS.index(c)] for c in t) for t, *_ in seen if len(t) == n])
        )
        for n in best.lengths
    }
    starts = best.x[22:] + shift
    origins = {n: float(x) - anchor * usual[n] for n, x in zip(best.lengths, starts, strict=True)}
    return Layout(origins, advances, anchor, usual, best.rms_px, kerns), best.over


@dataclass(frozen=True, eq=False)
class _Fit:
    """Advances, bearings and origins `x` for numbers of some lengths, and what is left over."""

    rms_px: float
    x: FloatArray
    anchor: float
    lengths: list[int]
    over: FloatArray


def _widths(seen: _Seen) -> tuple[FloatArray, BoolArray]:
    """Usual width of each sign's ink, and whether each sign in turn has about that.

    That of all digits where a sign was not seen.
    """
    signs = np.array([SIGNS.index(sign) for text, *_ in seen for sign in text])
    wide = np.concatenate([np.subtract(rights, lefts) for _, lefts, rights in seen])
    usual = np.full(11, float(np.mean(wide[signs < 10])) if np.any(signs < 10) else 0.0)
    for sign in np.unique(signs):
        usual[sign] = np.median(wide[signs == sign])
    return usual, np.abs(wide - usual[signs]) <= TOO_WIDE_PX


def _fit(
    seen: _Seen,
    anchor: float,
    wide: tuple[FloatArray, BoolArray],
    even: float,
    kerns: dict[str, float],
) -> _Fit:
    widths, plain = wide
    lengths = sorted({len(text) for text, *_ in seen})
    rows, right = [], []
    for text, lefts, _ in seen:
        places = [SIGNS.index(sign) for sign in text]
        moved = _kerned(text, kerns)
        for k, left in enumerate(lefts):
            row = np.zeros(22 + len(lengths))
            for j, place in enumerate(places):
                row[place] += (1.0 if j < k else 0.0) - anchor
            row[11 + places[k]] += 1.0
            row[22 + lengths.index(len(text))] = 1.0
            rows.append(row)
            right.append(left - moved[k] + anchor * moved[-1])
    # The middle of a sign is the middle of its cell, and digits are of one width, unless seen.
    prior = []
    for k in range(11):
        row = np.zeros(22 + len(lengths))
        row[11 + k], row[k] = 1.0, -0.5
        prior.append((row * EVEN, -0.5 * widths[k] * EVEN))
        row = np.zeros(22 + len(lengths))
        row[k] = 1.0
        if k < 10:
            row[:10] -= 0.1
        wanted, weight = (0.0, even) if k < 10 else (1.5 * widths[k], EVEN)
        prior.append((row * weight, wanted * weight))
    a, b = np.array(rows), np.array(right, dtype=np.float64)
    pa, pb = np.array([r for r, _ in prior]), np.array([v for _, v in prior])
    keep = plain
    for _ in range(2):
        x = np.linalg.lstsq(np.vstack([a[keep], pa]), np.concatenate([b[keep], pb]), rcond=None)[0]
        off = a @ x - b
        keep = plain & (np.abs(off) < max(STRAY_PX, 3 * float(np.median(np.abs(off[plain])))))
    # Strays count: digits of several widths would else be taken for ones of one width.
    rms = float(np.sqrt(np.mean(np.minimum(off[plain] ** 2, STRAY_PX**2))) + 0.05)
    return _Fit(rms, np.asarray(x), anchor, lengths, np.where(plain, -off, np.nan))
