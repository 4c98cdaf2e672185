"""Verification: read a finished clip back from its pixels and judge whether any lag is left."""

from overlay.verify.finished import ReadBack, read_finished
from overlay.verify.verdict import Verdict, judge

__all__ = ["ReadBack", "Verdict", "judge", "read_finished"]
