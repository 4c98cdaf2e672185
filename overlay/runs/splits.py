"""Times to speeds and distances, from launch or from one another, with their uncertainty.

The uncertainty of a split follows the GUM (JCGM 100:2008, 5.1.2): that of the speed or distance
at the instant, divided by its rate of change there, and that of the launch. An error of the lag
shifts a launch and a goal from the same log alike and cancels; where the picture has a share in
the launch, that share of the lag's uncertainty is left. It is common to the day, so it is kept
apart in `Split.timing_sigma_s`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from overlay.goals import default_goals as default_goals
from overlay.goals import parse_goal as parse_goal
from overlay.runs.launch import first_crossing
from overlay.runs.model import Kinematics, Launch, Split, SplitGoal
from overlay.timebase import FloatArray

_USELESS_SIGMA_S = 10.0
_LIFT_S = 0.3
_ABOUT_MPS = 0.1
_GAINING_MPS = 0.3  # in a second: a cart within that of its top speed has in effect reached it


@dataclass(frozen=True)
class Peak:
    """The fastest instant of a run, on footage time.

    Where it `is_accelerating`, it still gained speed when the driver lifted: no top speed.
    """

    speed_mps: float
    sigma_mps: float
    at_s: float
    is_accelerating: bool = False


@dataclass(frozen=True)
class Braking:
    """From the speed at the start of braking to standstill, on footage time."""

    distance_m: float
    from_mps: float
    start_s: float
    end_s: float

    @property
    def mean_decel_mps2(self) -> float:
        """By v^2 / (2 s), the kinematic relation of OpenStax *College Physics*, 2.5."""
        return self.from_mps**2 / (2 * self.distance_m) if self.distance_m > 0 else 0.0


def rolling_goals(goals: Sequence[SplitGoal]) -> tuple[SplitGoal, ...]:
    """Goals that do not lean on the first movement, made of those that do.

    From the least speed (distance) of the goals to each greater one; from a third of it where
    there is only one. The furthest comes first, distances before speeds.

    Examples
    --------
    >>> given = [parse_goal(text) for text in ("10 mph", "20 mph", "60 m", "20 m")]
    >>> [goal.label for goal in rolling_goals(given)]
    ['20 to 60 m', '10 to 20 mph']
    """
    made = []
    for kind in ("distance", "speed"):
        units: dict[str, list[float]] = {}
        for goal in goals:
            if goal.kind == kind and goal.counts_from_launch:
                number, unit = goal.label.split()
                units.setdefault(unit, []).append(float(number))
        for unit, numbers in units.items():
            least, *greater = (
                sorted(set(numbers))
                if len(set(numbers)) > 1
                else (round(numbers[0] / 3, 1), numbers[0])
            )
            made += [parse_goal(f"{least:g} to {one:g} {unit}") for one in reversed(greater)]
    return tuple(made)


def splits(
    kinematics: Kinematics, launch: Launch | None, goals: Sequence[SplitGoal]
) -> tuple[Split, ...]:
    """Time each goal from launch, or from the rollout, speed or distance that the goal names.

    Without a launch there are no times; each says why. With ``rollout``, time and distance both
    count from 0.3048 m on.
    """
    return tuple(_split(kinematics, launch, goal) for goal in goals)


@dataclass(frozen=True)
class _Instant:
    """When a course reaches a value, and the sigma of that, before any covariance."""

    at_s: float
    sigma_s: float


def _split(k: Kinematics, launch: Launch | None, goal: SplitGoal) -> Split:
    def none(reason: str) -> Split:
        return Split(goal, None, None, None, None, reason)

    if launch is None:
        return none("no launch from rest in this record")
    begin_s = launch.rollout_at_s if goal.rollout else launch.at_s
    if begin_s is None:
        return none("the first 0.3048 m are not covered")
    end = _reached(k, goal, goal.value, begin_s)
    if isinstance(end, str):
        return none(end)
    speed = float(np.interp(end.at_s, k.t_s, k.speed_mps))
    if goal.start:
        start = _reached(k, goal, goal.start, begin_s)
        if isinstance(start, str):
            return none(start)
        sigma_s = _between(k, goal, start, end, begin_s)
        return Split(goal, end.at_s - start.at_s, end.at_s, speed, sigma_s, None, 0.0, 0.0)
    begin_sigma_s = float(np.sqrt(max(launch.sigma_s**2 - launch.soft_sigma_s**2, 0.0)))
    soft_s = launch.soft_sigma_s
    if goal.rollout:
        begin_sigma_s, soft_s = _rollout_sigma(k, launch, begin_s), 0.0
    sigma_s = float(np.hypot(end.sigma_s, begin_sigma_s))
    lag_s = k.timing_sigma_s * launch.picture_share
    return Split(goal, end.at_s - begin_s, end.at_s, speed, sigma_s, None, lag_s, soft_s)


def _reached(k: Kinematics, goal: SplitGoal, value: float, begin_s: float) -> _Instant | str:
    """The instant at which a value of the goal's kind is reached, or why there is none."""
    if goal.kind == "speed":
        course, sigma, rate = k.speed_mps, k.speed_sigma_mps, k.accel_mps2
    else:
        course = k.distance_m - float(np.interp(begin_s, k.t_s, k.distance_m))
        sigma, rate = _distance_sigma(k, begin_s), k.speed_mps
    at_s = first_crossing(k.t_s, course, value, begin_s)
    if at_s is None:
        number, unit = goal.label.split(" to ")[-1].split()[:2]
        best = float(np.max(course[k.t_s >= begin_s], initial=0.0)) * float(number) / goal.value
        return f"not reached: the most is {best:.1f} {unit}"
    if not _known_at(k, at_s):
        return "the log has a gap there"
    slope = float(np.interp(at_s, k.t_s, rate))
    sigma_s = float(np.interp(at_s, k.t_s, sigma)) / slope if slope > 0 else np.inf
    if sigma_s > _USELESS_SIGMA_S:
        return "the speed hovers there, so the instant is not known"
    return _Instant(at_s, sigma_s)


