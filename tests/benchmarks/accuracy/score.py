"""The one rule by which offsets are scored, and the lines of the table.

The error is the offset found less the true one. A group of trials gives the root-mean-square error,
median and 95th percentile of the error's size, the share of 95 % intervals that hold the truth
("cover") and the share without an answer ("refused"). Where a bound is known, the root-mean-square
error is also given as a multiple of it. Shares are judged with two sigmas of their count allowed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import cached_property, partial

import numpy as np
import numpy.typing as npt

from overlay.footage.model import LumaFrame
from overlay.motion import MotionSignal, ground_signal, motion_signal
from overlay.series import Series
from overlay.session.steps import best_alignment
from overlay.sync.estimate import estimate_offset
from overlay.sync.model import Alignment
from overlay.units import Z95

Array = npt.NDArray[np.float64]
NAN = float("nan")
NAME_WIDTH = 40
HEADER = (
    f"{'errors in ms':<{NAME_WIDTH}} {'tries':>5} {'rmse':>6} {'median':>6} {'95 %':>6} "
    f"{'bound':>6} {'ratio':>5} {'fair':>6} {'cover':>5} {'refused':>7}  bars"
)


@dataclass(frozen=True)
class Outcome:
    """One estimate against the truth.

    Attributes
    ----------
    error_s : float
        Found less true; NaN where there is no answer.
    held : bool
        Whether the 95 % interval holds the truth.
    sigma_s : float
        Standard deviation that the interval stands for.
    bound_s, fair_bound_s : float
        Least standard deviations that any method can reach, where known; else NaN.
    reason : str
        Why there is no answer.
    """

    error_s: float
    held: bool
    sigma_s: float = NAN
    bound_s: float = NAN
    fair_bound_s: float = NAN
    reason: str = ""


def outcome(
    found: Alignment, true_s: float, *, bound_s: float = NAN, fair_bound_s: float = NAN
) -> Outcome:
    """Set an estimate against the true total offset."""
    if found.total_offset_s is None or found.interval_s is None:
        return Outcome(NAN, False, NAN, bound_s, fair_bound_s, found.reason or "")
    low, high = found.interval_s
    sigma = (high - low) / (2 * Z95)
    error = found.total_offset_s - true_s
    return Outcome(error, low <= true_s <= high, sigma, bound_s, fair_bound_s)


@dataclass(frozen=True)
class Bars:
    """What a group must reach; None = not judged.

    Attributes
    ----------
    median_s, p95_s, largest_s : float or None
        Greatest median, 95th percentile and single error.
    ratio : float or None
        Greatest multiple of the bound.
    cover : (float, float) or None
        Least and greatest share of intervals that hold the truth.
    refused : (float, float) or None
        Least and greatest share without an answer.
    """

    median_s: float | None = None
    p95_s: float | None = None
    largest_s: float | None = None
    ratio: float | None = None
    cover: tuple[float, float] | None = None
    refused: tuple[float, float] | None = (0.0, 0.03)


MUST_REFUSE = Bars(refused=(1.0, 1.0))


def _root_mean_square(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2))) if len(values) else NAN


@dataclass(eq=False)
class Score:
    """Outcomes of one group."""

    name: str
    outcomes: list[Outcome] = field(default_factory=list)

    def _column(self, name: str) -> Array:
        return np.array([getattr(o, name) for o in self.outcomes], dtype=np.float64)

    @property
    def tries(self) -> int:
        """How many trials there are, with and without an answer."""
        return len(self.outcomes)

    @property
    def errors_s(self) -> Array:
        """Errors of the answers."""
        errors = self._column("error_s")
        return errors[np.isfinite(errors)]

    @property
    def rmse_s(self) -> float:
        """Root-mean-square error."""
        return _root_mean_square(self.errors_s)

    @property
    def bias_s(self) -> float:
        """Mean error."""
        return float(np.mean(self.errors_s)) if len(self.errors_s) else NAN

    @property
    def sigma_s(self) -> float:
        """Root mean square of the standard deviations claimed."""
        sigma = self._column("sigma_s")
        return _root_mean_square(sigma[np.isfinite(sigma)])

    @property
    def bound_s(self) -> float:
        """Root mean square of the bounds."""
        return _root_mean_square(self._column("bound_s"))

    @property
    def fair_bound_s(self) -> float:
        """Root mean square of the bounds of the model fitted."""
        return _root_mean_square(self._column("fair_bound_s"))

    @property
    def cover(self) -> float:
        """Share of intervals that hold the truth."""
        given = len(self.errors_s)
        return sum(o.held for o in self.outcomes) / given if given else NAN

    @property
    def refused(self) -> float:
        """Share without an answer."""
        return 1 - len(self.errors_s) / self.tries if self.tries else NAN

    def percentile_s(self, percent: float) -> float:
        """Percentile of the error's size."""
        size = np.abs(self.errors_s)
        return float(np.percentile(size, percent)) if len(size) else NAN

    def missed(self, bars: Bars) -> list[str]:
        """Each bar that the group misses, in a few words."""
        out = []
        for words, value, most in (
            ("median", self.percentile_s(50), bars.median_s),
            ("95 %", self.percentile_s(95), bars.p95_s),
            ("largest", self.percentile_s(100), bars.largest_s),
        ):
            if most is not None and not value <= most:
                out.append(f"{words} over {1000 * most:g} ms")
        if bars.ratio is not None and not self.rmse_s <= bars.ratio * self.bound_s:
            out.append(f"over {bars.ratio:g} bounds")
        for words, share, count, limits in (
            ("cover", self.cover, len(self.errors_s), bars.cover),
            ("refused", self.refused, self.tries, bars.refused),
        ):
            if limits is not None and not _within(share, count, limits):
                out.append(f"{words} not {_shares(limits)}")
        return out

    def line(self, bars: Bars | None = None) -> str:
        """The group as a line of the table; judged where it has bars."""
        judged = ""
        if bars is not None:
            judged = "ok" if not self.missed(bars) else "MISSED: " + ", ".join(self.missed(bars))
        bound, share = self.bound_s, self.cover
        return (
            f"{self.name:<{NAME_WIDTH}} {self.tries:5d} {_ms(self.rmse_s)} "
            f"{_ms(self.percentile_s(50))} {_ms(self.percentile_s(95))} {_ms(bound)} "
            f"{_or_dash(self.rmse_s / bound, 5, 2)} {_ms(self.fair_bound_s)} "
            f"{_or_dash(100 * share, 5, 1)} "
            f"{_or_dash(100 * self.refused, 7, 1)}  {judged}"
        )


