"""What the money bought: gain per currency unit, what a tenth of a second cost, in words.

The price is exact, so the interval of the gain divided by it is the interval of the gain per
currency unit; no ratio of two uncertain things arises. What a tenth of a second cost is bounded
above only where the gain surely is more than nothing. A gain that is told because it was found is
on average too large (the winner's curse: Gelman and Carlin, Perspectives on Psychological Science
9 (2014) 641-651, from memory), so its low end stands beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from overlay.compare.figures import (
    CANNOT_TELL,
    NO_DIFFERENCE,
    NOT_JUDGED,
    REAL,
    WIDE,
    Comparison,
)
from overlay.errors import UsageError
from overlay.sheet import Build
from overlay.units import mps_to_speed

NOTHING = "nothing that matters"
TENTH_S = 0.1
_SYMBOLS = {"GBP": "£", "EUR": "€", "USD": "$"}


@dataclass(frozen=True)
class Gain:
    """One split's gain for the money."""

    # As in the comparison.
    label: str
    unit: str
    # Improvement (seconds saved, or m/s won) and half width of its interval.
    gain: float | None
    half: float | None
    # The same for one currency unit; None where nothing more was paid.
    per_unit: float | None
    per_unit_low: float | None
    per_unit_high: float | None
    verdict: str
    phrase: str  # the gain in words, without the price


@dataclass(frozen=True)
class Value:
    """A step from one build to another."""

    # Names of the builds.
    a: str
    b: str
    cost: float  # what b costs more than a; negative where it costs less
    currency: str | None
    gains: tuple[Gain, ...]
    sentence: str  # such as ``£85 bought 0.31 s ± 0.12 (at least 0.19 s) from 20 to 60 m``
    # What a tenth of a second cost, and whether single parts can be told apart.
    notes: tuple[str, ...] = ()


