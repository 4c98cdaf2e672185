"""A number read back from the picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from overlay.footage.upright import Box
from overlay.motion.model import BoolArray
from overlay.readout.updates import Updates
from overlay.series import Series
from overlay.timebase import FloatArray
from overlay.units import mps_per


@dataclass(frozen=True, eq=False)
class Readout:
    """A speed that is burnt into a clip.

    Attributes
    ----------
    path : str
        The clip as named by the user.
    box : (x, y, width, height)
        Around number and unit, displayed pixels.
    unit : str
        ``mph``, ``km/h``, ``m/s``, ``kn`` or ``ft/s``.
    decimals : int
    t_s : ndarray, shape (n,)
        Footage time of each frame, seconds.
    shown : ndarray, shape (n,)
        Figure that each frame shows, in `unit`, also where only others of the same update say it;
        NaN where none can be read.
    misread : ndarray of bool, shape (n,)
        Frames that read something else, each for itself, than the record has.
    struck : int
        Frames whose figure was left out since it fits neither what came before nor what after.
    updates : Updates
        When the readout took a value.
    """

    path: str
    box: Box
    unit: str
    decimals: int
    t_s: FloatArray
    shown: FloatArray
    misread: BoolArray
    struck: int
    updates: Updates

    @property
    def speed(self) -> Series:
        """Speed in m/s at the instants at which the readout took or passed it, on footage time."""
        values = self.updates.values * mps_per(self.unit)
        return Series(
            "speed_mps", self.updates.t_s, values, step=0.0 if self.updates.passed else None
        )

    @property
    def read(self) -> int:
        """How many frames show a number that was read."""
        return int(np.count_nonzero(np.isfinite(self.shown)))

    @property
    def error_limit(self) -> float:
        """Share of the read frames that single reading gets wrong, 95 % upper limit, 0 to 1.

        Of a binomial count (Clopper and Pearson 1934, Biometrika 26:404).
        """
        from scipy.stats import beta

        wrong = int(np.count_nonzero(self.misread)) + self.struck
        count = self.read + self.struck
        return 1.0 if wrong >= count else float(beta.ppf(0.95, wrong + 1, count - wrong))