def _within(share: float, count: int, limits: tuple[float, float]) -> bool:
    """Whether a share of `count` keeps to its limits, two sigmas of the count allowed."""
    if not count:
        return False
    low, high = limits
    slack = [2 * math.sqrt(limit * (1 - limit) / count) for limit in limits]
    return low - slack[0] <= share <= high + slack[1]


def _shares(limits: tuple[float, float]) -> str:
    low, high = (f"{100 * limit:g}" for limit in limits)
    return f"{low} %" if low == high else f"{low} to {high} %"


def _or_dash(value: float, width: int, digits: int) -> str:
    return f"{value:{width}.{digits}f}" if math.isfinite(value) else f"{'-':>{width}}"


def _ms(value_s: float) -> str:
    return _or_dash(1000 * value_s, 6, 1)


def pooled(name: str, scores: Iterable[Score]) -> Score:
    """All outcomes of several groups as one."""
    return Score(name, [o for score in scores for o in score.outcomes])


@dataclass(eq=False)
class Film:
    """The pictures of one clip, and offsets by them as `timetrue align` finds them."""

    smaller: Callable[[], Iterable[LumaFrame]]
    larger: Callable[[], Iterable[LumaFrame]]

    @cached_property
    def motion(self) -> MotionSignal:
        """The motion signal."""
        return motion_signal(self.smaller(), larger=self.larger)

    @cached_property
    def ground(self) -> MotionSignal | None:
        """The signal of the ground alone."""
        return ground_signal(self.larger(), self.motion)

    def offset(self, log: Series) -> tuple[Alignment, MotionSignal]:
        """The alignment with a log, and the signal that gave it."""
        found = best_alignment(self.motion, lambda _: self.ground, partial(estimate, log))
        return found[1], found[0]


def estimate(log: Series, motion: MotionSignal) -> Alignment:
    """`estimate_offset` with its arguments the other way round."""
    return estimate_offset(motion, log)
