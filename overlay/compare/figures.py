"""What is compared: a figure of a run, of a build, and of one build against another."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from overlay.compare.measure import t_quantile
from overlay.compare.mixed import mean_of
from overlay.compare.spoiled import OUT_OF_ROLLING, OUT_OF_SPLITS, spoiling
from overlay.errors import UsageError
from overlay.runs.model import Mark, Split

REAL = "real"
NO_DIFFERENCE = "no difference that matters"
CANNOT_TELL = "cannot tell yet"
NOT_JUDGED = "not judged"
LEVEL = 0.05
MAIN_SHARE = 0.9  # of the level; the other figures get the rest until the main one is decided
WIDE = "the interval is still too wide"
ORDER = "all runs of {first} came before all of {second}: order and build cannot be separated"
DIRECTION = "all runs of one build went the other way: direction and build cannot be separated"
FEW_RUNS = 2  # with so few of a build, a difference that is found is provisional


@dataclass(frozen=True)
class RunSplit:
    """One split (or a speed) of one run."""

    run: str  # the run's name
    value: float | None  # seconds (or m/s for a speed); None where the run has none
    sigma: float = 0.0  # standard uncertainty of the run's own, >= 0
    # That of the part common to all runs of the day (the lag's share), >= 0: it cancels between
    # builds as far as both have the same share.
    common_sigma: float = 0.0
    counted: bool = True  # whether it enters the statistics
    reason: str = ""  # why not, or why it is counted in spite of a mark
    # That of the part common to the runs of the build (how softly it sets off), >= 0: it never
    # cancels between builds.
    soft_sigma: float = 0.0
    place: float = 0.0  # of the run in the order driven
    way: int = 1  # 1, or -1 for a run the other way

    def __post_init__(self) -> None:
        if self.value is not None and not math.isfinite(self.value):
            raise UsageError(f"run {self.run}: value {self.value} must be a finite number")
        if not all(0 <= s < math.inf for s in (self.sigma, self.common_sigma, self.soft_sigma)):
            raise UsageError(f"run {self.run}: uncertainties must be 0 or more and finite")

    @property
    def used(self) -> bool:
        """Whether there is a value and it is counted."""
        return self.counted and self.value is not None

    @property
    def total_sigma(self) -> float:
        """Standard uncertainty of the value taken by itself."""
        return math.hypot(self.sigma, self.common_sigma, self.soft_sigma)


@dataclass(frozen=True)
class BuildSummary:
    """One build's runs in one figure."""

    n: int  # runs counted
    # Mean (each way driven counting half), standard deviation from run to run, and half width of
    # the mean's interval at 1 - level from the runs' own scatter; None without enough runs.
    mean: float | None
    spread: float | None
    half: float | None
    # Root mean square of the runs' own uncertainties; mean of the shared ones.
    floor: float
    common_sigma: float
    soft_sigma: float
    excluded: tuple[tuple[str, str], ...]  # runs left out


