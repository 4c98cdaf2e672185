"""What to try next, from the runs of a day sheet."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from overlay.jobs.day_run import run_day
from overlay.plan.whole import Next, plan_next
from overlay.progress import Progress, silent
from overlay.report.next_plot import write_gearing_plot

PICTURE = "time-by-ratio.png"


@dataclass(frozen=True, eq=False)
class NextReport:
    """What was found, the picture (None without gearing), and runs that could not be used."""

    found: Next
    picture: Path | None
    problems: tuple[str, ...]


def find_next(
    path: str | Path,
    *,
    build: str | None = None,
    goal: str | None = None,
    progress: Progress = silent,
) -> NextReport:
    """Work out what is left of a day's runs, model the vehicle, judge the candidates.

    Parameters
    ----------
    path : path
        The sheet, or its folder; the picture goes to ``day-results`` beside it.
    build : str, optional
        The build that parts would be fitted to; else the last that has run.
    goal : str, optional
        The goal that matters; else the sheet's main one.
    progress : callable

    Raises
    ------
    SheetError
        If the sheet has problems, or has no mass.
    UsageError
        If there is no such build, or the goal is not understood.
    UndeterminedError
        If no run of the build can be used.
    OutputError
        If the picture cannot be written.
    """
    done = run_day(path, clips=False, progress=progress)
    results = done.results
    found = plan_next(
        results.sheet, results.day, results.runs, results.powers, build=build, goal=goal
    )
    picture = None
    if found.sweep is not None:
        picture = write_gearing_plot(found.sweep, done.folder / PICTURE)
    return NextReport(found, picture, tuple(f"{run}: {why}" for run, why in results.failed))
