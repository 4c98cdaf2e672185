"""The number on a line of glyphs, and the unit behind it."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from overlay.readout.glyphs import HIGH, SOLID, Glyph
from overlay.readout.holds import Hold
from overlay.readout.typefaces import DIGITS, drawn, faces
from overlay.timebase import FloatArray

FAR = 1.0  # gap, in heights of a digit, beyond which glyphs are not of one number
ASTRAY = 0.25 * HIGH  # columns; digits of several widths move by less
UNIT_FAR, WORD_FAR = 1.4, 0.55  # from the number to its unit; between the letters of that
# What is written for each unit; the last three mean that the number is no speed.
UNITS = {
    "mph": "mph",
    "MPH": "mph",
    "km/h": "km/h",
    "KM/H": "km/h",
    "kmh": "km/h",
    "KMH": "km/h",
    "kph": "km/h",
    "KPH": "km/h",
    "m/s": "m/s",
    "M/S": "m/s",
    "kn": "kn",
    "KN": "kn",
    "kt": "kn",
    "kts": "kn",
    "m": "m",
    "M": "m",
    "ft": "ft",
    "FT": "ft",
    "%": "%",
    "rpm": "rpm",
    "RPM": "rpm",
}
WORD = (18, 48)
SURE_WORD, WORD_LEAD, WORD_ASPECT_COST = 0.6, 0.04, 0.35


@dataclass(frozen=True, eq=False)
class Number:
    """A number in one hold.

    Attributes
    ----------
    glyphs : tuple of Glyph
        Its digits and decimal sign, from left to right.
    decimals : int
    is_clock : bool
        Whether a colon stands in it.
    """

    glyphs: tuple[Glyph, ...]
    decimals: int
    is_clock: bool

    @property
    def digits(self) -> tuple[Glyph, ...]:
        """Its digits."""
        return tuple(g for g in self.glyphs if g.kind == "tall")

    @property
    def right(self) -> int:
        """Column after it."""
        return self.glyphs[-1].right


def number_of(
    glyphs: Sequence[Glyph], signs: Sequence[str], core: tuple[float, float]
) -> Number | None:
    """The number that shares most columns with those that change.

    Parameters
    ----------
    glyphs : sequence of Glyph
        Of a line.
    signs : sequence of str
        What each is taken for; empty where it is no digit or letter.
    core : (float, float)
        Columns between which something changes.
    """
    runs: list[list[Glyph]] = [[]]
    for glyph, sign in zip(glyphs, signs, strict=True):
        part = (sign and sign in DIGITS) or glyph.kind in ("dot", "pair")
        far = bool(runs[-1]) and glyph.left - runs[-1][-1].right > FAR * HIGH
        if not part or far:
            runs.append([])
        if part:
            runs[-1].append(glyph)
    best: Number | None = None
    most = 0.0
    for run in runs:
        number = _trimmed(run)
        if number is None:
            continue
        shared = sum(max(0.0, min(g.right, core[1]) - max(g.left, core[0])) for g in number.digits)
        if shared > most:
            best, most = number, shared
    return best


def _trimmed(run: Sequence[Glyph]) -> Number | None:
    tall = [k for k, g in enumerate(run) if g.kind == "tall"]
    if not tall:
        return None
    kept = run[tall[0] : tall[-1] + 1]
    # Before or behind a decimal sign a digit is missing.
    if any(g.kind == "dot" for g in (*run[: tall[0]], *run[tall[-1] + 1 :])):
        return None
    dots = [k for k, g in enumerate(kept) if g.kind == "dot"]
    decimals = 0
    if dots:
        decimals = sum(g.kind == "tall" for g in kept[dots[-1] :])
    return Number(tuple(kept), decimals, any(g.kind == "pair" for g in kept) or len(dots) > 1)


def in_place(numbers: Sequence[Number], frames: Sequence[int]) -> list[bool]:
    """Whether each begins or ends where numbers of as many signs do in most `frames`.

    What the scene adds to a number, or takes from it, does not.
    """
    ends: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for number, count in zip(numbers, frames, strict=True):
        ends[len(number.glyphs)] += count * [(number.glyphs[0].left, number.right)]
    usual_ends = {size: np.median(both, axis=0) for size, both in ends.items()}
    return [
        float(np.min(np.abs((n.glyphs[0].left, n.right) - usual_ends[len(n.glyphs)]))) < ASTRAY
        for n in numbers
    ]


def usual(numbers: Sequence[Number]) -> int:
    """How many digits stand behind the decimal sign, as in most of them."""
    return Counter(n.decimals for n in numbers).most_common(1)[0][0]


def unit_of(
    holds: Sequence[Hold], lines: Sequence[Sequence[Glyph]], numbers: Sequence[Number]
) -> str | None:
    """The unit behind the number, by its look in several holds; None where it is not sure."""
    words, patterns, aspects = _words()
    order = sorted(range(len(holds)), key=lambda k: holds[k].first - holds[k].last)
    total = np.zeros(len(words))
    seen = 0
    for k in order[:8]:
        tail = tail_of(lines[k], numbers[k])
        if tail is None:
            continue
        look, aspect = _normal_word(holds[k].ink[:, tail[0] : tail[1]])
        alike = patterns @ look - WORD_ASPECT_COST * np.abs(np.log(aspect / aspects))
        total += alike
        seen += 1
    if not seen:
        return None
    by_unit = {
        u: max(total[k] for k, w in enumerate(words) if UNITS[w] == u) for u in UNITS.values()
    }
    ranked = sorted(by_unit, key=lambda u: -by_unit[u])
    first, second = by_unit[ranked[0]] / seen, by_unit[ranked[1]] / seen
    return ranked[0] if first > SURE_WORD and first - second > WORD_LEAD else None


def tail_of(line: Sequence[Glyph], number: Number) -> tuple[int, int] | None:
    """Columns of the word behind a number; None where there is none."""
    left = right = None
    for glyph in line:
        if glyph.left < number.right:
            continue
        gap = glyph.left - (number.right if right is None else right)
        if gap > (UNIT_FAR if right is None else WORD_FAR) * HIGH:
            break
        left, right = (glyph.left if left is None else left), glyph.right
    return None if left is None or right is None else (left, right)


def _normal_word(ink: FloatArray) -> tuple[FloatArray, float]:
    import cv2

    rows = np.flatnonzero(ink.max(axis=1) > SOLID)
    if not len(rows):
        return np.zeros(WORD[0] * WORD[1]), 1.0
    part = np.ascontiguousarray(ink[rows[0] : rows[-1] + 1], dtype=np.float32)
    small = cv2.resize(part, WORD[::-1], interpolation=cv2.INTER_AREA)
    flat = cv2.GaussianBlur(small, (0, 0), 1.0).ravel().astype(np.float64)
    flat = flat - flat.mean()
    return flat / max(float(np.linalg.norm(flat)), 1e-9), part.shape[1] / part.shape[0]


@lru_cache(maxsize=1)
def _words() -> tuple[list[str], FloatArray, FloatArray]:
    """Units written in every typeface at hand."""
    words, patterns, aspects = [], [], []
    for face in faces():
        for word in UNITS:
            look, aspect = _normal_word(drawn(word, face))
            words.append(word)
            patterns.append(look)
            aspects.append(aspect)
    return words, np.stack(patterns), np.array(aspects)
