"""From the ink of one line over a whole clip to the number that each frame shows."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from overlay.readout.decode import Reader, ring_of, tones
from overlay.readout.glyphs import Glyph, Ink, glyphs_of
from overlay.readout.holds import Hold, holds
from overlay.readout.labels import Kinds, Written, by_counting, first_labels, kinds_of
from overlay.readout.layout import layout_of
from overlay.readout.line import Number, in_place, number_of, tail_of, unit_of, usual
from overlay.readout.ocr import Vote
from overlay.readout.record import SURE_LEAD, Frames, read_frames
from overlay.readout.typefaces import DIGITS
from overlay.readout.unseen import with_unseen
from overlay.timebase import FloatArray

MOST_HOLDS = 400
LEAST_HOLDS, LEAST_VALUES = 4, 3
MOST_TEXTS = 2500
WORST_LAYOUT_PX = 2.0
BEYOND, BEYOND_SHARE = 5, 0.3  # of what is written before the decimal sign, and of the range seen


@dataclass(frozen=True, eq=False)
class Line:
    """A number that changes, read over a clip.

    Attributes
    ----------
    frames : Frames
        In the figures shown.
    unit : str or None
        As read behind the number; None where none is there, or it is not sure.
    decimals : int
    is_clock : bool
    doubtful : bool
        Whether a digit's look leaves a doubt which one it is.
    reach : (float, float)
        Columns from the left end of the number at its widest to the right end of its unit.
    """

    frames: Frames
    unit: str | None
    decimals: int
    is_clock: bool
    doubtful: bool
    reach: tuple[float, float]


class UnreadableError(Exception):
    """Nothing that reads as one number; the message says why."""


def read_line(ink: Ink, core: tuple[float, float], vote: Vote | None = None) -> Line:
    """Read a line.

    Parameters
    ----------
    ink : ndarray of uint8, shape (n, ROWS, width)
        As :func:`ink_of` gives it, of every frame.
    core : (float, float)
        Columns between which something changes.
    vote : callable, optional
        Reads the numbers of some holds by other means.

    Raises
    ------
    UnreadableError
        If there is no number in it that changes.
    """
    found = _longest(holds(ink))
    lines = [glyphs_of(hold.ink) for hold in found]
    tall = [g for line in lines for g in line if g.kind == "tall"]
    if not tall:
        raise UnreadableError("nothing in it is as tall as digits")
    kinds = kinds_of(tall)
    labels = first_labels(kinds, len(lines))
    seen = _numbers(found, lines, kinds, labels, core)
    if sum(s.number.is_clock for s in seen) > 0.5 * len(seen):
        frames = Frames(*(np.full(len(ink), np.nan) for _ in range(3)))
        return Line(frames, None, 0, True, False, (0.0, 0.0))
    seen = [s for s in seen if not s.number.is_clock]
    votes = None
    if vote is not None:
        numbers = [s.number for s in seen]
        votes = _votes(kinds, numbers, vote([s.hold for s in seen], numbers))
    labels, doubtful = by_counting(kinds, labels, [s.written for s in seen], votes)
    # What is in doubt is left to the frames, where its digit is seen beyond doubt elsewhere.
    sure = {labels[k] for s in seen for k in s.written.kinds if k not in doubtful}
    doubts = {k for k in doubtful if labels[k] not in sure}
    seen = [s for s in seen if not set(s.written.kinds) & (set(doubtful) - doubts)]
    texts = [_text(s.number, kinds, labels) for s in seen]
    if any(_is_padded(text) for text in texts):  # then all are of one length
        usual_length = Counter(map(len, texts)).most_common(1)[0][0]
        kept = [k for k, text in enumerate(texts) if len(text) == usual_length]
        seen, texts = [seen[k] for k in kept], [texts[k] for k in kept]
    if len(set(texts)) < LEAST_VALUES:
        raise UnreadableError("its figures do not change")
    decimals = seen[0].number.decimals
    unit = unit_of(*zip(*((s.hold, s.line, s.number) for s in seen), strict=True))
    frames = _framewise(ink, seen, texts, decimals)
    return Line(frames, unit, decimals, False, bool(doubts), _reach(seen))


@dataclass(frozen=True, eq=False)
class _Seen:
    """A number in one hold."""

    hold: Hold
    line: list[Glyph]
    number: Number
    written: Written


def _longest(found: list[Hold]) -> list[Hold]:
    longest = sorted(found, key=lambda h: h.first - h.last)[:MOST_HOLDS]
    return sorted(longest, key=lambda h: h.first)


def _numbers(
    found: Sequence[Hold],
    lines: Sequence[list[Glyph]],
    kinds: Kinds,
    labels: Sequence[str],
    core: tuple[float, float],
) -> list[_Seen]:
    """The numbers with as many digits behind the decimal sign as most have."""
    every = [
        (hold, line, number)
        for hold, line in zip(found, lines, strict=True)
        if (number := number_of(line, _signs(line, kinds, labels), core)) is not None
    ]
    if len(every) < LEAST_HOLDS:
        raise UnreadableError("no digits that change are found in it")
    decimals = usual([number for *_, number in every])
    seen = [
        _Seen(hold, line, number, Written(tuple(kinds.of[id(g)] for g in number.digits), decimals))
        for hold, line, number in every
        if number.decimals == decimals
    ]
    near = in_place([s.number for s in seen], [s.hold.last - s.hold.first for s in seen])
    return [one for one, is_near in zip(seen, near, strict=True) if is_near]


def _reach(seen: Sequence[_Seen]) -> tuple[float, float]:
    """Columns from the left end of the number at its widest to the right end of its unit."""
    ends = [(tail_of(s.line, s.number) or (0, s.number.right))[1] for s in seen]
    left = min(s.number.glyphs[0].left for s in seen)
    return float(left), float(np.quantile(ends, 0.9))


def _signs(line: Sequence[Glyph], kinds: Kinds, labels: Sequence[str]) -> list[str]:
    return [labels[kinds.of[id(g)]] if id(g) in kinds.of else "" for g in line]


def _text(number: Number, kinds: Kinds, labels: Sequence[str]) -> str:
    return "".join(
        labels[kinds.of[id(g)]] if g.kind == "tall" else "."
        for g in number.glyphs
        if g.kind in ("tall", "dot")
    )


def _votes(kinds: Kinds, numbers: Sequence[Number], read: Sequence[str | None]) -> FloatArray:
    """Share of other readings that take each kind for each digit, shape (n, 10)."""
    votes = np.zeros((len(kinds.counts), 10))
    for number, text in zip(numbers, read, strict=True):
        digits = [c for c in text or "" if c in DIGITS]
        if len(digits) == len(number.digits):
            for glyph, digit in zip(number.digits, digits, strict=True):
                votes[kinds.of[id(glyph)], int(digit)] += 1
    return np.asarray(votes / np.maximum(votes.sum(axis=1, keepdims=True), 2.0))


def _framewise(ink: Ink, ones: Sequence[_Seen], texts: Sequence[str], decimals: int) -> Frames:
    seen = [
        (text, [float(g.left) for g in signs], [float(g.right) for g in signs])
        for text, signs in zip(texts, (_signs_of(s.number) for s in ones), strict=True)
    ]
    layout = layout_of(seen)
    if layout.rms_px > WORST_LAYOUT_PX:
        raise UnreadableError("its digits keep no places")
    shown = [
        (one.hold.first, one.hold.last, place[0])
        for one, place in zip(ones, seen, strict=True)
        if layout.holds(*place)
    ]
    if len(shown) < LEAST_HOLDS:
        raise UnreadableError("its digits keep no places")
    tone = with_unseen(tones(ink, layout, shown), layout)
    reader = Reader(ink, layout, tone)
    candidates = [t for t in _candidates(texts, decimals) if reader.can_read(t)]
    if len(candidates) < 2:
        raise UnreadableError("its digits keep no places")
    values = np.array([float(t) for t in candidates])
    first = read_frames(reader, candidates, values, shown)
    # Glyphs are found where the scene is quiet. What was read where it is not shows what is always
    # around a stroke, such as an outline.
    again = [*shown, *_stretches(first, dict(zip(values.tolist(), candidates, strict=True)))]
    learned = tones(ink, layout, again)
    learned = replace(learned, signs={**tone.signs, **learned.signs})
    reader = Reader(ink, layout, learned, ring=ring_of(ink, layout, learned, again))
    found = read_frames(reader, candidates, values, shown)
    plain = [
        (one.hold, place[0], layout.holds(*place)) for one, place in zip(ones, seen, strict=True)
    ]
    return _agreeing(found, plain, dict(zip(values.tolist(), candidates, strict=True)))


def _agreeing(
    frames: Frames, read: Sequence[tuple[Hold, str, bool]], text_of: dict[float, str]
) -> Frames:
    """Frames but those that do not agree with the glyphs that stand there.

    Parameters
    ----------
    read : sequence of (Hold, str, bool)
        What stretches of frames show by their glyphs, and whether all stand in their places. Where
        they do not, only a part of what was read is left out: 13 as 3.
    text_of : dict of float to str
        How each value is written.
    """
    found = frames.values.copy()
    for hold, text, placed in read:
        for k in range(hold.first, hold.last):
            other = text_of.get(found[k], text)
            if other != text and (placed or other in text):
                found[k] = np.nan
    return replace(frames, values=found)


def _stretches(frames: Frames, texts: dict[float, str]) -> list[tuple[int, int, str]]:
    """Frames from one up to another that show a text beyond doubt, each for itself."""
    sure = (frames.alone == frames.values) & (frames.lead > SURE_LEAD)
    value = np.where(sure, frames.values, -1.0)
    edges = [0, *(np.flatnonzero(np.diff(value)) + 1).tolist(), len(value)]
    return [(a, b, texts[value[a]]) for a, b in pairwise(edges) if value[a] >= 0]


def _signs_of(number: Number) -> list[Glyph]:
    return [g for g in number.glyphs if g.kind in ("tall", "dot")]


def _is_padded(text: str) -> bool:
    return text.startswith("0") and len(text.split(".")[0]) > 1


def _candidates(texts: Sequence[str], decimals: int) -> list[str]:
    """Every number from the least to the greatest seen, and those beyond that may not be seen.

    The greatest is often shown for a moment only, or with a digit that no other number has.
    """
    scale = 10**decimals
    values = sorted(round(float(t) * scale) for t in texts)
    padded = any(map(_is_padded, texts))
    beyond = BEYOND * scale + round(BEYOND_SHARE * (values[-1] - values[0]))
    low, high = max(values[0] - beyond, 0), values[-1] + beyond
    if high - low > MOST_TEXTS:
        return sorted(set(texts))
    places = len(texts[0].split(".")[0])
    out = []
    for value in range(low, high + 1):
        text = f"{value / scale:.{decimals}f}"
        out.append(text.rjust(places + (decimals + 1 if decimals else 0), "0") if padded else text)
    return out
