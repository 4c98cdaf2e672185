"""What the picture says about motion."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from overlay.motion.camera import Camera
from overlay.timebase import FloatArray

BoolArray = npt.NDArray[np.bool_]


# Pictures further apart are not compared: between them not all of the recording was looked at.
LONGEST_PAIR_S = 1.5


@dataclass(frozen=True)
class Box:
    """A part of the picture, as fractions of its width and height from the top left, 0 to 1."""

    left: float
    top: float
    right: float
    bottom: float


@dataclass(frozen=True)
class GainErrors:
    """What the gain of a motion signal may do besides, as standard deviations.

    Attributes
    ----------
    drift : float
        Relative size of slow errors, over seconds.
    pitch : tuple of float
        Sizes of a part that follows the acceleration, s^2/m, and in `pitch_shares` how probable
        each is before the data speak.
    spread_s : float
        By how much launch, middle and stop may differ for such errors.
    least_support : float
        Log units by which motion and log must be explained better together than apart: the more
        the gain may do, the more a wrong log gains by chance.
    lag_s : float
        What the signal itself may be late or early: a vehicle that pitches and lifts on its
        springs as it speeds up, beyond what the picture shows of it.
    """

    drift: float
    pitch: tuple[float, ...]
    pitch_shares: tuple[float, ...]
    spread_s: float
    least_support: float
    lag_s: float

    @property
    def by_ground(self) -> bool:
        """Whether the signal is of the ground alone, followed among other things."""
        return self.lag_s > 0


# Of a picture of open ground (`accuracy.footage`), and of a road among other things
# (`accuracy.street`).
OPEN_GROUND = GainErrors(3e-3, (3e-4, 0.0025), (0.8, 0.2), 0.02, 6.0, 0.0)
AMONG_THINGS = GainErrors(0.02, (3e-4, 0.0025), (0.8, 0.2), 0.1, 18.0, 0.08)


@dataclass(frozen=True, eq=False)
class MotionSignal:
    """Motion of the camera along its path, measured between successive pictures.

    Attributes
    ----------
    t_s : ndarray of float, shape (n,)
        Footage time half-way between the two pictures of each pair, increasing.
    span_s : ndarray of float, shape (n,)
        Time between the two pictures of each pair, > 0.
    forward : ndarray of float, shape (n,)
        Proportional to ground speed with one unknown gain for the whole clip; scaled so that
        its robust maximum is about 1; positive for the way the vehicle mostly goes.
    quality : ndarray of float, shape (n,), 0 to 1
        How far each value may be trusted; 0 for duplicate frames, cuts, flashes, lost pictures.
    sigma : ndarray of float, shape (n,)
        Standard uncertainty of `forward` in its own unit, from the scatter within the picture.
    moving_share : float, 0 to 1
        Share of the picture that moves with the ground at some time.
    gain_bend : float
        Relative standard uncertainty of the gain between low and full speed: about 0.01 from clear
        pictures, more where noise may bend it; 0 for a signal that does not come from pictures.
    gain_errors : GainErrors
        What else the gain may do.
    camera : Camera or None
        Where corners on the ground were followed; the whole picture needs to know of none.
    duplicates, cuts, flashes : int
        Pairs of each kind.
    reason : str or None
        Why the picture cannot tell motion (``the picture never moves``, ...), else None.
    """

    t_s: FloatArray
    span_s: FloatArray
    forward: FloatArray
    quality: FloatArray
    sigma: FloatArray
    moving_share: float
    gain_bend: float = 0.0
    gain_errors: GainErrors = OPEN_GROUND
    camera: Camera | None = None
    duplicates: int = 0
    cuts: int = 0
    flashes: int = 0
    reason: str | None = None

    def __len__(self) -> int:
        return len(self.t_s)


def used(signal: MotionSignal) -> BoolArray:
    """Which values carry any trust, shape (n,)."""
    return np.asarray(signal.quality > 0)
