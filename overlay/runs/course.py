"""What is known of a run at any one instant: speed, revs, splits and gap as functions of time.

The gauges show these values and nothing else, so whatever a viewer reads is computed here.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Sequence
from dataclasses import KW_ONLY, dataclass

import numpy as np

from overlay.runs.marks import run_end_s
from overlay.runs.model import Kinematics, Launch, Mark, Split
from overlay.runs.tuning import REST
from overlay.series import Series
from overlay.timebase import FloatArray

STOPPED_MPS = 0.3
NAN = float("nan")


@dataclass(frozen=True)
class SpeedAt:
    """Motion at one instant; NaN where it is not known.

    `sigma_mps` is the standard uncertainty of the speed with the share of the timing, and
    `accel_sigma_mps2` that of the acceleration without it.
    """

    speed_mps: float
    sigma_mps: float
    accel_mps2: float
    distance_m: float
    accel_sigma_mps2: float = NAN


@dataclass(frozen=True)
class SplitAt:
    """One split at one instant."""

    split: Split
    status: str  # ``waiting``, ``filling``, ``passed`` or ``missed``
    progress: float  # share of the goal reached, 0 to 1


@dataclass(eq=False)
class Course:
    """One run as functions of footage time, `rpm` included.

    `rpm_per_mps` is the engine speed for one metre a second without slip.
    """

    kinematics: Kinematics
    _: KW_ONLY
    launch: Launch | None = None
    splits: Sequence[Split] = ()
    marks: Sequence[Mark] = ()
    rpm: Series | None = None
    rpm_per_mps: float | None = None

    def __post_init__(self) -> None:
        k, rpm = self.kinematics, self.rpm
        self._start_s = float(k.t_s[0])
        self._rate_hz = (len(k.t_s) - 1) / float(k.t_s[-1] - k.t_s[0])
        sigma = np.hypot(k.speed_sigma_mps, k.accel_mps2 * k.timing_sigma_s)
        # Plain lists: an item costs a tenth of an array's, and a gauge asks for a few a frame.
        self._speed = np.where(k.known, k.speed_mps, np.nan).tolist()
        self._sigma = np.where(k.known, sigma, np.nan).tolist()
        self._accel = np.where(k.known, k.accel_mps2, np.nan).tolist()
        self._accel_sigma = np.where(k.known, k.accel_sigma_mps2, np.nan).tolist()
        self._distance = np.where(k.known, k.distance_m, np.nan).tolist()
        self._rpm_step_s = rpm.median_step_s if rpm is not None and len(rpm) > 1 else NAN
        self._rpm_t = [] if rpm is None else rpm.t_s.tolist()
        self._rpm_values = [] if rpm is None else rpm.values.tolist()
        self.end_s = self._find_end()
        # Where the driver brakes or rolls out the run is over, and a gap means nothing any more.
        self.finish_s = run_end_s(k, self.launch.at_s) if self.launch else self.end_s

    def at(self, t_s: float) -> SpeedAt:
        """Speed, its standard uncertainty, acceleration and distance at a footage time."""
        place = (t_s - self._start_s) * self._rate_hz
        if not 0 <= place <= len(self._speed) - 1:
            return SpeedAt(NAN, NAN, NAN, NAN)
        index = min(int(place), len(self._speed) - 2)
        share = place - index

        def between(values: list[float]) -> float:
            return values[index] + share * (values[index + 1] - values[index])

        return SpeedAt(
            max(0.0, between(self._speed)) if self._speed[index] == self._speed[index] else NAN,
            between(self._sigma),
            between(self._accel),
            between(self._distance),
            between(self._accel_sigma),
        )

    def held_s(self, since_launch_s: float) -> float:
        """Footage time of an instant after launch, held at the end of the record."""
        at_s = self.launch.at_s if self.launch else 0.0
        return min(at_s + since_launch_s, float(self.kinematics.t_s[-1]))

    def from_launch_m(self, t_s: float) -> float:
        """Distance from launch in metres: 0 before it, NaN when not known."""
        if self.launch is None:
            return NAN
        if t_s <= self.launch.at_s:
            return 0.0
        return max(0.0, self.at(t_s).distance_m - self._launch_distance_m)

    @property
    def _launch_distance_m(self) -> float:
        k = self.kinematics
        at_s = self.launch.at_s if self.launch else k.t_s[0]
        return float(np.interp(at_s, k.t_s, k.distance_m))

    def reached_s(self, distance_m: float) -> float:
        """Seconds from launch at which a distance from launch is reached; NaN if never."""
        if self.launch is None:
            return NAN
        k = self.kinematics
        gone = k.distance_m - self._launch_distance_m
        index = int(np.searchsorted(gone, distance_m))
        if index >= len(gone) or not k.known[index]:
            return NAN
        if index == 0:
            return 0.0
        low, high = gone[index - 1], gone[index]
        share = (distance_m - low) / (high - low) if high > low else 1.0
        at_s = k.t_s[index - 1] + share * (k.t_s[index] - k.t_s[index - 1])
        return float(max(0.0, at_s - self.launch.at_s))

    def rpm_at(self, t_s: float) -> float:
        """Revolutions a minute at a footage time; NaN outside the log and inside its gaps."""
        times = self._rpm_t
        if not times or not times[0] <= t_s <= times[-1]:
            return NAN
        index = min(max(bisect.bisect_right(times, t_s) - 1, 0), len(times) - 2)
        step = times[index + 1] - times[index]
        if step > REST.gap_steps * self._rpm_step_s:
            return NAN
        low, high = self._rpm_values[index], self._rpm_values[index + 1]
        return float(low + (high - low) * (t_s - times[index]) / step)

    def slip_at(self, t_s: float) -> float:
        """(wheel speed - ground speed) / ground speed; NaN at rest or without the gearing."""
        speed = self.at(t_s).speed_mps
        if self.rpm_per_mps is None or not speed > STOPPED_MPS:
            return NAN
        return self.rpm_at(t_s) / self.rpm_per_mps / speed - 1.0

    def is_marked(self, kind: str, t_s: float) -> bool:
        """Whether a mark of a kind covers a footage time."""
        return any(m.kind == kind and m.start_s <= t_s <= m.end_s for m in self.marks)

    def splits_at(self, t_s: float) -> tuple[SplitAt, ...]:
        """Every split at a footage time."""
        return tuple(self._split_at(split, t_s) for split in self.splits)

    def _split_at(self, split: Split, t_s: float) -> SplitAt:
        if split.at_s is not None and t_s >= split.at_s:
            return SplitAt(split, "passed", 1.0)
        if self.launch is None or t_s <= self.launch.at_s:
            return SplitAt(split, "waiting", 0.0)
        if split.at_s is None and t_s >= self.end_s:
            return SplitAt(split, "missed", self._most(split))
        return SplitAt(split, "filling", self._progress(split, t_s))

    def _progress(self, split: Split, t_s: float) -> float:
        by_speed = split.goal.kind == "speed"
        reached = self.at(t_s).speed_mps if by_speed else self.from_launch_m(t_s)
        return 0.0 if math.isnan(reached) else min(1.0, max(0.0, reached / split.goal.value))

    def _most(self, split: Split) -> float:
        k = self.kinematics
        if split.goal.kind == "speed":
            most = float(np.max(k.speed_mps[k.known], initial=0.0))
        else:
            most = float(np.max(k.distance_m, initial=0.0)) - self._launch_distance_m
        return min(1.0, max(0.0, most / split.goal.value))

    def _find_end(self) -> float:
        """Footage time at which the run is over: at rest again, or the record's end."""
        k = self.kinematics
        if self.launch is None:
            return float(k.t_s[-1])
        after = k.t_s > self.launch.at_s + 1.0
        peak = int(np.argmax(np.where(after, k.speed_mps, -1.0)))
        rest = np.flatnonzero(k.speed_mps[peak:] < STOPPED_MPS)
        return float(k.t_s[peak + int(rest[0])]) if len(rest) else float(k.t_s[-1])


