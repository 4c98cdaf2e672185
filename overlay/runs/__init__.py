"""Runs: launches and stops, kinematics, splits, marks."""

from overlay.runs.launch import find_launch, is_creeping
from overlay.runs.marks import find_marks
from overlay.runs.model import Kinematics, Launch, Mark, Split, SplitGoal, with_common_error
from overlay.runs.segment import RunWindow, find_runs, match_runs
from overlay.runs.smoother import smooth
from overlay.runs.splits import braking, default_goals, parse_goal, splits, top_speed

__all__ = [
    "Kinematics",
    "Launch",
    "Mark",
    "RunWindow",
    "Split",
    "SplitGoal",
    "braking",
    "default_goals",
    "find_launch",
    "find_marks",
    "find_runs",
    "is_creeping",
    "match_runs",
    "parse_goal",
    "smooth",
    "splits",
    "top_speed",
    "with_common_error",
]
