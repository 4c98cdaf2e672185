"""Tonight's run order, from the difference that matters and the scatter seen before."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from overlay.compare.cautions import CLOSED_COURSE
from overlay.compare.figures import LEVEL, MAIN_SHARE
from overlay.compare.further import STEPS, chance_of, runs_wanted
from overlay.jobs.names import FOLDER
from overlay.jobs.sheet_runs import sheet_path
from overlay.sheet import load_sheet

USUAL_SCATTER_S = 0.05  # of a rolling split from run to run, where none was seen; our own figure
WARM_UPS = 2
CHECKS = (
    "course closed, run-off free, marshals in place and in sight of each other",
    "helmet and gloves on, chain guard and kill switch tried, tyre pressures the same for all",
    "same driver, same fuel level, same start: throttle opened as quickly each time",
    "log and camera started before rest, three seconds at rest before each launch",
)


@dataclass(frozen=True)
class DayPlan:
    """What to drive."""

    builds: tuple[str, ...]
    # Of each build, so that the difference is found with 80 % probability; None where no number of
    # runs that a day holds would do
    runs: int | None
    chance: float  # Of finding it with the runs in `order`
    order: tuple[str, ...]  # Build of each run
    difference_s: float
    scatter_s: float
    scatter_from: str  # Where the scatter comes from, in words
    both_directions: bool  # Whether wind or slope ask for runs in both directions


def plan_day(path: str | Path, *, scatter_s: float | None = None) -> DayPlan:
    """Plan a day from its sheet: the builds, the difference that matters, wind and slope.

    Parameters
    ----------
    path : path
        The sheet, or its folder.
    scatter_s : float, optional
        Standard deviation of a split from run to run; else that of the main goal in the results
        beside the sheet, else `USUAL_SCATTER_S`.

    Raises
    ------
    SheetError
        If the sheet has problems.
    """
    sheet = load_sheet(sheet_path(path), files=False)
    given = scatter_s
    seen = None if given is not None else _seen_scatter_s(sheet.folder / FOLDER / "results.json")
    scatter = given or seen or USUAL_SCATTER_S
    told = "as given" if given else "as seen before" if seen else "assumed: none was seen yet"
    difference = sheet.report.worth_noticing_s
    level = LEVEL * MAIN_SHARE
    runs = runs_wanted(difference, scatter, level=level)
    each = runs or STEPS[-1]
    names, air = tuple(build.name for build in sheet.builds), sheet.conditions
    return DayPlan(
        names,
        runs,
        chance_of(each, difference, scatter, level=level),
        order_of(names, each),
        difference,
        scatter,
        told,
        bool(air.headwind_mps or air.slope_percent),
    )


def order_of(builds: Sequence[str], each: int) -> tuple[str, ...]:
    """Runs in turns that a steady drift does not favour: there and back through the builds.

    Examples
    --------
    >>> "".join(order_of(["A", "B"], 3))
    'ABBAAB'
    >>> "".join(order_of(["A", "B", "C"], 2))
    'ABCCBA'
    """
    there, back = list(builds), list(reversed(builds))
    return tuple(name for i in range(each) for name in (back if i % 2 else there))


def plan_lines(plan: DayPlan) -> list[str]:
    """The plan in words, a line each."""
    what = f"a difference of {plan.difference_s:g} s at {plan.scatter_s:.3f} s from run to run"
    lines = [f"{what} ({plan.scatter_from})"]
    if len(plan.builds) < 2:
        return [*lines, "one build, nothing to compare: name the second in the sheet"]
    if plan.runs is None:
        lines.append(
            f"not found in a day: {STEPS[-1]} runs of each find it in {plan.chance:.0%} of days; "
            "make the runs more alike, or care about a larger difference only"
        )
        return [*lines, CLOSED_COURSE]
    lines.append(f"{plan.runs} runs of each build find it in {plan.chance:.0%} of days like this")
    lines.append(f"{WARM_UPS} runs to warm up, not timed")
    way = {False: "", True: " one way, then back"}[plan.both_directions]
    lines += [f"run {i}: {name}{way}" for i, name in enumerate(plan.order, 1)]
    lines.append(
        "if builds cannot be changed in turns: all of the first, all of the second, then one or "
        "more of the first again; without that, order and build cannot be separated"
    )
    if plan.both_directions:
        lines.append("wind or slope: drive each way as often with every build")
    return [*lines, *(f"check: {line}" for line in CHECKS), CLOSED_COURSE]


def _seen_scatter_s(path: Path) -> float | None:
    """Largest spread of a build in a main goal of earlier results; None without any."""
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
        spreads = [
            figure[side]["spread_s"]
            for step in said["steps"]
            for figure in step["figures"]
            if figure["is_main"]
            for side in ("first", "second")
        ]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return max((s for s in spreads if isinstance(s, float) and s > 0), default=None)
