"""Two builds side by side: real, no difference that matters, or cannot tell yet.

Two tests at the same level decide each figure. *No difference that matters*: two one-sided tests
put the difference within the margin (it may still differ from 0, just too little to matter).
Otherwise *real*: the test finds a difference. Otherwise *cannot tell yet*, with the number of
further runs that would probably decide (:mod:`overlay.compare.further`). Both tests are those of
:mod:`overlay.compare.mixed`, which allows for unlike scatter and for a drift over the day. Where
all runs of one build came before all of the other nothing is decided: the day's drift and the
build cannot be separated.

All figures of all steps are one family at one level. Each family of p-values is adjusted by
Holm's step-down with weights: the main goal of each step has nine tenths of the weight, so it is
judged almost as if it were alone, and the others share what it leaves over.

The level holds for one look at the day. Driving the named runs and judging all of them again is
a second look (tests/benchmarks/accuracy/days.py).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from overlay.compare.equations import NOT_APART, TOO_FEW
from overlay.compare.figures import (
    CANNOT_TELL,
    DIRECTION,
    FEW_RUNS,
    LEVEL,
    MAIN_SHARE,
    NO_DIFFERENCE,
    NOT_JUDGED,
    ORDER,
    REAL,
    WIDE,
    Comparison,
    PairedRuns,
    summarise,
)
from overlay.compare.further import ONE_RUN_START, Driven, further_runs
from overlay.compare.holm import holm
from overlay.compare.mixed import Difference, difference_of, is_confounded
from overlay.errors import UndeterminedError, UsageError


def compare_all(pairings: Sequence[PairedRuns], *, level: float = LEVEL) -> tuple[Comparison, ...]:
    """Judge several figures together, adjusted by Holm's step-down, in the given order.

    Holm runs over the p-values for a difference and over those for equivalence; each keeps the
    chance of any wrong verdict of its kind, over all the figures, at the level.

    Raises
    ------
    UsageError
        If a margin or the level is out of range.

    Examples
    --------
    >>> from overlay.compare.figures import RunSplit
    >>> def runs(start, *times):
    ...     return [RunSplit(f"r{i}", t, 0.02, place=start + 2 * i) for i, t in enumerate(times)]
    >>> a, b = runs(0, 6.01, 6.05, 5.98), runs(1, 5.60, 5.66, 5.63)
    >>> (c,) = compare_all([PairedRuns("60 m", a, b, margin=0.1)])
    >>> c.verdict, round(c.difference, 2)
    ('real', -0.38)
    """
    raw, weights = decided([_unjudged(pairing, level) for pairing in pairings], level)
    still = math.fsum(w for c, w in zip(raw, weights, strict=True) if c.verdict == CANNOT_TELL)
    return tuple(
        _planned(c, pairing, min(weight / (still or 1.0), 1.0) * level)
        if c.verdict == CANNOT_TELL and not c.reason
        else c
        for c, pairing, weight in zip(raw, pairings, weights, strict=True)
    )


def decided(raw: Sequence[Comparison], level: float) -> tuple[list[Comparison], list[float]]:
    """Verdicts on figures judged as one family, and the weight that each had (0: not judged).

    An open figure with no reason is one whose interval is still too wide.
    """
    done = list(raw)
    family = [i for i, c in enumerate(raw) if c.p_differ is not None and c.verdict != NOT_JUDGED]
    weights = _weights([raw[i].is_main for i in family])
    differ = holm([raw[i].p_differ or 0.0 for i in family], weights)
    alike = holm([raw[i].p_alike or 0.0 for i in family], weights)
    shares = [0.0] * len(done)
    for i, p, q, weight in zip(family, differ, alike, weights, strict=True):
        verdict = raw[i].verdict
        if not raw[i].reason:
            verdict = NO_DIFFERENCE if q <= level else REAL if p <= level else CANNOT_TELL
        done[i] = replace(
            raw[i],
            p_differ_adjusted=p,
            p_alike_adjusted=q,
            verdict=verdict,
            judged_with=len(family),
        )
        shares[i] = weight
    return done, shares


def _weights(main: Sequence[bool]) -> list[float]:
    """Nine tenths to the main figures, one tenth to the others."""
    few = sum(main)
    if few in (0, len(main)):
        return [1.0] * len(main)
    return [MAIN_SHARE / few if one else (1 - MAIN_SHARE) / (len(main) - few) for one in main]


def _unjudged(pairing: PairedRuns, level: float) -> Comparison:
    """The numbers, before any verdict; with one where the runs allow none."""
    margin = pairing.margin
    if not (margin > 0 and math.isfinite(margin) and 0 < level < 1):
        raise UsageError(f"margin {margin:g} at level {level:g}: above 0, and between 0 and 1")
    a, b = summarise(pairing.a, level=level), summarise(pairing.b, level=level)
    is_judged = not pairing.not_judged
    plain = Comparison(
        label=pairing.label,
        unit=pairing.unit,
        a=a,
        b=b,
        margin=margin,
        level=level,
        verdict=CANNOT_TELL if is_judged else NOT_JUDGED,
        difference=None if a.mean is None or b.mean is None else b.mean - a.mean,
        reason=pairing.not_judged,
        is_main=pairing.is_main,
    )
    c = _tested(plain, pairing)
    return c if is_judged else replace(c, reason=plain.reason, remedy="", further_runs=None)


def _tested(c: Comparison, pairing: PairedRuns) -> Comparison:
    """With interval and p-values where the runs allow them, else why not and what would tell."""
    fewest = min(c.a.n, c.b.n)
    if fewest == 0:
        few = max(c.a.n, c.b.n)
        return _first(c, "no counted run of one build", max(3 - few, 2))
    driven = _driven(pairing)
    try:
        found = difference_of(
            driven.values[None], driven.layout, floor=driven.floor, shared=driven.shared
        )
    except UndeterminedError as error:
        if fewest < FEW_RUNS:
            return _first(c, "one run shows no spread", ONE_RUN_START)
        if str(error) == TOO_FEW:
            return _first(c, TOO_FEW, ONE_RUN_START)
        remedy = "one more run of each build the way that it has not gone would help most"
        is_way = str(error) == NOT_APART
        return replace(c, reason=DIRECTION if is_way else str(error), remedy=remedy * is_way)
    c = measured(c, found)
    if not is_confounded(driven.of_b, driven.places):
        return c
    first, second = _in_order(pairing)
    remedy = f"one more run of {first}, after {second}, would help most"
    return replace(c, reason=ORDER.format(first=first, second=second), remedy=remedy)


def measured(c: Comparison, found: Difference) -> Comparison:
    """With the difference that was found, its interval and its p-values."""
    middle, half = (float(one[0]) for one in found.centred(c.level))
    p_differ, p_alike = float(found.p_differ()[0]), float(found.p_alike(c.margin)[0])
    return replace(c, difference=middle, half=half, p_differ=p_differ, p_alike=p_alike)


def _first(c: Comparison, reason: str, more: int) -> Comparison:
    """Open for want of runs: so many of each come first."""
    remedy = f"{counted(more, 'more run')} of each first"
    return replace(c, reason=reason, further_runs=more, remedy=remedy)


def _driven(pairing: PairedRuns) -> Driven:
    """The counted runs in the order driven."""
    both = [(r, of_b) for of_b, side in enumerate((pairing.a, pairing.b)) for r in side if r.used]
    both.sort(key=lambda pair: pair[0].place)
    runs = [r for r, _ in both]
    a, b = ([r for r, of_b in both if of_b == side] for side in (0, 1))
    common = [math.fsum(r.common_sigma for r in side) / len(side) for side in (a, b)]
    soft = [math.fsum(r.soft_sigma for r in side) / len(side) for side in (a, b)]
    return Driven(
        np.array([r.value for r in runs], dtype=np.float64),
        tuple(bool(of_b) for _, of_b in both),
        tuple(r.place for r in runs),
        math.sqrt(math.fsum(r.sigma**2 for r in runs) / len(runs)),
        # Fully correlated parts leave their difference (JCGM 100:2008, eq. 16).
        math.hypot(common[0] - common[1], *soft),
        tuple(r.way for r in runs),
    )


def _in_order(pairing: PairedRuns) -> tuple[str, str]:
    """Names of the build driven first and of the other."""
    first, second = ([r.place for r in side if r.used] for side in (pairing.a, pairing.b))
    names = pairing.builds
    return names if max(first) < min(second) else (names[1], names[0])


def _planned(c: Comparison, pairing: PairedRuns, level: float) -> Comparison:
    """Add to an open verdict the reason and how many runs would tell."""
    number = further_runs(_driven(pairing), margin=c.margin, level=level)
    remedy = "no reasonable number of runs would decide it"
    if number is not None:
        remedy = f"{counted(number, 'more run')} of each would probably decide it"
    return replace(c, reason=WIDE, further_runs=number, remedy=remedy)


def counted(number: int, word: str) -> str:
    """A number with its word.

    Examples
    --------
    >>> counted(1, "more run"), counted(2, "more run")
    ('1 more run', '2 more runs')
    """
    return f"{number} {word}{'s' * (number != 1)}"
