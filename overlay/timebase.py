"""Exact frame times: integer presentation time stamps on a rational time base.

Footage time is presentation time less the presentation time of the first video frame. It is
never a frame number over a rate: phones and action cameras make frames of unequal length.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from overlay.errors import InputError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class FrameTimes:
    """Presentation times of the frames of one clip, in presentation order."""

    pts: IntArray  # ndarray of int64, shape (n,): presentation time stamps, strictly increasing
    time_base: Fraction  # Seconds in one tick, > 0

    def __post_init__(self) -> None:
        if self.time_base <= 0:
            raise InputError(f"time base {self.time_base} s is not positive: the clip is damaged")
        if self.pts.ndim != 1 or (len(self.pts) > 1 and bool(np.any(np.diff(self.pts) <= 0))):
            raise InputError("frame times do not increase: the clip is damaged")

    def __len__(self) -> int:
        return len(self.pts)

    @property
    def seconds(self) -> FloatArray:
        """Footage time of each frame in seconds, shape (n,); the first is 0.

        Examples
        --------
        >>> FrameTimes(np.array([10, 11, 13]), Fraction(1, 10)).seconds.tolist()
        [0.0, 0.1, 0.3]
        """
        if not len(self.pts):
            return np.zeros(0)
        ticks = (self.pts - self.pts[0]).astype(np.float64)
        seconds: FloatArray = ticks * self.time_base.numerator / self.time_base.denominator
        return seconds

    @property
    def median_step_s(self) -> float:
        """Median time from a frame to the next, in seconds; NaN with fewer than two frames."""
        return float(np.median(np.diff(self.seconds))) if len(self.pts) > 1 else float("nan")

    @property
    def is_variable(self) -> bool:
        """Whether frame lengths differ by more than one tick and 1 % of the median."""
        if len(self.pts) < 3:
            return False
        steps = np.diff(self.pts)
        middle = float(np.median(steps))
        return bool(np.max(np.abs(steps - middle)) > max(1.0, 0.01 * middle))