def steps(builds: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """Pairs to judge: each build against the one before it.

    Examples
    --------
    >>> steps(["A", "B", "C"])
    (('A', 'B'), ('B', 'C'))
    """
    return tuple(pairwise(builds))


def changes(first: Build, second: Build) -> tuple[str, ...]:
    """Parts that the second build has and the first lacks, the dearest first."""
    had = {part.name.casefold() for part in first.parts}
    new = [part for part in second.parts if part.name.casefold() not in had]
    return tuple(part.name for part in sorted(new, key=lambda part: -part.price))


def money(amount: float, currency: str | None) -> str:
    """An amount as written: symbol for pound, euro and dollar, else the code.

    Examples
    --------
    >>> money(85.0, "GBP"), money(12.5, "CHF"), money(3.0, None)
    ('£85', 'CHF 12.50', '3')
    """
    number = f"{amount:.0f}" if float(amount).is_integer() else f"{amount:.2f}"
    if currency in _SYMBOLS:
        return _SYMBOLS[currency] + number
    return number if currency is None else f"{currency} {number}"


def value_of(
    comparisons: Sequence[Comparison],
    *,
    a: str,
    b: str,
    cost: float,
    currency: str | None,
    speed_unit: str = "m/s",
    changes: Sequence[str] = (),
) -> Value:
    """Put the comparisons of one step in relation to what it cost.

    Parameters
    ----------
    comparisons : sequence of Comparison
        Build b against build a, one a split; unit ``s`` (less is better) or ``m/s``.
    a, b : str
        Names of the builds.
    cost : float
        Price of b less price of a.
    currency : str or None
        ISO 4217 code.
    speed_unit : str
        In which speeds are said.
    changes : sequence of str
        Parts that b has and a lacks, the dearest first.

    Raises
    ------
    UsageError
        If there is no comparison or one is in another unit.
    """
    if not comparisons:
        raise UsageError(f"{a} to {b}: no split to value; name at least one")
    gains = tuple(_gain(c, cost, speed_unit) for c in comparisons)
    judged = [(c, g) for c, g in zip(comparisons, gains, strict=True) if c.verdict != NOT_JUDGED]
    sentence = _sentence(judged, b, cost, currency, speed_unit)
    notes = [_cost_of_a_tenth(judged, cost, currency, speed_unit), _which_part(changes, a, b)]
    return Value(a, b, cost, currency, gains, sentence, tuple(note for note in notes if note))


def _cost_of_a_tenth(
    judged: Sequence[tuple[Comparison, Gain]], cost: float, currency: str | None, unit: str
) -> str:
    """What a tenth of a second (or one unit of speed) cost by the main figure."""
    found = next((pair for pair in judged if pair[0].is_main), None)
    if found is None or cost <= 0 or found[1].gain is None or found[1].half is None:
        return ""
    c, gain, half = found[0], found[1].gain, found[1].half
    each = TENTH_S if c.unit == "s" else 1 / mps_to_speed(1.0, unit)
    what = f"{TENTH_S:g} s" if c.unit == "s" else f"1 {unit}"
    is_undecidable = c.verdict == CANNOT_TELL and c.reason != WIDE  # such as order and build alike
    if gain + half <= 0 or is_undecidable:
        return ""
    least = money(_rounded(each * cost / (gain + half)), currency)
    if c.verdict != REAL or gain - half <= 0:
        return f"{what} {_where(c)} cost at least {least}; the gain may be nothing"
    middle, most = (money(_rounded(each * cost / g), currency) for g in (gain, gain - half))
    return f"{what} {_where(c)} cost {middle}, between {least} and {most}"


def _rounded(amount: float) -> float:
    """To two figures where it is small, else to whole units."""
    return round(amount) if amount >= 10 else round(amount, 1 if amount >= 1 else 2)


def _which_part(changes: Sequence[str], a: str, b: str) -> str:
    if len(changes) < 2:
        return ""
    return (
        f"{len(changes)} parts changed at once from {a} to {b}: the runs cannot say which of them "
        f"helped; a build {b} without the {changes[0]}, the dearest, would help most"
    )


def headline(comparisons: Sequence[Comparison], speed_unit: str = "m/s") -> str:
    """The step in a few words: its main figure if real, else another that is.

    Parameters
    ----------
    comparisons : sequence of Comparison
        As for :func:`value_of`.

    Examples
    --------
    >>> headline([])
    'Cannot tell yet'
    """
    real = [c for c in comparisons if c.verdict == REAL and c.difference is not None]
    timed = [c for c in real if c.unit == "s"]
    if real:
        c = next((c for c in real if c.is_main), (timed or real)[-1])
        assert c.difference is not None
        better = c.difference < 0 if c.unit == "s" else c.difference > 0
        words = ("quicker", "slower") if c.unit == "s" else ("faster", "slower")
        how = words[0] if better else words[1]
        low = abs(c.difference) - (c.half or 0.0)
        least = f", at least {_number(c, low, speed_unit)}" if low > 0 else ""
        return f"Real: {_amount(c, c.difference, speed_unit)} {how} {_where(c)}{least}"
    judged = [c for c in comparisons if c.verdict != NOT_JUDGED]
    if judged and all(c.verdict == NO_DIFFERENCE for c in judged):
        return NO_DIFFERENCE.capitalize()
    return CANNOT_TELL.capitalize()


def _gain(c: Comparison, cost: float, speed_unit: str) -> Gain:
    if c.unit not in ("s", "m/s"):
        raise UsageError(f"{c.label}: unit {c.unit!r} is neither 's' nor 'm/s'")
    sign = -1.0 if c.unit == "s" else 1.0
    gain = None if c.difference is None else sign * c.difference
    half = c.half
    phrase = _phrase(c, gain, speed_unit)
    if gain is None or half is None or cost <= 0:
        return Gain(c.label, c.unit, gain, half, None, None, None, c.verdict, phrase)
    each = (gain / cost, (gain - half) / cost, (gain + half) / cost)
    return Gain(c.label, c.unit, gain, half, *each, c.verdict, phrase)


def _phrase(c: Comparison, gain: float | None, speed_unit: str) -> str:
    """One figure in words, such as ``0.31 s ± 0.12 (at least 0.19 s) from 20 to 60 m``."""
    where = _where(c)
    if c.verdict == NO_DIFFERENCE:
        return f"{where} {NO_DIFFERENCE}"
    if c.verdict == REAL and gain is not None:
        least = _least(c, gain, speed_unit)
        return f"{_amount(c, gain, speed_unit)}{least} {where}"
    seen = _seen(c, gain, speed_unit)
    return f"{where} {c.verdict} ({'; '.join(part for part in (seen, _more(c)) if part)})"


def _least(c: Comparison, gain: float, speed_unit: str) -> str:
    """The low end of what was found, and that it is provisional where few runs say so."""
    low = abs(gain) - (c.half or 0.0)
    told = [f"at least {_number(c, low, speed_unit)}"] if low > 0 else []
    if c.is_provisional:
        told.append(f"provisional: {min(c.a.n, c.b.n)} runs of a build")
    return f" ({', '.join(told)})" if told else ""


def _seen(c: Comparison, gain: float | None, speed_unit: str) -> str:
    """What was seen where it cannot be told yet; empty where nothing can be said."""
    return "" if gain is None or c.half is None else _amount(c, gain, speed_unit)


def _more(c: Comparison) -> str:
    """Why a figure is open, where that is not the width of its interval, and what would tell."""
    reason = "" if c.reason == WIDE else c.reason
    return "; ".join(part for part in (reason, c.remedy) if part)


def _open(open_ones: Sequence[tuple[Comparison, Gain]], speed_unit: str) -> list[str]:
    """Figures that cannot be told yet, each reason said once for all of its figures."""
    groups: dict[tuple[str, bool], list[tuple[Comparison, Gain]]] = {}
    for c, gain in open_ones:
        groups.setdefault((c.reason, c.further_runs is None), []).append((c, gain))
    told = []
    for group in groups.values():
        seen = [(_where(c), _seen(c, gain.gain, speed_unit)) for c, gain in group]
        places = _listed([f"{where} ({text})" if text else where for where, text in seen])
        most = max((c for c, _ in group), key=lambda c: c.further_runs or 0)
        told.append(f"{places}: {_more(most)}")
    return told


def _listed(words: Sequence[str]) -> str:
    """Words as in a sentence.

    Examples
    --------
    >>> _listed(["to 20 m", "to 40 m", "in top speed"])
    'to 20 m, to 40 m and in top speed'
    """
    return " and ".join([*([", ".join(words[:-1])] if len(words) > 1 else []), words[-1]])


def _where(c: Comparison) -> str:
    if c.unit == "m/s":
        return f"in {c.label}"
    if " to " in c.label:
        return f"from {c.label}"
    if c.label.endswith(" rollout"):
        return f"to {c.label.removesuffix(' rollout')} with rollout left out"
    return f"to {c.label}"


def _amount(c: Comparison, gain: float, speed_unit: str) -> str:
    factor = 1.0 if c.unit == "s" else mps_to_speed(1.0, speed_unit)
    digits, half = _digits(c, factor), factor * (c.half or 0.0)
    number = f"{abs(gain * factor):.{digits}f}"
    sign = "−" if gain < 0 and c.verdict == CANNOT_TELL and float(number) > 0 else ""
    return f"{sign}{number} {'s' if c.unit == 's' else speed_unit} ± {half:.{digits}f}"


def _number(c: Comparison, value: float, speed_unit: str) -> str:
    factor = 1.0 if c.unit == "s" else mps_to_speed(1.0, speed_unit)
    return f"{value * factor:.{_digits(c, factor)}f} {'s' if c.unit == 's' else speed_unit}"


def _digits(c: Comparison, factor: float) -> int:
    """Decimals of a figure and its low end: as many as its half width needs."""
    digits, half = 2 if c.unit == "s" else 1, factor * (c.half or 0.0)
    while half < 0.95 * 10.0**-digits and digits < 4:
        digits += 1
    return digits


def _sentence(
    judged: Sequence[tuple[Comparison, Gain]], b: str, cost: float, currency: str | None, unit: str
) -> str:
    won = [g.phrase for _, g in judged if g.verdict == REAL and (g.gain or 0) >= 0]
    lost = [g.phrase for _, g in judged if g.verdict == REAL and (g.gain or 0) < 0]
    alike = [_where(c) for c, g in judged if g.verdict == NO_DIFFERENCE]
    open_ones = [(c, g) for c, g in judged if g.verdict == CANNOT_TELL]
    price = money(abs(cost), currency)
    parts = []
    if not judged:
        return f"{_head(b, cost, price, 'bought')} nothing that is judged"
    if won:
        parts.append(f"{_head(b, cost, price, 'bought')} {_listed(won)}")
    if lost:
        head = _head(b, cost, price, "lost") if not won else "but lost"
        parts.append(f"{head} {_listed(lost)}")
    if not parts:
        head = _head(b, cost, price, "bought")
        if not open_ones:
            return f"{head} {NOTHING} {_listed(alike)}"
        first, *opened = _open(open_ones, unit)
        parts.append(f"{head} nothing that is sure yet {first}")
    else:
        opened = _open(open_ones, unit)
    if alike:
        parts.append(f"{_listed(alike)} {NO_DIFFERENCE}")
    return "; ".join([*parts, *(f"{CANNOT_TELL} {one}" for one in opened)])


def _head(b: str, cost: float, price: str, verb: str) -> str:
    """The beginning, by what was paid."""
    if cost > 0:
        return f"{price} {verb}"
    paid = "nothing more" if cost == 0 else f"{price} less"
    return f"{b}, for {paid}, {'gained' if verb == 'bought' else verb}"
