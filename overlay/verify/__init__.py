"""Verification: read a finished clip back from its pixels and judge whether any lag is left.

Nothing of the alignment is used here: neither its motion signal nor its fit (see the contract in
``pyproject.toml``), so that an error of the one cannot clear itself through the other.
"""

from overlay.verify.finished import ReadBack, read_finished
from overlay.verify.lag import check_motion
from overlay.verify.verdict import Check, Verdict, judge

__all__ = ["Check", "ReadBack", "Verdict", "check_motion", "judge", "read_finished"]