@dataclass(frozen=True)
class GapAt:
    """How far the first run is ahead of the second; positive = the first is ahead."""

    gap_s: float
    gap_m: float
    sigma_s: float


def gap_at(first: Course, second: Course, since_launch_s: float) -> GapAt:
    """The gap between two runs that start together, at a time from their common launch.

    Seconds at the distance that both have covered, metres at this instant; zeros before the
    launch, NaN where a run is not known. From the instant at which the first of the two brakes on,
    the gap stands still.
    """
    if first.launch is None or second.launch is None:
        return GapAt(NAN, NAN, NAN)
    over = min(c.finish_s - c.launch.at_s for c in (first, second) if c.launch is not None)
    since_launch_s = min(since_launch_s, over)
    if since_launch_s <= 0:
        return GapAt(0.0, 0.0, 0.0)
    gone = [c.from_launch_m(c.held_s(since_launch_s)) for c in (first, second)]
    common = min(gone)
    gap_s = second.reached_s(common) - first.reached_s(common)
    sigma = math.hypot(*(_crossing_sigma(c, common) for c in (first, second)))
    return GapAt(gap_s, gone[0] - gone[1], sigma)


def _crossing_sigma(course: Course, distance_m: float) -> float:
    """Standard uncertainty of the time to a distance: launch, and distance over speed."""
    if course.launch is None:
        return NAN
    k = course.kinematics
    at_s = course.launch.at_s + course.reached_s(distance_m)
    if math.isnan(at_s):
        return NAN
    speed = max(0.5, float(np.interp(at_s, k.t_s, k.speed_mps)))
    along: FloatArray = np.interp(np.array([course.launch.at_s, at_s]), k.t_s, k.distance_sigma_m)
    gathered = math.sqrt(max(0.0, float(along[1] ** 2 - along[0] ** 2)))
    return math.hypot(course.launch.sigma_s, gathered / speed)
