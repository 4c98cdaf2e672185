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
    return Value(a, b, cost, currency, gains, _sentence(gains, b, cost, currency))


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
    seen = "" if gain is None or c.half is None else f"{_amount(c, gain, speed_unit)}; "
    if c.further_runs is None:
        more = c.reason or "no reasonable number of runs would tell"
        if c.p_differ is not None:
            more = "no reasonable number of runs would tell"
    elif c.p_differ is None:
        more = f"{c.reason}: drive {_runs(c.further_runs)} of each build to begin with"
    else:
        more = f"{_runs(c.further_runs)} of each build would probably tell"
    return f"{where} {CANNOT_TELL} ({seen}{more})"


def _runs(number: int) -> str:
    return f"{number} further run{'' if number == 1 else 's'}"


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


def _sentence(gains: Sequence[Gain], b: str, cost: float, currency: str | None) -> str:
    won = [g.phrase for g in gains if g.verdict == REAL and (g.gain or 0) >= 0]
    lost = [g.phrase for g in gains if g.verdict == REAL and (g.gain or 0) < 0]
    rest = [g.phrase for g in gains if g.verdict != REAL]
    price = money(abs(cost), currency)
    parts = []
    if won:
        parts.append(f"{_head(b, cost, price, 'bought')} {', '.join(won)}")
    if lost:
        parts.append(
            f"{_head(b, cost, price, 'lost') if not won else 'but lost'} {', '.join(lost)}"
        )
    if not parts:
        settled = all(g.verdict == NO_DIFFERENCE for g in gains)
        outcome = "nothing worth noticing" if settled else "nothing that can be told yet"
        parts.append(f"{_head(b, cost, price, 'bought')} {outcome}")
    return "; ".join([*parts, *rest])


def _head(b: str, cost: float, price: str, verb: str) -> str:
    """The beginning, by what was paid."""
    if cost > 0:
        return f"{price} {verb}"
    paid = "nothing more" if cost == 0 else f"{price} less"
    return f"{b}, for {paid}, {'gained' if verb == 'bought' else verb}"
