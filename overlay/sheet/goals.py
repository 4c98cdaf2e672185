"""Goals of splits as the day sheet writes them: a number, a unit, and whether with rollout."""

from __future__ import annotations

import re
from dataclasses import dataclass

from overlay.units import FOOT_M, MPS_PER

M_PER = {"m": 1.0, "ft": FOOT_M, "yd": 3 * FOOT_M, "km": 1000.0, "mi": 5280 * FOOT_M}
GOAL_PATTERN = r"^\s*[0-9]+(\.[0-9]+)?\s*(" + "|".join([*MPS_PER, *M_PER]) + r")(\s+rollout)?\s*$"
_LENGTHS = "|".join(M_PER)
_NUMBER = r"[0-9]+(\.[0-9]+)?"
ROLLING_PATTERN = (
    rf"^\s*({_NUMBER}\s+to\s+{_NUMBER}\s*({'|'.join([*MPS_PER, *M_PER])})"
    rf"|trap\s+{_NUMBER}\s+to\s+{_NUMBER}\s*({_LENGTHS}))\s*$"
)
FASTEST_GOAL_MPS = 120.0  # far beyond a small single: a number above it has the wrong unit
FARTHEST_GOAL_M = 5000.0  # longer than any straight these vehicles run on
_SHAPE = re.compile(r"\s*([+-]?[0-9.,]+)\s*([^\s0-9]*)\s*(.*?)\s*")


@dataclass(frozen=True)
class GoalText:
    """A goal that is well written."""

    kind: str  # ``speed`` or ``distance``
    value: float  # in m/s or m, > 0
    with_rollout: bool  # whether the text ends in ``rollout``: the first 0.3048 m are then left out


def read_goal(text: str) -> GoalText | str:
    """The goal, or what is wrong with it and what to do.

    Examples
    --------
    >>> read_goal("330 ft rollout").value
    100.584
    >>> read_goal("60")
    'has no unit; write the unit too, such as "60 m" or "60 mph"'
    """
    shape = _SHAPE.fullmatch(text)
    if shape is None:
        return 'is no goal; write a number and a unit, such as "60 m", "20 mph" or "60 m rollout"'
    number, unit, rest = shape.groups()
    if not unit:
        return f'has no unit; write the unit too, such as "{number} m" or "{number} mph"'
    if unit not in MPS_PER and unit not in M_PER:
        return f"has an unknown unit; use one of {', '.join([*MPS_PER, *M_PER])}"
    if rest not in ("", "rollout"):
        return 'ends in words that mean nothing here; only "rollout" may follow the unit'
    if number.startswith("-"):
        return "is below 0; write a goal above 0"
    if not re.fullmatch(r"[0-9]+(\.[0-9]+)?", number):
        return "is no plain number; write it with a decimal point, such as 18.288"
    value = float(number) * (MPS_PER.get(unit) or M_PER[unit])
    if value <= 0:
        return "is 0; write a goal above 0"
    kind, most = ("speed", FASTEST_GOAL_MPS) if unit in MPS_PER else ("distance", FARTHEST_GOAL_M)
    if value > most:
        return f"is a {kind} that no short run reaches; check the unit"
    return GoalText(kind, value, rest == "rollout")


def read_rolling_goal(text: str) -> str:
    """What is wrong with a goal that counts from a speed or distance; empty where nothing is.

    Examples
    --------
    >>> read_rolling_goal("20 to 60 m"), read_rolling_goal("trap 50 to 60 m")
    ('', '')
    >>> read_rolling_goal("60 to 20 m")
    'must begin above 0 and below where it ends'
    """
    if not re.match(ROLLING_PATTERN, text):
        return 'is none; write one such as "10 to 20 mph", "20 to 60 m" or "trap 50 to 60 m"'
    low, high = (float(number) for number in re.findall(r"[0-9.]+", text)[:2])
    return "" if 0 < low < high else "must begin above 0 and below where it ends"
