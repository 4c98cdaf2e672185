"""Builds compared over several day sheets."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from overlay.compare.season import Season, SeasonDay, season_of
from overlay.errors import UsageError
from overlay.jobs.day_run import run_day
from overlay.jobs.sheet_runs import sheet_path
from overlay.progress import Progress, silent
from overlay.sheet import load_sheet


def run_season(
    paths: Sequence[str | Path], *, workers: int | None = None, progress: Progress = silent
) -> Season:
    """Work out what is left to do of each day, draw nothing, and compare over all days.

    Parameters
    ----------
    paths : sequence of path
        Day sheets or their folders, two or more, in order of time.
    workers : int, optional
        Processes; the cores by default.
    progress : callable

    Raises
    ------
    UsageError
        If fewer than two sheets, or one twice, are named.
    SheetError
        If a sheet has problems.
    UndeterminedError
        If of a day not one run could be worked out.
    MismatchError
        If one name stands for unlike builds, or nothing is judged on every day.
    """
    found = [sheet_path(path).resolve() for path in paths]
    if len(found) < 2:
        raise UsageError("season: one sheet is a day; name two or more, in order of time")
    twice = next((path for path in found if found.count(path) > 1), None)
    if twice is not None:
        raise UsageError(f"{twice}: is named twice; name each day once")
    for path in found:
        load_sheet(path)  # every sheet's problems before any day's work
    days: list[SeasonDay] = []
    for path in found:
        results = run_day(path, clips=False, workers=workers, progress=progress).results
        named = [results.title, results.title + f" ({path.parent.name})"]
        is_new = named[0] not in [day.name for day in days]
        days.append(SeasonDay(named[0] if is_new else named[1], results.sheet, results.day))
    return season_of(days)
