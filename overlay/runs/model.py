"""What is known of one run on footage time."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from overlay.goals import SplitGoal as SplitGoal
from overlay.timebase import FloatArray


@dataclass(frozen=True, eq=False)
class Kinematics:
    """Corrected motion of the vehicle, on a fine even grid of footage time."""

    t_s: FloatArray  # shape (n,): footage time, evenly spaced
    # Shape (n,): speed over ground (>= 0), acceleration, distance from the first instant.
    speed_mps: FloatArray
    accel_mps2: FloatArray
    distance_m: FloatArray
    # Shape (n,): standard uncertainty of each, the timing not included.
    speed_sigma_mps: FloatArray
    accel_sigma_mps2: FloatArray
    distance_sigma_m: FloatArray
    # Standard uncertainty of the time axis (the lag's share), common to the whole run and, with a
    # shared receiver and clock, to the whole day.
    timing_sigma_s: float
    # Shape (n,): False inside gaps of the log, where nothing may be shown as measured.
    known: npt.NDArray[np.bool_]
    # Footage time at which rest ends and its standard uncertainty, where the record holds a launch
    # (the first one); None where it starts moving or never moves.
    launch_s: float | None = None
    launch_sigma_s: float | None = None
    # Standard deviation of the receiver's own noise, as estimated; NaN if unknown.
    speed_noise_mps: float = float("nan")


def with_common_error(kinematics: Kinematics, sigma_mps: float) -> Kinematics:
    """The same, its uncertainty with that of an error that all speeds share, but not rest.

    Examples
    --------
    >>> k = Kinematics(*([np.arange(3.0)] * 2), *([np.zeros(3)] * 5), 0.0, np.ones(3, bool))
    >>> shared = with_common_error(k, 0.5)
    >>> shared.speed_sigma_mps.tolist(), shared.distance_sigma_m.tolist()
    ([0.0, 0.5, 0.5], [0.0, 0.25, 0.75])
    """
    if not sigma_mps:
        return kinematics
    own = np.minimum(sigma_mps, kinematics.speed_mps / 2)
    steps = (own[1:] + own[:-1]) / 2 * np.diff(kinematics.t_s)
    gathered = np.concatenate([[0.0], np.cumsum(steps)])
    return replace(
        kinematics,
        speed_sigma_mps=np.hypot(kinematics.speed_sigma_mps, own),
        distance_sigma_m=np.hypot(kinematics.distance_sigma_m, gathered),
    )


@dataclass(frozen=True)
class Split:
    """Time from launch (or from where the goal says) to a goal."""

    goal: SplitGoal
    # Seconds; None when the run does not reach the goal or the log has a gap there.
    time_s: float | None
    at_s: float | None  # footage time of the instant
    speed_mps: float | None  # speed at that instant
    sigma_s: float | None  # standard uncertainty of `time_s` without the share common to the day
    reason: str | None = None  # why there is no time
    # The share common to the day, of the lag: not part of `sigma_s`.
    timing_sigma_s: float | None = None
    # The share common to the build, of how softly the vehicle sets off: not part of either.
    soft_sigma_s: float | None = None

    @property
    def total_sigma_s(self) -> float | None:
        """Standard uncertainty of `time_s` with what is shared."""
        if self.sigma_s is None:
            return None
        return math.hypot(self.sigma_s, self.timing_sigma_s or 0, self.soft_sigma_s or 0)


@dataclass(frozen=True)
class Launch:
    """The instant the vehicle starts to move."""

    at_s: float  # footage time
    sigma_s: float  # standard uncertainty in seconds
    rollout_at_s: float | None  # footage time at which the first 0.3048 m are covered
    # 0 to 1: weight of the motion seen in the picture in `at_s`; the rest comes from the log, where
    # an error of the lag shifts launch and goals alike and so leaves no trace in a split.
    picture_share: float = 0.0
    # The part of `sigma_s` that comes from not knowing how softly the vehicle sets off, taken as
    # common to the runs of a build.
    soft_sigma_s: float = 0.0


@dataclass(frozen=True)
class Mark:
    """Something that spoiled part of a run."""

    # ``wheelspin``, ``clutch slip``, ``limiter cut``, ``lift``, ``gap``, ``late launch``,
    # ``creeping launch``.
    kind: str
    # Footage times.
    start_s: float
    end_s: float
    detail: str  # one sentence with the figures
    size: float | None = None  # for a limiter cut the revs at which it bounces
