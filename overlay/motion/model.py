"""What the picture says about motion."""

from __future__ import annotations

from dataclasses import dataclass, replace

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
    """What the gain of a motion signal may do besides, as standard deviations."""

    drift: float  # Relative size of slow errors, over seconds
    # Sizes of a part that follows the acceleration, s^2/m, and in `pitch_shares` how probable each
    # is before the data speak
    pitch: tuple[float, ...]
    pitch_shares: tuple[float, ...]
    spread_s: float  # By how much launch, middle and stop may differ for such errors
    # Log units by which motion and log must be explained better together than apart: the more the
    # gain may do, the more a wrong log gains by chance
    least_support: float
    # What the signal itself may be late or early: a vehicle that pitches and lifts on its springs
    # as it speeds up, beyond what the picture shows of it
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
    """Motion of the camera along its path, measured between successive pictures."""

    # shape (n,): footage time half-way between the two pictures of each pair, increasing
    t_s: FloatArray
    span_s: FloatArray  # shape (n,): time between the two pictures of each pair, > 0
    # shape (n,): proportional to ground speed with one unknown gain for the whole clip; scaled so
    # that its robust maximum is about 1; positive for the way the vehicle mostly goes
    forward: FloatArray
    # shape (n,), 0 to 1: how far each value may be trusted; 0 for duplicate frames, cuts, flashes,
    # lost pictures
    quality: FloatArray
    # shape (n,): standard uncertainty of `forward` in its own unit, from the scatter within the
    # picture
    sigma: FloatArray
    moving_share: float  # 0 to 1: share of the picture that moves with the ground at some time
    # Relative standard uncertainty of the gain between low and full speed: about 0.01 from clear
    # pictures, more where noise may bend it; 0 for a signal that does not come from pictures
    gain_bend: float = 0.0
    gain_errors: GainErrors = OPEN_GROUND  # What else the gain may do
    # Where corners on the ground were followed; the whole picture needs to know of none
    camera: Camera | None = None
    # Pairs of each kind
    duplicates: int = 0
    cuts: int = 0
    flashes: int = 0
    # Why the picture cannot tell motion (``the picture never moves``, ...), else None
    reason: str | None = None

    def __len__(self) -> int:
        return len(self.t_s)

    def rows(self, index: BoolArray | slice) -> MotionSignal:
        """Only these values, or in another order."""
        names = ("t_s", "span_s", "forward", "quality", "sigma")
        return replace(self, **{name: getattr(self, name)[index] for name in names})


def used(signal: MotionSignal) -> BoolArray:
    """Which values carry any trust, shape (n,)."""
    return np.asarray(signal.quality > 0)
