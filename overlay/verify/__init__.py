"""Verification: read a finished clip back from its pixels and judge whether any lag is left."""

from overlay.verify.finished import ReadBack, read_finished
from overlay.verify.verdict import Check, Verdict, check_motion, judge

__all__ = ["Check", "ReadBack", "Verdict", "check_motion", "judge", "read_finished"]
