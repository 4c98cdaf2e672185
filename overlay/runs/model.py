"""What is known of one run on footage time."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from overlay.timebase import FloatArray


@dataclass(frozen=True, eq=False)
class Kinematics:
    """Corrected motion of the vehicle, on a fine even grid of footage time.

    Attributes
    ----------
    t_s : ndarray of float, shape (n,)
        Footage time, evenly spaced.
    speed_mps, accel_mps2, distance_m : ndarray of float, shape (n,)
        Speed over ground (>= 0), acceleration, distance from the first instant.
    speed_sigma_mps, accel_sigma_mps2, distance_sigma_m : ndarray of float, shape (n,)
        Standard uncertainty of each, the timing not included.
    timing_sigma_s : float
        Standard uncertainty of the time axis (the lag's share), common to the whole run and,
        with a shared receiver and clock, to the whole day.
    known : ndarray of bool, shape (n,)
        False inside gaps of the log, where nothing may be shown as measured.
    launch_s, launch_sigma_s : float or None
        Footage time at which rest ends and its standard uncertainty, where the record holds a
        launch (the first one); None where it starts moving or never moves.
    speed_noise_mps : float
        Standard deviation of the receiver's own noise, as given or as estimated; NaN if unknown.
    """

    t_s: FloatArray
    speed_mps: FloatArray
    accel_mps2: FloatArray
    distance_m: FloatArray
    speed_sigma_mps: FloatArray
    accel_sigma_mps2: FloatArray
    distance_sigma_m: FloatArray
    timing_sigma_s: float
    known: npt.NDArray[np.bool_]
    launch_s: float | None = None
    launch_sigma_s: float | None = None
    speed_noise_mps: float = float("nan")


@dataclass(frozen=True)
class SplitGoal:
    """A speed or a distance to time from launch or from another, or a trap to be fast in.

    Attributes
    ----------
    kind : str
        ``speed`` (values in m/s), ``distance`` (values in m), or ``trap``: the mean speed between
        two distances.
    value : float
        SI, > 0.
    label : str
        As shown, in the user's own unit, such as ``20 mph`` or ``60 m``.
    rollout : bool
        Whether the first 0.3048 m are left out (time counts from there).
    start : float
        Where the time begins, in the unit of `value`; 0 for the launch.
    """

    kind: str
    value: float
    label: str
    rollout: bool = False
    start: float = 0.0

    @property
    def counts_from_launch(self) -> bool:
        """Whether its time leans on the first movement."""
        return self.start == 0 and not self.rollout


@dataclass(frozen=True)
class Split:
    """Time from launch (or from where the goal says) to a goal.

    Attributes
    ----------
    goal : SplitGoal
    time_s : float or None
        Seconds; None when the run does not reach the goal or the log has a gap there.
    at_s : float or None
        Footage time of the instant.
    speed_mps : float or None
        Speed at that instant.
    sigma_s : float or None
        Standard uncertainty of `time_s` without the share common to the day.
    reason : str or None
        Why there is no time.
    timing_sigma_s : float or None
        The share common to the day, of the lag: not part of `sigma_s`.
    soft_sigma_s : float or None
        The share common to the build, of how softly the vehicle sets off: not part of either.
    """

    goal: SplitGoal
    time_s: float | None
    at_s: float | None
    speed_mps: float | None
    sigma_s: float | None
    reason: str | None = None
    timing_sigma_s: float | None = None
    soft_sigma_s: float | None = None

    @property
    def total_sigma_s(self) -> float | None:
        """Standard uncertainty of `time_s` with what is shared."""
        if self.sigma_s is None:
            return None
        return math.hypot(self.sigma_s, self.timing_sigma_s or 0, self.soft_sigma_s or 0)


@dataclass(frozen=True)
class Launch:
    """The instant the vehicle starts to move.

    Attributes
    ----------
    at_s : float
        Footage time.
    sigma_s : float
        Standard uncertainty in seconds.
    rollout_at_s : float or None
        Footage time at which the first 0.3048 m are covered.
    picture_share : float, 0 to 1
        Weight of the motion seen in the picture in `at_s`; the rest comes from the log, where an
        error of the lag shifts launch and goals alike and so leaves no trace in a split.
    soft_sigma_s : float
        The part of `sigma_s` that comes from not knowing how softly the vehicle sets off, taken
        as common to the runs of a build.
    """

    at_s: float
    sigma_s: float
    rollout_at_s: float | None
    picture_share: float = 0.0
    soft_sigma_s: float = 0.0


@dataclass(frozen=True)
class Mark:
    """Something that spoiled part of a run.

    Attributes
    ----------
    kind : str
        ``wheelspin``, ``clutch slip``, ``limiter cut``, ``lift``, ``gap``, ``late launch``,
        ``creeping launch``.
    start_s, end_s : float
        Footage times.
    detail : str
        One sentence with the figures.
    size : float or None
        For a limiter cut the revs at which it bounces.
    """

    kind: str
    start_s: float
    end_s: float
    detail: str
    size: float | None = None