@dataclass(frozen=True)
class Comparison:
    """Build b against build a in one figure.

    Attributes
    ----------
    label, unit : str
        Such as ``20 to 60 m`` and ``s``.
    a, b : BuildSummary
    difference, half : float or None
        b less a (negative seconds are a gain) with a drift over the day allowed for, and the
        half width of its interval at 1 - level, for this figure by itself.
    p_differ, p_alike : float or None
        p-values of the test for a difference and of equivalence, for this figure by itself.
    p_differ_adjusted, p_alike_adjusted : float or None
        The same after Holm over the figures judged together.
    margin, level : float
        As given.
    verdict : str
        `REAL`, `NO_DIFFERENCE`, `CANNOT_TELL` or `NOT_JUDGED`.
    further_runs : int or None
        With `cannot tell yet`: further runs of each build, in turns, that decide with 80 %
        probability; None where no reasonable number does, or another thing would tell.
    reason, remedy : str
        With `cannot tell yet` and `not judged`: why, and what would tell, in words.
    judged_with : int
        Number of figures judged together.
    is_main : bool
        Whether it is the main goal of its step.
    """

    label: str
    unit: str
    a: BuildSummary
    b: BuildSummary
    margin: float
    level: float
    verdict: str
    difference: float | None = None
    half: float | None = None
    p_differ: float | None = None
    p_alike: float | None = None
    p_differ_adjusted: float | None = None
    p_alike_adjusted: float | None = None
    further_runs: int | None = None
    reason: str = ""
    remedy: str = ""
    judged_with: int = 1
    is_main: bool = False

    @property
    def low(self) -> float | None:
        """Lower end of the difference's interval."""
        return None if self.difference is None or self.half is None else self.difference - self.half

    @property
    def high(self) -> float | None:
        """Upper end of the difference's interval."""
        return None if self.difference is None or self.half is None else self.difference + self.half

    @property
    def is_provisional(self) -> bool:
        """Whether a real difference stands on very few runs."""
        return self.verdict == REAL and min(self.a.n, self.b.n) <= FEW_RUNS


@dataclass(frozen=True)
class PairedRuns:
    """Runs of two builds in one figure, to be judged with others (:func:`compare_all`)."""

    label: str
    a: Sequence[RunSplit]
    b: Sequence[RunSplit]
    margin: float  # smallest difference that matters, > 0, in the unit of the values
    unit: str = "s"
    is_main: bool = False
    not_judged: str = ""  # why it is only shown and not judged; empty where it is judged
    builds: tuple[str, str] = ("A", "B")  # names of a and b


def run_split(
    run: str,
    split: Split,
    *,
    marks: Iterable[Mark] = (),
    counted: bool | None = None,
    place: float = 0.0,
    way: int = 1,
) -> RunSplit:
    """A run's split for the statistics, left out where a mark spoils it.

    The rule is that of :mod:`overlay.compare.spoiled` (a gap after 60 m does not spoil the time
    to 60 m). `counted` overrules.
    """
    if split.time_s is None or split.sigma_s is None:
        reason = split.reason or "no time"
        return RunSplit(run, None, counted=False, reason=reason, place=place, way=way)
    kinds = OUT_OF_ROLLING if split.goal.start else OUT_OF_SPLITS
    reason = spoiling(marks, kinds, split.at_s)
    take = not reason if counted is None else counted
    if counted is not None:
        reason = "as the sheet says" + (f" ({reason})" if reason else "")
    value = split.goal.per_time(split.time_s)
    # A mean speed is known to the same share as its time.
    sigma = split.sigma_s if split.goal.unit == "s" else split.sigma_s * value / split.time_s
    common, soft = split.timing_sigma_s or 0.0, split.soft_sigma_s or 0.0
    return RunSplit(run, value, sigma, common, take, reason, soft, place, way)


def summarise(runs: Sequence[RunSplit], *, level: float = LEVEL) -> BuildSummary:
    """Mean, spread and interval of one build's runs."""
    used = [r for r in runs if r.used]
    left_out = tuple((r.run, r.reason or "left out") for r in runs if not r.used)
    n = len(used)
    if n == 0:
        return BuildSummary(0, None, None, None, 0.0, 0.0, 0.0, left_out)
    values = np.array([r.value for r in used], dtype=np.float64)
    floor = math.sqrt(math.fsum(r.sigma**2 for r in used) / n)
    common = math.fsum(r.common_sigma for r in used) / n
    soft = math.fsum(r.soft_sigma for r in used) / n
    mean, sigma, dof = mean_of(values, floor, [r.way for r in used])
    spread = float(values.std(ddof=1)) if n > 1 else None
    half = None if math.isnan(sigma) else t_quantile(dof, 1 - level / 2) * sigma
    return BuildSummary(n, mean, spread, half, floor, common, soft, left_out)
