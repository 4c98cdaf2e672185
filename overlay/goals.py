"""Goals as people write them: a speed or distance, with rollout, between two of them, or a trap."""

from __future__ import annotations

import re
from dataclasses import dataclass

from overlay.errors import UsageError
from overlay.units import FOOT_M, MPS_PER

M_PER = {"m": 1.0, "ft": FOOT_M, "yd": 3 * FOOT_M, "km": 1000.0, "mi": 5280 * FOOT_M}
FASTEST_GOAL_MPS = 120.0  # far beyond a small single: a number above it has the wrong unit
FARTHEST_GOAL_M = 5000.0  # longer than any straight these vehicles run on
_NUMBER = r"[0-9]+(\.[0-9]+)?"
_UNITS, _LENGTHS = "|".join([*MPS_PER, *M_PER]), "|".join(M_PER)
GOAL_PATTERN = rf"^\s*{_NUMBER}\s*({_UNITS})(\s+rollout)?\s*$"
ROLLING_PATTERN = (
    rf"^\s*({_NUMBER}\s+to\s+{_NUMBER}\s*({_UNITS})"
    rf"|trap\s+{_NUMBER}\s+to\s+{_NUMBER}\s*({_LENGTHS}))\s*$"
)
_WRITTEN = r"[+-]?[0-9.,]+"
_SHAPE = re.compile(rf"\s*(trap\s+|)(?:({_WRITTEN})\s*to\s*|)({_WRITTEN})\s*([^\s0-9]*)\s*(.*?)\s*")


@dataclass(frozen=True)
class SplitGoal:
    """A speed or a distance to time from launch or from another, or a trap to be fast in."""

    # ``speed`` (values in m/s), ``distance`` (values in m), or ``trap``: the mean speed between two
    # distances.
    kind: str
    value: float  # SI, > 0
    label: str  # as shown, in the user's own unit, such as ``20 mph`` or ``60 m``
    rollout: bool = False  # whether the first 0.3048 m are left out (time counts from there)
    start: float = 0.0  # where the time begins, in the unit of `value`; 0 for the launch

    @property
    def counts_from_launch(self) -> bool:
        """Whether its time leans on the first movement."""
        return self.start == 0 and not self.rollout

    @property
    def unit(self) -> str:
        """Of the figure it gives: ``s``, of which less is better, or ``m/s``."""
        return "m/s" if self.kind == "trap" else "s"

    def per_time(self, time_s: float) -> float:
        """Its figure from the time that it took: that time, or the mean speed over it."""
        return (self.value - self.start) / time_s if self.kind == "trap" else time_s


def read_goal(text: str) -> SplitGoal | str:
    """The goal, or what is wrong with it and what to do.

    Examples
    --------
    >>> read_goal("330 ft rollout").value
    100.584
    >>> read_goal("60")
    'has no unit; write the unit too, such as "60 m" or "60 mph"'
    >>> read_goal("60 to 20 m")
    'must begin above 0 and below where it ends'
    """
    shape = _SHAPE.fullmatch(text)
    if shape is None:
        return (
            'is no goal; write a number and a unit, such as "60 m", "20 mph", "60 m rollout", '
            '"10 to 20 mph" or "trap 50 to 60 m"'
        )
    trap, first, number, unit, rest = shape.groups()
    if not unit:
        return f'has no unit; write the unit too, such as "{number} m" or "{number} mph"'
    if unit not in MPS_PER and unit not in M_PER:
        return f"has an unknown unit; use one of {', '.join([*MPS_PER, *M_PER])}"
    if rest not in ("", "rollout", "with rollout"):
        return 'ends in words that mean nothing here; only "rollout" may follow the unit'
    for one in (number, first or number):
        if one.startswith("-"):
            return "is below 0; write a goal above 0"
        if not re.fullmatch(_NUMBER, one):
            return "is no plain number; write it with a decimal point, such as 18.288"
    scale = MPS_PER.get(unit) or M_PER[unit]
    start, value = scale * float(first or 0), scale * float(number)
    if value <= 0:
        return "is 0; write a goal above 0"
    if first is not None and not 0 < start < value:
        return "must begin above 0 and below where it ends"
    if first is not None and rest:
        return "begins at a speed or distance, so there is no rollout to leave out"
    if trap and (first is None or unit in MPS_PER):
        return 'is none: a trap lies between two distances, as "trap 50 to 60 m"'
    label = f"{number} {unit}" + (" rollout" if rest else "")
    label = label if first is None else ("trap " if trap else "") + f"{first} to {label}"
    kind = "trap" if trap else "speed" if unit in MPS_PER else "distance"
    return SplitGoal(kind, value, label, bool(rest), start)


def parse_goal(text: str) -> SplitGoal:
    """Read a goal.

    Raises
    ------
    UsageError
        If it is none of ``60 m``, ``20 mph``, ``60 m rollout``, ``10 to 20 mph``, ``20 to 60 m``
        and ``trap 50 to 60 m``.

    Examples
    --------
    >>> parse_goal("60 m")
    SplitGoal(kind='distance', value=60.0, label='60 m', rollout=False, start=0.0)
    >>> parse_goal("trap 50 to 60 m").kind, parse_goal("20 to 60 m").start
    ('trap', 20.0)
    """
    goal = read_goal(text)
    if isinstance(goal, str):
        raise UsageError(f"split {text!r} {goal}")
    return goal


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


def sheet_goal(text: str, *, is_rolling: bool) -> str:
    """The text, once it is a goal of the kind that belongs there and that a short run reaches.

    Raises
    ------
    ValueError
        If it is not, with what to do.
    """
    goal = read_goal(text)
    if isinstance(goal, str):
        raise ValueError(goal)
    if is_rolling and not goal.start:
        raise ValueError(
            'is none; write one such as "10 to 20 mph", "20 to 60 m" or "trap 50 to 60 m"'
        )
    if goal.start and not is_rolling:
        raise ValueError("begins at a speed or distance; write it under judged")
    if goal.value > (FASTEST_GOAL_MPS if goal.kind == "speed" else FARTHEST_GOAL_M):
        raise ValueError(f"is a {goal.kind} that no short run reaches; check the unit")
    return text
