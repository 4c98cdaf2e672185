"""Which digit each glyph of a clip is: by its look, and by how a speed counts up and down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from overlay.readout.glyphs import Glyph, normal
from overlay.readout.typefaces import DIGITS, LETTERS, bank
from overlay.timebase import FloatArray

SAME = 0.955  # correlation of glyphs that are one sign
CLASH = 0.9  # glyphs less alike than this hardly share a digit
SAME_ASPECT = 0.3  # and by what share their widths may differ
MOST_GLYPHS = 3000
FLAT = 1e-9  # length of a look in which nothing is to be seen
LETTER_LEAD = 0.04  # a letter must look that much likelier than any digit
STANDING, RARE_LETTER_LEAD = 0.3, 0.2  # and by more where it stands in less of the lines
LOOKS, COUNTS, ONE_DIGIT = 12.0, 0.6, 40.0  # weights of look, of counting, of unlike glyphs
NO_DIGIT, DIGIT = 0.4, 0.7  # looks of what hardly is a digit, and of what is
SURE_LOOK, SURE_WORTH = 0.45, 1.5  # less of either is a doubt


@dataclass(frozen=True, eq=False)
class Kinds:
    """Glyphs of a clip, sorted by look.

    Attributes
    ----------
    centres : ndarray, shape (n, pixels)
        Mean look, of unit length.
    counts : ndarray, shape (n,)
    looks : ndarray, shape (n, 10 + letters)
        Mean similarity with each sign of ``DIGITS + LETTERS``.
    of : dict
        Kind of each glyph, by its identity.
    """

    centres: FloatArray
    counts: FloatArray
    looks: FloatArray
    of: dict[int, int]


def kinds_of(glyphs: Sequence[Glyph]) -> Kinds:
    """Sort tall glyphs by look."""
    known = bank()
    sums: list[FloatArray] = []
    aspects: list[float] = []
    counts: list[int] = []
    firsts: list[Glyph] = []
    of: dict[int, int] = {}
    for glyph in glyphs[:MOST_GLYPHS]:
        own = normal(glyph.tall)
        best, where = SAME, -1
        for k, total in enumerate(sums):
            alike = float(own @ total) / max(float(np.linalg.norm(total)), FLAT)
            near = abs(np.log(glyph.aspect / (aspects[k] / counts[k]))) < SAME_ASPECT
            if alike > best and near:
                best, where = alike, k
        if where < 0:
            sums.append(own.copy())
            aspects.append(glyph.aspect)
            counts.append(1)
            firsts.append(glyph)
            where = len(sums) - 1
        else:
            sums[where] += own
            aspects[where] += glyph.aspect
            counts[where] += 1
        of[id(glyph)] = where
    lengths = [max(float(np.linalg.norm(total)), FLAT) for total in sums]
    centres = np.array([t / n for t, n in zip(sums, lengths, strict=True)]).reshape(len(sums), -1)
    looks = np.array(
        [
            known.likeness(centre, aspect / count)
            for centre, aspect, count in zip(centres, aspects, counts, strict=True)
        ]
    ).reshape(len(sums), -1)
    return Kinds(centres, np.array(counts, dtype=np.float64), looks, of)


def first_labels(kinds: Kinds, lines: int) -> list[str]:
    """Sign of each kind by its look; the letters of a unit stand in most of the lines."""
    out = []
    for looks, count in zip(kinds.looks, kinds.counts, strict=True):
        digit, letter = int(np.argmax(looks[:10])), int(np.argmax(looks[10:]))
        lead = looks[10 + letter] - looks[digit]
        is_letter = lead > (LETTER_LEAD if count >= STANDING * lines else RARE_LETTER_LEAD)
        out.append(LETTERS[letter] if is_letter else DIGITS[digit])
    return out


@dataclass(frozen=True)
class Written:
    """A number as glyph kinds from left to right, and how many stand behind the decimal sign."""

    kinds: tuple[int, ...]
    decimals: int


def by_counting(
    kinds: Kinds, labels: Sequence[str], numbers: Sequence[Written], votes: FloatArray | None = None
) -> tuple[list[str], list[int]]:
    """Labels that also make the numbers follow one another as a speed does, and doubtful kinds.

    Parameters
    ----------
    labels : sequence of str
        A first guess.
    numbers : sequence of Written
        In the order of time.
    votes : ndarray, shape (n, 10), optional
        What is known of each kind besides, from 0 to 1.

    Notes
    -----
    What is sought is the greatest sum of looks, less the logarithms of the steps from number to
    number; unlike glyphs do not share a digit. Single labels are changed, and pairs exchanged, as
    long as the sum grows.
    """
    used = sorted({k for number in numbers for k in number.kinds})
    if not used:
        return list(labels), []
    now = np.zeros(len(labels), dtype=np.intp)
    for k in used:
        now[k] = DIGITS.index(labels[k]) if labels[k] in DIGITS else np.argmax(kinds.looks[k, :10])
    looks = kinds.looks[:, :10] + (0.0 if votes is None else 0.5 * votes)
    unlike = np.maximum(CLASH - kinds.centres @ kinds.centres.T, 0.0)
    np.fill_diagonal(unlike, 0.0)
    longest = max(len(n.kinds) for n in numbers)
    kinds_at, places = np.zeros((len(numbers), longest), np.intp), np.zeros((len(numbers), longest))
    for row, n in enumerate(numbers):
        size = len(n.kinds)
        kinds_at[row, :size] = n.kinds
        places[row, :size] = 10.0 ** (np.arange(size)[::-1] - n.decimals)
    step = 10.0 ** -max(n.decimals for n in numbers)
    weight = np.minimum(kinds.counts, 3.0)
    # What the scene left among the digits takes no digit from those that look like it.
    plain = np.clip((looks.max(axis=1) - NO_DIGIT) / (DIGIT - NO_DIGIT), 0.0, 1.0) * weight / 3.0
    unlike *= np.minimum(plain[:, None], plain[None, :])

    def worth(digits: np.ndarray[tuple[int], np.dtype[np.intp]]) -> float:
        values = np.einsum("nk,nk->n", digits[kinds_at], places)
        rough = float(np.sum(np.log1p(np.abs(np.diff(values)) / step)))
        share = COUNTS * min(1.0, 60.0 / max(len(values), 1))
        same = digits[used][:, None] == digits[used][None, :]
        clash = float(np.sum(unlike[np.ix_(used, used)] * same)) / 2
        look = float(np.sum(weight[used] * looks[used, digits[used]]))
        return LOOKS * look - share * rough - ONE_DIGIT * clash

    best = worth(now)
    rivals = {k: -np.inf for k in used}
    for _ in range(6):
        before = best
        for k in used:
            for trial in _changed(now, k, used):
                value = worth(trial)
                if value > best + 1e-9:
                    best, now = value, trial
        if best == before:
            break
    for k in used:
        rivals[k] = max((worth(t) for t in _changed(now, k, used)), default=-np.inf)
    out = list(labels)
    doubtful = []
    for k in used:
        out[k] = DIGITS[now[k]]
        if looks[k, now[k]] < SURE_LOOK or best - rivals[k] < SURE_WORTH:
            doubtful.append(k)
    return out, doubtful


def _changed(
    now: np.ndarray[tuple[int], np.dtype[np.intp]], k: int, used: Sequence[int]
) -> list[np.ndarray[tuple[int], np.dtype[np.intp]]]:
    """The labels with one changed, and, where another kind has that digit, both exchanged."""
    out = []
    for digit in range(10):
        if digit == now[k]:
            continue
        trial = now.copy()
        trial[k] = digit
        out.append(trial)
        others = [j for j in used if j != k and now[j] == digit]
        if others:
            trial = trial.copy()
            trial[others] = now[k]
            out.append(trial)
    return out
