"""Times from launch to speeds and distances, with their uncertainty.

The uncertainty of a split follows the GUM (JCGM 100:2008, 5.1.2): that of the speed or distance
at the instant, divided by its rate of change there, and that of the launch. An error of the lag
shifts a launch and a goal from the same log alike and cancels; where the picture has a share in
the launch, that share of the lag's uncertainty is left. It is common to the day, so it is kept
apart in `Split.timing_sigma_s`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from overlay.errors import UsageError
from overlay.runs.model import Kinematics, Launch, Split, SplitGoal
from overlay.timebase import FloatArray
from overlay.units import FOOT_M, MPS_PER

_LENGTH_M = {"m": 1.0, "ft": FOOT_M, "km": 1000.0, "mi": 5280 * FOOT_M, "yd": 3 * FOOT_M}
_GOAL = re.compile(r"\s*(\d+(?:\.\d+)?)\s*([A-Za-z/]+)\s*(rollout|with rollout|)\s*")
_USELESS_SIGMA_S = 10.0


@dataclass(frozen=True)
class Peak:
    """The fastest instant of a run.

    Attributes
    ----------
    speed_mps, sigma_mps : float
    at_s : float
        Footage time.
    """

    speed_mps: float
    sigma_mps: float
    at_s: float


@dataclass(frozen=True)
class Braking:
    """From the start of braking to standstill (or to the end of what is known).

    Attributes
    ----------
    distance_m, sigma_m : float
    from_mps : float
        Speed at the start of braking.
    start_s, end_s : float
        Footage times.
    mean_decel_mps2 : float
        From v^2 / (2 s).
    """

    distance_m: float
    sigma_m: float
    from_mps: float
    start_s: float
    end_s: float
    mean_decel_mps2: float


def parse_goal(text: str) -> SplitGoal:
    """Read a goal as a person writes it.

    Raises
    ------
    UsageError
        If it is no number with a unit of speed or length, optionally followed by ``rollout``.

    Examples
    --------
    >>> parse_goal("60 m")
    SplitGoal(kind='distance', value=60.0, label='60 m', rollout=False)
    >>> round(parse_goal("330 ft").value, 3)
    100.584
    >>> parse_goal("20 mph rollout").rollout
    True
    """
    found = _GOAL.fullmatch(text)
    if found is None:
        raise UsageError(
            f"split {text!r} is not understood: write a number and a unit, such as '60 m', "
            "'20 mph' or '60 m rollout'"
        )
    number, unit, rollout = found.groups()
    label = f"{number} {unit}" + (" rollout" if rollout else "")
    value = float(number)
    if value <= 0:
        raise UsageError(f"split {text!r} must be above 0")
    if unit in MPS_PER:
        return SplitGoal("speed", value * MPS_PER[unit], label, bool(rollout))
    if unit in _LENGTH_M:
        return SplitGoal("distance", value * _LENGTH_M[unit], label, bool(rollout))
    known = ", ".join([*MPS_PER, *_LENGTH_M])
    raise UsageError(f"split {text!r} has an unknown unit {unit!r}: use one of {known}")


def default_goals(speed_unit: str = "mph") -> tuple[SplitGoal, ...]:
    """Goals within reach of a small single-cylinder vehicle on a short straight.

    Examples
    --------
    >>> [goal.label for goal in default_goals("km/h")]
    ['20 km/h', '40 km/h', '20 m', '60 m', '100 m']
    """
    speeds = {
        "mph": ("10 mph", "20 mph", "30 mph"),
        "km/h": ("20 km/h", "40 km/h"),
        "m/s": ("5 m/s", "10 m/s"),
        "kn": ("10 kn", "20 kn"),
        "ft/s": ("20 ft/s", "40 ft/s"),
    }
    imperial = speed_unit in ("mph", "ft/s")
    lengths = ("60 ft", "330 ft") if imperial else ("20 m", "60 m", "100 m")
    return tuple(parse_goal(text) for text in (*speeds.get(speed_unit, ()), *lengths))


def splits(
    kinematics: Kinematics, launch: Launch | None, goals: Sequence[SplitGoal]
) -> tuple[Split, ...]:
    """Time each goal from launch (or from the rollout, where the goal says so).

    Parameters
    ----------
    kinematics : Kinematics
    launch : Launch or None
        None gives no times, with the reason.
    goals : sequence of SplitGoal
        With ``rollout``, time and distance both count from 0.3048 m on.

    Returns
    -------
    tuple of Split
        One for each goal, in order.
    """
    return tuple(_split(kinematics, launch, goal) for goal in goals)


def _split(kinematics: Kinematics, launch: Launch | None, goal: SplitGoal) -> Split:
    """One goal."""

    def none(reason: str) -> Split:
        return Split(goal, None, None, None, None, reason)

    if launch is None:
        return none("no launch from rest in this record")
    begin_s = launch.rollout_at_s if goal.rollout else launch.at_s
    if begin_s is None:
        return none("the first 0.3048 m are not covered")
    k = kinematics
    if goal.kind == "speed":
        course, sigma, rate = k.speed_mps, k.speed_sigma_mps, k.accel_mps2
    else:
        course = k.distance_m - float(np.interp(begin_s, k.t_s, k.distance_m))
        sigma, rate = _distance_sigma(k, begin_s), k.speed_mps
    at_s = _first_crossing(k.t_s, course, goal.value, begin_s)
    if at_s is None:
        best = float(np.max(course[k.t_s >= begin_s], initial=0.0))
        unit = "m/s" if goal.kind == "speed" else "m"
        return none(f"not reached: the most is {best:.2f} {unit} of {goal.value:.2f} {unit}")
    if not _known_at(k, at_s):
        return none("the log has a gap there")
    slope = float(np.interp(at_s, k.t_s, rate))
    if slope <= 0:
        return none("the speed hovers there, so the instant cannot be told")
    own_s = float(np.interp(at_s, k.t_s, sigma)) / slope
    begin_sigma_s = float(np.sqrt(max(launch.sigma_s**2 - launch.soft_sigma_s**2, 0.0)))
    shared_s = float(np.hypot(k.timing_sigma_s * launch.picture_share, launch.soft_sigma_s))
    if goal.rollout:
        shared_s = k.timing_sigma_s * launch.picture_share
        begin_sigma_s = _rollout_sigma(k, launch, begin_s)
    sigma_s = float(np.hypot(own_s, begin_sigma_s))
    if sigma_s > _USELESS_SIGMA_S:
        return none("the speed hovers there, so the instant cannot be told")
    speed = float(np.interp(at_s, k.t_s, k.speed_mps))
    return Split(goal, at_s - begin_s, at_s, speed, sigma_s, timing_sigma_s=shared_s)


def _distance_sigma(k: Kinematics, begin_s: float) -> FloatArray:
    """Sigma of the distance from `begin_s`: the part gathered before it is taken off."""
    before = float(np.interp(begin_s, k.t_s, k.distance_sigma_m))
    gathered: FloatArray = np.sqrt(np.maximum(k.distance_sigma_m**2 - before**2, 0.0))
    return gathered


def _rollout_sigma(k: Kinematics, launch: Launch, begin_s: float) -> float:
    """Sigma of the instant at which the rollout ends; a late launch estimate hardly moves it."""
    speed = max(float(np.interp(begin_s, k.t_s, k.speed_mps)), 0.1)
    return min(float(np.interp(begin_s, k.t_s, k.distance_sigma_m)) / speed, 3 * launch.sigma_s)


def _first_crossing(t: FloatArray, course: FloatArray, value: float, from_s: float) -> float | None:
    """First time from `from_s` on at which the course reaches the value, between grid points."""
    over = np.flatnonzero((t >= from_s) & (course >= value))
    if not len(over):
        return None
    i = int(over[0])
    if i == 0 or course[i] == value or course[i - 1] >= value:
        return float(t[i])
    share = (value - course[i - 1]) / (course[i] - course[i - 1])
    return float(t[i - 1] + share * (t[i] - t[i - 1]))


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
    )


def braking(kinematics: Kinematics, *, min_decel_mps2: float = 1.5) -> Braking | None:
    """The stop after the fastest instant; None when the vehicle does not brake to a standstill.

    Parameters
    ----------
    min_decel_mps2 : float
        Deceleration from which it counts as braking; a coast of a light vehicle stays below
        about 1 m/s^2 (common practice, no source).

    Notes
    -----
    Mean deceleration is v^2 / (2 s), the kinematic relation of OpenStax *College Physics*, 2.5.
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
    distance = float(k.distance_m[last] - k.distance_m[first])
    spread = k.distance_sigma_m[last] ** 2 - k.distance_sigma_m[first] ** 2
    from_mps = float(k.speed_mps[first])
    return Braking(
        distance,
        float(np.sqrt(max(float(spread), 0.0))),
        from_mps,
        float(k.t_s[first]),
        float(k.t_s[last]),
        from_mps**2 / (2 * distance) if distance > 0 else 0.0,
    )
