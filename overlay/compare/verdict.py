"""Two builds side by side: real, no difference worth noticing, or cannot tell yet.

Two tests at the same level decide each split. *No difference worth noticing*: two one-sided
tests put the difference within the margin (it may still differ from 0, just too little to
notice). Otherwise *real*: Welch's test finds a difference. Otherwise *cannot tell yet*, with the
number of further runs that would probably decide (:mod:`overlay.compare.further`). Over several
splits each family of p-values is adjusted by Holm's step-down.

The level holds for one look at the day. Driving the named runs and judging all of them again is
a second look; over both, at the two truths where an error is likeliest (no difference at all, or
one of exactly the margin), 5 to 7 in 100 verdicts end wrong at a level of 5
(tests/benchmarks/accuracy/days.py). A lower level allows for that.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from overlay.compare.equivalence import two_one_sided
from overlay.compare.further import ONE_RUN_START, Group, further_runs
from overlay.compare.holm import holm
from overlay.compare.measure import Measured, difference
from overlay.compare.spoiled import OUT_OF_SPLITS, spoiling
from overlay.compare.spread import floored
from overlay.compare.welch import TTest, describe, t_test
from overlay.errors import UsageError
from overlay.runs.model import Mark, Split

REAL = "real"
NO_DIFFERENCE = "no difference worth noticing"
CANNOT_TELL = "cannot tell yet"
VERDICTS = (REAL, NO_DIFFERENCE, CANNOT_TELL)
LEVEL = 0.05


@dataclass(frozen=True)
class RunSplit:
    """One split (or the top speed) of one run.

    Attributes
    ----------
    run : str
        The run's name.
    value : float or None
        Seconds (or m/s for a speed); None where the run has none.
    sigma : float
        Standard uncertainty without the part common to the day, >= 0.
    common_sigma : float
        Standard uncertainty of the part common to the day (the lag's share), >= 0.
    counted : bool
        Whether it enters the statistics.
    reason : str
        Why not, or why it is counted in spite of a mark.
    """

    run: str
    value: float | None
    sigma: float = 0.0
    common_sigma: float = 0.0
    counted: bool = True
    reason: str = ""

    def __post_init__(self) -> None:
        if self.value is not None and not math.isfinite(self.value):
            raise UsageError(f"run {self.run}: value {self.value} must be a finite number")
        if not (0 <= self.sigma < math.inf and 0 <= self.common_sigma < math.inf):
            raise UsageError(f"run {self.run}: uncertainties must be 0 or more and finite")

    @property
    def used(self) -> bool:
        """Whether there is a value and it is counted."""
        return self.counted and self.value is not None


@dataclass(frozen=True)
class BuildSummary:
    """One build's runs in one split.

    Attributes
    ----------
    n : int
        Runs counted.
    mean, spread : float or None
        Mean and standard deviation from run to run; None without enough runs.
    low, high : float or None
        Interval of the mean at 1 - level, the part common to the day included.
    sigma : float
        Standard uncertainty of the mean without the common part; NaN below two runs.
    dof : float
        Its degrees of freedom; NaN below two runs.
    floor, common_sigma : float
        Root mean square of the runs' own uncertainties; mean of the common ones.
    excluded : tuple of (run, reason)
        Runs left out.
    """

    n: int
    mean: float | None
    spread: float | None
    low: float | None
    high: float | None
    sigma: float
    dof: float
    floor: float
    common_sigma: float
    excluded: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Comparison:
    """Build b against build a in one split.

    Attributes
    ----------
    label, unit : str
        Such as ``60 m`` and ``s``.
    a, b : BuildSummary
    difference : float or None
        b less a: negative seconds are a gain.
    sigma, dof : float or None
        Standard uncertainty of the difference, what is left of the common part included.
    low, high : float or None
        Interval of the difference at 1 - level, for this split by itself.
    p_differ, p_alike : float or None
        p-values of the test for a difference and of equivalence, for this split by itself.
    p_differ_adjusted, p_alike_adjusted : float or None
        The same after Holm over the splits judged together.
    margin, level : float
        As given.
    verdict : str
        One of `VERDICTS`.
    further_runs : int or None
        With `cannot tell yet`: further runs of each build that decide with 80 % probability;
        None where no reasonable number does.
    reason : str
        With `cannot tell yet`: why, in words.
    judged_with : int
        Number of splits judged together.
    """

    label: str
    unit: str
    a: BuildSummary
    b: BuildSummary
    difference: float | None
    sigma: float | None
    dof: float | None
    low: float | None
    high: float | None
    p_differ: float | None
    p_alike: float | None
    p_differ_adjusted: float | None
    p_alike_adjusted: float | None
    margin: float
    level: float
    verdict: str
    further_runs: int | None = None
    reason: str = ""
    judged_with: int = 1

    @property
    def half(self) -> float | None:
        """Half width of the difference's interval."""
        return None if self.high is None or self.low is None else (self.high - self.low) / 2


@dataclass(frozen=True)
class Pairing:
    """Runs of two builds in one split, to be judged with others (:func:`compare_all`)."""

    label: str
    a: Sequence[RunSplit]
    b: Sequence[RunSplit]
    margin: float
    unit: str = "s"


def run_split(
    run: str, split: Split, *, marks: Iterable[Mark] = (), counted: bool | None = None
) -> RunSplit:
    """A run's split for the statistics, left out where a mark spoils it.

    The rule is that of :mod:`overlay.compare.spoiled` (a gap after 60 m does not spoil the time
    to 60 m). `counted` overrules.
    """
    if split.time_s is None or split.sigma_s is None:
        return RunSplit(run, None, counted=False, reason=split.reason or "no time")
    reason = spoiling(marks, OUT_OF_SPLITS, split.at_s)
    take = not reason if counted is None else counted
    if counted is not None:
        reason = "as the sheet says" + (f" ({reason})" if reason else "")
    return RunSplit(run, split.time_s, split.sigma_s, split.timing_sigma_s or 0.0, take, reason)


def summarise(runs: Sequence[RunSplit], *, level: float = LEVEL) -> BuildSummary:
    """Mean, spread and interval of one build's runs."""
    used = [r for r in runs if r.value is not None and r.counted]
    left_out = tuple((r.run, r.reason or "left out") for r in runs if not r.used)
    n = len(used)
    if n == 0:
        return BuildSummary(0, None, None, None, None, math.nan, math.nan, 0.0, 0.0, left_out)
    sample = describe([r.value for r in used if r.value is not None])
    floor = math.sqrt(math.fsum(r.sigma**2 for r in used) / n)
    common = math.fsum(r.common_sigma for r in used) / n
    nan = math.nan
    if n == 1:
        return BuildSummary(1, sample.mean, None, None, None, nan, nan, floor, common, left_out)
    spread, dof = floored(sample.sd, n, floor)
    mean = Measured(sample.mean, spread / math.sqrt(n), dof, common)
    low, high = mean.interval(level)
    return BuildSummary(
        n, sample.mean, sample.sd, low, high, mean.sigma, dof, floor, common, left_out
    )


def compare_builds(
    a: Sequence[RunSplit],
    b: Sequence[RunSplit],
    *,
    margin: float,
    level: float = LEVEL,
    common_correlation: float = 1.0,
    label: str = "",
    unit: str = "s",
) -> Comparison:
    """Judge build b against build a in one split.

    Parameters
    ----------
    a, b : sequence of RunSplit
    margin : float
        Smallest difference worth noticing, > 0, in the unit of the values.
    level : float
        Chance of a wrong verdict that is accepted.
    common_correlation : float
        Of the parts common to each build's day: 1 on the same day with the same receiver and
        clock (see :mod:`overlay.compare.measure`), 0 on different days or receivers.

    Raises
    ------
    UsageError
        If margin, level or correlation is out of range.

    Examples
    --------
    >>> def runs(*times):
    ...     return [RunSplit(f"r{i}", t, 0.02) for i, t in enumerate(times)]
    >>> c = compare_builds(runs(6.01, 6.05, 5.98), runs(5.60, 5.66, 5.63), margin=0.1)
    >>> c.verdict, round(c.difference, 2)
    ('real', -0.38)
    """
    pairing = Pairing(label, a, b, margin, unit)
    return compare_all([pairing], level=level, common_correlation=common_correlation)[0]


def compare_all(
    pairings: Sequence[Pairing], *, level: float = LEVEL, common_correlation: float = 1.0
) -> tuple[Comparison, ...]:
    """Judge several splits together, adjusted by Holm's step-down, in the given order.

    Holm runs over the p-values for a difference and over those for equivalence; each keeps the
    chance of any wrong verdict of its kind, over all the splits, at the level.
    """
    raw = [_unjudged(pairing, level, common_correlation) for pairing in pairings]
    differ = _adjusted([c.p_differ for c in raw])
    alike = _adjusted([c.p_alike for c in raw])
    known = sum(p is not None for p in differ)
    judged = [
        replace(
            c,
            p_differ_adjusted=p,
            p_alike_adjusted=q,
            verdict=_verdict(p, q, level),
            judged_with=max(known, 1),
        )
        for c, p, q in zip(raw, differ, alike, strict=True)
    ]
    undecided = sum(c.verdict == CANNOT_TELL and c.p_differ is not None for c in judged)
    return tuple(
        _planned(c, max(undecided, 1), common_correlation) if c.verdict == CANNOT_TELL else c
        for c in judged
    )


def _verdict(p_differ: float | None, p_alike: float | None, level: float) -> str:
    if p_differ is None or p_alike is None:
        return CANNOT_TELL
    if p_alike <= level:
        return NO_DIFFERENCE
    return REAL if p_differ <= level else CANNOT_TELL


def _adjusted(p_values: Sequence[float | None]) -> list[float | None]:
    found = iter(holm([p for p in p_values if p is not None]))
    return [None if p is None else next(found) for p in p_values]


def _unjudged(pairing: Pairing, level: float, correlation: float) -> Comparison:
    """The numbers, before any verdict."""
    margin = pairing.margin
    if not (margin > 0 and math.isfinite(margin) and 0 < level < 1):
        raise UsageError(f"margin {margin:g} at level {level:g}: above 0, and between 0 and 1")
    a, b = summarise(pairing.a, level=level), summarise(pairing.b, level=level)
    apart = None if a.mean is None or b.mean is None else b.mean - a.mean
    test = _test(a, b, level, correlation)
    alike = None if test is None else two_one_sided(*_of(test), margin).p
    return Comparison(
        label=pairing.label,
        unit=pairing.unit,
        a=a,
        b=b,
        difference=apart,
        sigma=None if test is None else test.standard_error,
        dof=None if test is None else test.df,
        low=None if test is None else test.low,
        high=None if test is None else test.high,
        p_differ=None if test is None else test.p,
        p_alike=alike,
        p_differ_adjusted=None,
        p_alike_adjusted=None,
        margin=margin,
        level=level,
        verdict=CANNOT_TELL,
    )


def _of(test: TTest) -> tuple[float, float, float]:
    return test.difference, test.standard_error, test.df


def _test(a: BuildSummary, b: BuildSummary, level: float, correlation: float) -> TTest | None:
    """Welch's test with the common part's rest as a further, known component."""
    if a.mean is None or b.mean is None or a.n < 2 or b.n < 2 or a.sigma + b.sigma == 0:
        return None
    apart = difference(
        Measured(b.mean, b.sigma, b.dof, b.common_sigma),
        Measured(a.mean, a.sigma, a.dof, a.common_sigma),
        common_correlation=correlation,
    )
    variance = apart.total_sigma**2
    dof = apart.dof * (variance / apart.sigma**2) ** 2
    return t_test(apart.value, math.sqrt(variance), dof, level)


def _planned(c: Comparison, judged_with: int, correlation: float) -> Comparison:
    """Add to an open verdict the reason and how many runs would tell."""
    if min(c.a.n, c.b.n) == 0:
        few = max(c.a.n, c.b.n)
        return replace(c, reason="no counted run of one build", further_runs=max(3 - few, 2))
    if c.p_differ is None:
        if min(c.a.n, c.b.n) >= 2:
            return replace(c, reason="the runs show no spread and no uncertainty is given")
        return replace(c, reason="one run shows no spread", further_runs=ONE_RUN_START)
    groups = [
        Group(s.n, s.mean or 0.0, s.spread or 0.0, s.floor, s.common_sigma) for s in (c.a, c.b)
    ]
    number = further_runs(
        groups[0],
        groups[1],
        margin=c.margin,
        level=c.level / judged_with,
        common_correlation=correlation,
    )
    return replace(c, reason="the interval is still too wide", further_runs=number)
