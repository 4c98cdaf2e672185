"""What the money bought: gain per currency unit, and the sentence that says it.

The price is exact, so the interval of the gain divided by it is the interval of the gain per
currency unit; no ratio of two uncertain things arises.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from overlay.compare.verdict import CANNOT_TELL, NO_DIFFERENCE, REAL, Comparison
from overlay.errors import UsageError
from overlay.units import mps_to_speed

NOTHING = "nothing worth noticing"
_SYMBOLS = {"GBP": "£", "EUR": "€", "USD": "$"}


@dataclass(frozen=True)
class Gain:
    """One split's gain for the money.

    Attributes
    ----------
    label, unit : str
        As in the comparison.
    gain, half : float or None
        Improvement (seconds saved, or m/s won) and half width of its interval.
    per_unit, per_unit_low, per_unit_high : float or None
        The same for one currency unit; None where nothing more was paid.
    verdict : str
    phrase : str
        The gain in words, without the price.
    """

    label: str
    unit: str
    gain: float | None
    half: float | None
    per_unit: float | None
    per_unit_low: float | None
    per_unit_high: float | None
    verdict: str
    phrase: str


@dataclass(frozen=True)
class Value:
    """A step from one build to another.

    Attributes
    ----------
    a, b : str
        Names of the builds.
    cost : float
        What b costs more than a; negative where it costs less.
    currency : str or None
    gains : tuple of Gain
    sentence : str
        Such as ``£85 bought 0.31 s ± 0.12 to 60 m; to 10 m/s no difference worth noticing``.
    """

    a: str
    b: str
    cost: float
    currency: str | None
    gains: tuple[Gain, ...]
    sentence: str


def steps(builds: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """Pairs to judge: each build against the first, and each against the one before it.

    Examples
    --------
    >>> steps(["A", "B", "C"])
    (('A', 'B'), ('A', 'C'), ('B', 'C'))
    """
    pairs = [(builds[0], b) for b in builds[1:]] + list(pairwise(builds))
    return tuple(dict.fromkeys(pairs))


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

    Raises
    ------
    UsageError
        If there is no comparison or one is in another unit.
    """
    if not comparisons:
        raise UsageError(f"{a} to {b}: no split to value; name at least one")
    gains = tuple(_gain(c, cost, speed_unit) for c in comparisons)
    judged = list(zip(comparisons, gains, strict=True))
    return Value(a, b, cost, currency, gains, _sentence(judged, b, cost, currency, speed_unit))


def headline(comparisons: Sequence[Comparison], speed_unit: str = "m/s") -> str:
    """The step in a few words: its last real split of seconds, else a real top speed.

    Parameters
    ----------
    comparisons : sequence of Comparison
        As for :func:`value_of`.
    speed_unit : str

    Examples
    --------
    >>> headline([])
    'Cannot tell yet'
    """
    real = [c for c in comparisons if c.verdict == REAL and c.difference is not None]
    timed = [c for c in real if c.unit == "s"]
    if real:
        c = (timed or real)[-1]
        assert c.difference is not None
        better = c.difference < 0 if c.unit == "s" else c.difference > 0
        words = ("quicker", "slower") if c.unit == "s" else ("faster", "slower")
        how = words[0] if better else words[1]
        return f"Real: {_amount(c, c.difference, speed_unit)} {how} {_where(c)}"
    if comparisons and all(c.verdict == NO_DIFFERENCE for c in comparisons):
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
    """One split in words, such as ``0.31 s ± 0.12 to 60 m``."""
    where = _where(c)
    if c.verdict == NO_DIFFERENCE:
        return f"{where} {NO_DIFFERENCE}"
    if c.verdict == REAL and gain is not None:
        return f"{_amount(c, gain, speed_unit)} {where}"
    seen = _seen(c, gain, speed_unit)
    return f"{where} {CANNOT_TELL} ({seen + '; ' if seen else ''}{_more([c])})"


def _seen(c: Comparison, gain: float | None, speed_unit: str) -> str:
    """What was seen where it cannot be told yet; empty where nothing can be said."""
    return "" if gain is None or c.half is None else _amount(c, gain, speed_unit)


def _more(open_ones: Sequence[Comparison]) -> str:
    """What would tell, for splits that share `_remedy`."""
    c = open_ones[0]
    if c.further_runs is None:
        if c.p_differ is None and c.reason:
            return c.reason
        return "no reasonable number of runs would tell"
    number = max(one.further_runs or 0 for one in open_ones)
    if c.p_differ is None:
        return f"{c.reason}: drive {_runs(number)} of each build to begin with"
    return f"{_runs(number)} of each build would probably tell"


def _remedy(c: Comparison) -> tuple[str, bool, bool]:
    """Splits that are alike in this are open for the same reason and told by the same thing."""
    return (c.reason, c.p_differ is None, c.further_runs is None)


def _open(open_ones: Sequence[tuple[Comparison, Gain]], speed_unit: str) -> list[str]:
    """Splits that cannot be told yet, each remedy said once for all of its splits."""
    groups: dict[tuple[str, bool, bool], list[tuple[Comparison, Gain]]] = {}
    for c, gain in open_ones:
        groups.setdefault(_remedy(c), []).append((c, gain))
    told = []
    for group in groups.values():
        seen = [(_where(c), _seen(c, gain.gain, speed_unit)) for c, gain in group]
        places = _listed([f"{where} ({text})" if text else where for where, text in seen])
        told.append(f"{places}: {_more([c for c, _ in group])}")
    return told


def _runs(number: int) -> str:
    return f"{number} further run{'' if number == 1 else 's'}"


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
    if c.label.endswith(" rollout"):
        return f"to {c.label.removesuffix(' rollout')} with rollout left out"
    return f"to {c.label}"


def _amount(c: Comparison, gain: float, speed_unit: str) -> str:
    half, unit, digits = c.half or 0.0, "s", 2
    if c.unit == "m/s":
        gain, half = mps_to_speed(gain, speed_unit), mps_to_speed(half, speed_unit)
        unit, digits = speed_unit, 1
    while half < 0.95 * 10.0**-digits and digits < 4:
        digits += 1
    sign = "−" if gain < 0 and c.verdict == CANNOT_TELL else ""
    return f"{sign}{abs(gain):.{digits}f} {unit} ± {half:.{digits}f}"


def _sentence(
    judged: Sequence[tuple[Comparison, Gain]], b: str, cost: float, currency: str | None, unit: str
) -> str:
    won = [g.phrase for _, g in judged if g.verdict == REAL and (g.gain or 0) >= 0]
    lost = [g.phrase for _, g in judged if g.verdict == REAL and (g.gain or 0) < 0]
    alike = [_where(c) for c, g in judged if g.verdict == NO_DIFFERENCE]
    open_ones = [(c, g) for c, g in judged if g.verdict == CANNOT_TELL]
    price = money(abs(cost), currency)
    parts = []
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
        parts.append(f"{head} nothing that can be told yet {first}")
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
