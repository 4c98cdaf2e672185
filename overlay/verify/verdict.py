"""Judging whether any lag is left, and how small a lag would have been caught."""

from __future__ import annotations

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
    """

    name: str
    outcome: str
    residual_lag_s: float | None
    interval_s: tuple[float, float] | None
    smallest_caught_s: float | None
    evidence: str
    reason: str

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
        return {**vars(self), "interval_s": interval}


def judge(name: str, motion: MotionSignal, shown: Series, *, evidence: str) -> Verdict:
    """Measure how late a shown speed is behind motion in the picture, and judge it.

    Parameters
    ----------
    name : str
        Of the run, for the report.
    motion : MotionSignal
    shown : Series
        Speed shown at each footage time, m/s.
    evidence : str
        What is compared, one phrase.
    """
    from overlay.sync import residual_lag

    return verdict_of(name, residual_lag(motion, shown), evidence=evidence)


def verdict_of(name: str, residual: Alignment, *, evidence: str) -> Verdict:
    """The verdict on a residual that has been measured."""
    if not residual.determined or residual.total_offset_s is None or residual.interval_s is None:
        reason = residual.reason or "the evidence is too weak"
        return Verdict(name, "cannot tell", None, None, None, evidence, reason)
    lag_s, (low, high) = residual.total_offset_s, residual.interval_s
    half = (high - low) / 2
    # Two-sided test at 5 %, power 80 %: (z_0.975 + z_0.80) standard errors.
    caught = half * (Z95 + Z80) / Z95
    measured = f"{1000 * lag_s:+.0f} ms ± {1000 * half:.0f}"
    if not low <= 0 <= high:
        late = "late" if lag_s > 0 else "early"
        outcome, reason = "lag", f"the shown speed is {late}: {measured}"
    elif half > TIGHT_S:
        outcome = "weak proof"
        reason = f"no lag seen ({measured}), but ± {1000 * TIGHT_S:.0f} ms at most proves it"
    else:
        outcome = "no lag"
        reason = f"no lag left: {measured}; {1000 * caught:.0f} ms would have been caught"
    return Verdict(name, outcome, lag_s, (low, high), caught, evidence, reason)