def _between(
    k: Kinematics, goal: SplitGoal, start: _Instant, end: _Instant, begin_s: float
) -> float:
    """Sigma of the time between two instants of one log (JCGM 100:2008, 5.2.2, eq. 16).

    A distance gathers its error step by step, so that of the second instant holds that of the
    first: their covariance is the variance at the first. Errors of speed at two instants are
    correlated as exp(-apart / T); the variance of the distance grows by 2 sigma^2 T a second,
    which gives T.
    """
    if goal.kind == "speed":
        apart_s = end.at_s - start.at_s
        grown = np.diff(np.interp([start.at_s, end.at_s], k.t_s, k.distance_sigma_m**2))[0]
        between = (k.t_s >= start.at_s) & (k.t_s <= end.at_s)
        usual = float(np.mean(k.speed_sigma_mps[between] ** 2)) if np.any(between) else 0.0
        time_s = max(float(grown), 0.0) / (2 * usual * apart_s) if usual > 0 else 0.0
        correlation = float(np.exp(-apart_s / time_s)) if time_s > 0 else 0.0
    else:
        gathered = np.interp([start.at_s, end.at_s], k.t_s, _distance_sigma(k, begin_s))
        correlation = float(gathered[0] / gathered[1]) if gathered[1] > 0 else 0.0
    variance = start.sigma_s**2 + end.sigma_s**2
    variance -= 2 * min(correlation, 1.0) * start.sigma_s * end.sigma_s
    return float(np.sqrt(max(variance, 0.0)))


def _distance_sigma(k: Kinematics, begin_s: float) -> FloatArray:
    """Sigma of the distance from `begin_s`: the part gathered before it is taken off."""
    before = float(np.interp(begin_s, k.t_s, k.distance_sigma_m))
    gathered: FloatArray = np.sqrt(np.maximum(k.distance_sigma_m**2 - before**2, 0.0))
    return gathered


def _rollout_sigma(k: Kinematics, launch: Launch, begin_s: float) -> float:
    """Sigma of the instant at which the rollout ends; a late launch estimate hardly moves it."""
    speed = max(float(np.interp(begin_s, k.t_s, k.speed_mps)), 0.1)
    return min(float(np.interp(begin_s, k.t_s, k.distance_sigma_m)) / speed, 3 * launch.sigma_s)


def _known_at(k: Kinematics, at_s: float) -> bool:
    """Whether both grid points about an instant are measured."""
    i = int(np.clip(np.searchsorted(k.t_s, at_s), 1, len(k.t_s) - 1))
    return bool(k.known[i - 1] and k.known[i])


def top_speed(kinematics: Kinematics) -> Peak | None:
    """The fastest instant outside gaps, or None when nothing is known."""
    known = np.flatnonzero(kinematics.known)
    if not len(known):
        return None
    i = int(known[np.argmax(kinematics.speed_mps[known])])
    return Peak(
        float(kinematics.speed_mps[i]),
        float(kinematics.speed_sigma_mps[i]),
        float(kinematics.t_s[i]),
        _gains_before(kinematics, i),
    )


def _gains_before(k: Kinematics, peak: int) -> bool:
    """Whether the speed rose steadily in the last second of pull before the peak.

    The smoother rounds off the lift over some tenths of a second, so these are left out.
    """
    about = k.speed_mps >= k.speed_mps[peak] - max(_ABOUT_MPS, float(k.speed_sigma_mps[peak]))
    lifted_s = float(k.t_s[np.flatnonzero(about)[-1]])  # a speed that is held peaks anywhere
    late_s, early_s = lifted_s - _LIFT_S, lifted_s - _LIFT_S - 1.0
    if early_s < k.t_s[0]:
        return False
    early, late = np.interp([early_s, late_s], k.t_s, k.speed_mps)
    unsure = np.hypot(*np.interp([early_s, late_s], k.t_s, k.speed_sigma_mps))
    return bool(late - early > max(_GAINING_MPS, 3 * unsure))


def braking(kinematics: Kinematics, *, min_decel_mps2: float = 1.5) -> Braking | None:
    """The stop after the fastest instant; None when the vehicle does not brake to a standstill.

    Parameters
    ----------
    min_decel_mps2 : float
        Deceleration from which it counts as braking; a coast of a light vehicle stays below
        about 1 m/s^2 (common practice, no source).
    """
    k = kinematics
    peak = top_speed(k)
    if peak is None:
        return None
    after = k.t_s >= peak.at_s
    stopped = np.flatnonzero(after & (k.speed_mps < 0.1))
    hard = np.flatnonzero(after & (k.accel_mps2 <= -min_decel_mps2))
    if not len(stopped) or not len(hard) or hard[0] >= stopped[0]:
        return None
    first, last = int(hard[0]), int(stopped[0])
    if not bool(np.all(k.known[first : last + 1])):
        return None
    distance_m = float(k.distance_m[last] - k.distance_m[first])
    return Braking(distance_m, float(k.speed_mps[first]), float(k.t_s[first]), float(k.t_s[last]))
