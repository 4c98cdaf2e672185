"""Judging whether any lag is left, and how small a lag would have been caught."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from scipy.special import ndtri

from overlay.errors import LagFoundError, UndeterminedError, WeakProofError
from overlay.motion.model import MotionSignal
from overlay.series import Series
from overlay.sync.model import Alignment

TIGHT_S = 0.1
"""Half of the 95 % interval that still means something: a tenth of the usual lag of a second."""

Z95 = float(ndtri(0.975))
Z80 = float(ndtri(0.80))


@dataclass(frozen=True)
class Check:
    """What one kind of evidence says of the lag that is left.

    Attributes
    ----------
    evidence : str
        What was compared with what, one phrase.
    independent : bool
        Whether it is of another kind than the evidence that the lag was fitted to.
    residual_lag_s : float or None
        How late the shown speed is; positive = late; None if it cannot tell.
    interval_s : (float, float) or None
        Its 95 % interval.
    reason : str
        Why it cannot tell, else empty.
    """

    evidence: str
    independent: bool
    residual_lag_s: float | None = None
    interval_s: tuple[float, float] | None = None
    reason: str = ""

    @property
    def half_s(self) -> float:
        """Half of the interval; infinite where it cannot tell."""
        low, high = self.interval_s or (-math.inf, math.inf)
        return (high - low) / 2

    @property
    def said(self) -> str:
        """What it found, a few words."""
        if self.residual_lag_s is None:
            return f"cannot tell ({self.reason})"
        return _measured(self.residual_lag_s, self.half_s)

    def to_json(self) -> dict[str, Any]:
        """Plain dictionary for ``--json``."""
        interval = None if self.interval_s is None else list(self.interval_s)
        return {**vars(self), "interval_s": interval}


@dataclass(frozen=True)
class Verdict:
    """What verification found.

    Attributes
    ----------
    name : str
        Of the run.
    outcome : str
        ``no lag``, ``lag``, ``weak proof`` or ``cannot tell``.
    residual_lag_s : float or None
        How late the shown speed is; positive = late.
    interval_s : (float, float) or None
        Its 95 % interval.
    smallest_caught_s : float or None
        The smallest lag that this check would have caught with 80 % probability.
    evidence : str
        What was compared with what.
    reason : str
        The outcome in one sentence.
    independent : bool
        Whether all of the evidence used is of another kind than what the lag was fitted to.
    checks : tuple of Check
        Each kind of evidence by itself, used or not.
    """

    name: str
    outcome: str
    residual_lag_s: float | None
    interval_s: tuple[float, float] | None
    smallest_caught_s: float | None
    evidence: str
    reason: str
    independent: bool = False
    checks: tuple[Check, ...] = ()

    @property
    def exit_code(self) -> int:
        """Exit code of this outcome, see :mod:`overlay.errors`."""
        return {
            "no lag": 0,
            "lag": LagFoundError.exit_code,
            "weak proof": WeakProofError.exit_code,
            "cannot tell": UndeterminedError.exit_code,
        }[self.outcome]

    def to_json(self) -> dict[str, Any]:
        """Plain dictionary for ``--json``."""
        interval = None if self.interval_s is None else list(self.interval_s)
        checks = [check.to_json() for check in self.checks]
        return {**vars(self), "interval_s": interval, "checks": checks}


def check_motion(motion: MotionSignal, shown: Series, *, evidence: str, independent: bool) -> Check:
    """How late a shown speed is behind motion in the picture.

    Parameters
    ----------
    motion : MotionSignal
    shown : Series
        Speed shown at each footage time, m/s.
    evidence : str
        What is compared, one phrase.
    independent : bool
        Whether the motion was measured otherwise than for the fit.
    """
    from overlay.sync import residual_lag

    return check_of(residual_lag(motion, shown), evidence=evidence, independent=independent)


def check_of(residual: Alignment, *, evidence: str, independent: bool) -> Check:
    """The check that a measured residual makes."""
    if not residual.determined or residual.total_offset_s is None or residual.interval_s is None:
        reason = residual.reason or "the evidence is too weak"
        return Check(evidence, independent, reason=reason)
    return Check(evidence, independent, residual.total_offset_s, residual.interval_s)


def judge(name: str, checks: Sequence[Check], *, shown: str = "the speed shown") -> Verdict:
    """The verdict on a run from all that was checked.

    Kinds of evidence are taken together, each by its own precision; where they differ by more than
    their intervals bear, the interval is widened until they do (the ratio of Birge 1932, Phys. Rev.
    40:207).

    Parameters
    ----------
    name : str
        Of the run, for the report.
    checks : sequence of Check
        At least one.
    shown : str
        What was checked, one phrase.
    """
    telling = [check for check in checks if check.residual_lag_s is not None]
    said = f"{shown} against " + " and ".join(check.evidence for check in telling or checks)
    if not telling:
        reason = "; ".join(dict.fromkeys(check.reason for check in checks))
        return Verdict(name, "cannot tell", None, None, None, said, reason, checks=tuple(checks))
    lag_s, half_s = _taken_together(telling)
    outcome, reason = _outcome(lag_s, half_s)
    return Verdict(
        name,
        outcome,
        lag_s,
        (lag_s - half_s, lag_s + half_s),
        smallest_caught_s(half_s),
        said,
        reason,
        all(check.independent for check in telling),
        tuple(checks),
    )


def smallest_caught_s(half_s: float) -> float:
    """The lag that an interval of half width `half_s` leaves out zero for, four times in five.

    Two-sided test at 5 %, power 80 %: (z_0.975 + z_0.80) standard errors.

    Examples
    --------
    >>> round(smallest_caught_s(0.0196), 4)
    0.028
    """
    return half_s * (Z95 + Z80) / Z95


def _taken_together(telling: Sequence[Check]) -> tuple[float, float]:
    """Lag and half of the 95 % interval from all checks that tell, seconds."""
    lags = [check.residual_lag_s or 0.0 for check in telling]
    weights = [(Z95 / max(check.half_s, 1e-6)) ** 2 for check in telling]
    lag_s = math.fsum(w * lag for w, lag in zip(weights, lags, strict=True)) / math.fsum(weights)
    chi2 = math.fsum(w * (lag - lag_s) ** 2 for w, lag in zip(weights, lags, strict=True))
    ratio = math.sqrt(max(1.0, chi2 / max(len(telling) - 1, 1)))
    return lag_s, ratio * Z95 / math.sqrt(math.fsum(weights))


def _outcome(lag_s: float, half_s: float) -> tuple[str, str]:
    """Outcome and reason of a residual lag with half of its interval."""
    measured = _measured(lag_s, half_s)
    if abs(lag_s) > half_s:
        late = "late" if lag_s > 0 else "early"
        return "lag", f"the shown speed is {late}: {measured}"
    if half_s > TIGHT_S:
        most = f"± {1000 * TIGHT_S:.0f} ms at most proves it"
        return "weak proof", f"no lag seen ({measured}), but {most}"
    caught = 1000 * smallest_caught_s(half_s)
    return "no lag", f"no lag left: {measured}; {caught:.0f} ms would have been caught"


def _measured(lag_s: float, half_s: float) -> str:
    return f"{1000 * lag_s:+.0f} ms ± {1000 * half_s:.0f}"
