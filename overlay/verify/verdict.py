"""Judging whether any lag is left, and how small a lag would have been caught."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from statistics import NormalDist
from typing import Any

from overlay.errors import LagFoundError, UndeterminedError, WeakProofError

LARGEST_S = 0.04
"""A lag up to this, about one picture, is no lag to a viewer; a proof must leave no more."""

NORMAL = NormalDist()
Z95 = NORMAL.inv_cdf(0.975)
# Halves of the 99 % and of the 99.9 % interval over that of 95 %.
CLEAR, SURE = (NORMAL.inv_cdf(0.5 + share / 2) / Z95 for share in (0.99, 0.999))
POWER = 0.80


@dataclass(frozen=True)
class Check:
    """What one witness says of the lag that is left."""

    evidence: str  # what was compared with what, one phrase
    # How late the shown speed is; positive = late; None if it cannot tell.
    residual_lag_s: float | None = None
    interval_s: tuple[float, float] | None = None  # its 95 % interval
    reason: str = ""  # why it cannot tell, or not surely; else empty
    # Whether it may call a clip late by itself; sound may not, since it may be late itself.
    accuses: bool = True

    @property
    def half_s(self) -> float:
        """Half of the interval; infinite where it cannot tell."""
        low, high = self.interval_s or (-math.inf, math.inf)
        return (high - low) / 2

    @property
    def said(self) -> str:
        """What it found, a few words."""
        if self.residual_lag_s is None:
            return f"cannot tell: {self.reason}"
        figure = f"{1000 * self.residual_lag_s:+.0f} ms ± {1000 * self.half_s:.0f}"
        return f"{figure}; {self.reason}" if self.reason else figure

    @property
    def outcome(self) -> str:
        """``no lag``, ``lag``, ``weak proof`` or ``cannot tell``, by itself."""
        if self.residual_lag_s is None:
            return "cannot tell"
        size_s = abs(self.residual_lag_s)
        if size_s > LARGEST_S and size_s > SURE * self.half_s:
            return "lag" if self.accuses else "weak proof"
        return "no lag" if size_s <= passing_s(self.half_s) else "weak proof"

    def to_json(self) -> dict[str, Any]:
        """Plain dictionary for ``--json``."""
        return dict(vars(self))


@dataclass(frozen=True)
class Verdict:
    """What verification found.

    Attributes
    ----------
    name : str
        Of the run.
    outcome : str
        ``no lag``, ``lag``, ``weak proof``, ``cannot tell`` or ``disagreement``.
    residual_lag_s : float or None
        How late the shown speed is by the surest witness; positive = late.
    interval_s : (float, float) or None
        Its 95 % interval.
    smallest_caught_s : float or None
        The smallest lag that would have kept it from passing with 80 % probability; None if
        the interval is too wide for any clip to pass.
    evidence : str
        What was compared with what.
    reason : str
        The outcome in one sentence.
    checks : tuple of Check
        Each witness by itself.
    """

    name: str
    outcome: str
    residual_lag_s: float | None
    interval_s: tuple[float, float] | None
    smallest_caught_s: float | None
    evidence: str
    reason: str
    checks: tuple[Check, ...] = ()

    @property
    def exit_code(self) -> int:
        """Exit code of this outcome, see :mod:`overlay.errors`."""
        return {
            "no lag": 0,
            "lag": LagFoundError.exit_code,
            "weak proof": WeakProofError.exit_code,
            "cannot tell": UndeterminedError.exit_code,
            "disagreement": UndeterminedError.exit_code,
        }[self.outcome]

    def to_json(self) -> dict[str, Any]:
        """Plain dictionary for ``--json``."""
        return {**vars(self), "checks": [check.to_json() for check in self.checks]}


def judge(name: str, checks: Sequence[Check], *, shown: str = "the speed shown") -> Verdict:
    """The verdict on a run from all that was checked.

    Witnesses are never averaged. The surest gives the figure, as long as none contradicts it:
    intervals that do not overlap, or one that would pass what another calls late, are told as a
    disagreement, without a figure.

    Parameters
    ----------
    name : str
        Of the run, for the report.
    checks : sequence of Check
        At least one.
    shown : str
        What was checked, one phrase.
    """
    telling = sorted((c for c in checks if c.residual_lag_s is not None), key=lambda c: c.half_s)
    said = f"{shown} against " + " and ".join(check.evidence for check in telling or checks)
    if not telling:
        reason = "; ".join(dict.fromkeys(check.reason for check in checks))
        return Verdict(name, "cannot tell", None, None, None, said, reason, tuple(checks))
    if any(_contradict(one, other) for one, other in combinations(telling, 2)):
        reason = "the witnesses disagree: " + ", ".join(f"{c.evidence} {c.said}" for c in telling)
        return Verdict(name, "disagreement", None, None, None, said, reason, tuple(checks))
    surest = telling[0]
    return Verdict(
        name,
        surest.outcome,
        surest.residual_lag_s,
        surest.interval_s,
        smallest_caught_s(surest.half_s) if passing_s(surest.half_s) > 0 else None,
        said,
        _reason(surest),
        tuple(checks),
    )


def passing_s(half_s: float) -> float:
    """Largest lag found that passes: zero lies in the interval, the 99 % one in `LARGEST_S`.

    Examples
    --------
    >>> [round(passing_s(half_s), 4) for half_s in (0.01, 0.025, 0.05)]
    [0.01, 0.0071, -0.0257]
    """
    return min(half_s, LARGEST_S - CLEAR * half_s)


def passes(lag_s: float, half_s: float) -> float:
    """Probability that a clip late by `lag_s` passes under an interval of half width `half_s`."""
    limit_s, sigma_s = passing_s(half_s), half_s / Z95
    if limit_s <= 0:
        return 0.0
    return NORMAL.cdf((limit_s - lag_s) / sigma_s) - NORMAL.cdf((-limit_s - lag_s) / sigma_s)


def smallest_caught_s(half_s: float) -> float:
    """The lag that keeps a clip from passing four times in five, seconds.

    Examples
    --------
    >>> round(smallest_caught_s(0.0196), 4)
    0.0227
    """
    from scipy.optimize import brentq

    if passes(0.0, half_s) <= 1 - POWER:
        return 0.0
    return float(brentq(lambda lag_s: passes(lag_s, half_s) - (1 - POWER), 0.0, 1.0))


def _contradict(one: Check, other: Check) -> bool:
    apart_s = abs((one.residual_lag_s or 0.0) - (other.residual_lag_s or 0.0))
    return apart_s > one.half_s + other.half_s or {one.outcome, other.outcome} == {"lag", "no lag"}


def _reason(check: Check) -> str:
    """The outcome of one witness in one sentence."""
    if check.outcome == "lag":
        late = "late" if (check.residual_lag_s or 0.0) > 0 else "early"
        return f"the shown speed is {late}: {check.said}"
    if check.outcome == "no lag":
        caught = 1000 * smallest_caught_s(check.half_s)
        return f"no lag left: {check.said}; {caught:.0f} ms would have been caught"
    most = f"a proof needs the 99 % interval within ± {1000 * LARGEST_S:.0f} ms"
    if abs(check.residual_lag_s or 0.0) > check.half_s:
        return f"perhaps a lag, not for sure: {check.said}; {most}"
    return f"no lag seen, but it is not proved: {check.said}; {most}"
