"""A reel from a day's results: its clips, and cards with what the results say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from overlay.compare.value import headline, money
from overlay.errors import UsageError
from overlay.jobs.day_one import RunTask
from overlay.jobs.day_run import known, pair_path, results_of, without_copies
from overlay.jobs.names import FOLDER
from overlay.jobs.sheet_runs import sheet_path
from overlay.report.results import DayResults
from overlay.sheet import Build, load_sheet

MOST_BUILDS = 4  # that have a hue


@dataclass(frozen=True)
class DayReel:
    """What a day gives a reel."""

    clips: tuple[Path, ...]  # each build's best run, then the best runs side by side
    title: str
    # For the first card.
    title_lines: tuple[str, ...]
    builds: tuple[str, ...]
    # For the last card.
    verdict: str
    value_lines: tuple[str, ...]


def day_reel(path: str | Path) -> DayReel:
    """Clips and words for a reel, from what ``day run`` has kept.

    Parameters
    ----------
    path : path
        The sheet, or its folder.

    Raises
    ------
    SheetError
        If the sheet has problems.
    UsageError
        If the day's results or clips are not there or something has changed since.
    """
    sheet = load_sheet(sheet_path(path))
    folder = sheet.folder / FOLDER
    tasks = {run.name: RunTask(sheet, run, folder, clips=False) for run in sheet.runs}
    outcomes = {name: known(task) for name, task in tasks.items()}
    missing = [name for name, outcome in outcomes.items() if outcome is None]
    if missing:
        raise UsageError(
            f"{sheet.path}: {', '.join(missing[:6])} not worked out as the sheet stands now; "
            "run 'timetrue day run' first"
        )
    there = [outcome for outcome in outcomes.values() if outcome is not None]
    results = results_of(sheet, without_copies(sheet, there))
    return DayReel(
        _clips(results, tasks, folder),
        results.title,
        (sheet.vehicle.name,) if sheet.vehicle.name else (),
        tuple(_build_words(build) for build in sheet.builds[:MOST_BUILDS]),
        _verdict(results),
        _value_lines(results),
    )


def _clips(results: DayResults, tasks: Mapping[str, RunTask], folder: Path) -> tuple[Path, ...]:
    sheet, day = results.sheet, results.day
    best = [name for build in sheet.builds if (name := day.best(build.name)) is not None]
    undrawn = [name for name in best if not tasks[name].is_clip_done()]
    clips = [tasks[name].clip for name in best if name not in undrawn]
    pairs = [pair_path(sheet, folder, (step.a, step.b)) for step in day.steps]
    if undrawn or not clips:
        names = ", ".join(undrawn) or "no run"
        raise UsageError(
            f"{sheet.path}: no finished clip of {names}; run 'timetrue day run' without --no-clips"
        )
    return (*clips, *(pair for pair in pairs if pair.is_file()))


def _build_words(build: Build) -> str:
    price = f", {money(build.total_price, build.currency)}" if build.total_price else ""
    about = f": {build.about}" if build.about else ""
    return f"{build.name}{about}{price}"


def _verdict(results: DayResults) -> str:
    steps = results.day.steps
    if not steps:
        return "One build, nothing to compare"
    told = [headline(step.comparisons, results.unit) for step in steps]
    if len(steps) == 1:
        return told[0]
    return "; ".join(f"{s.b} on {s.a}: {text}" for s, text in zip(steps, told, strict=True))


def _value_lines(results: DayResults) -> tuple[str, ...]:
    """Each part of each sentence as a line, so that a viewer can read it in time."""
    lines = []
    for sentence in results.day.sentences:
        first, *rest = sentence.rstrip(".").split("; ")
        lines += [first, *(part[:1].upper() + part[1:] for part in rest)]
    return tuple(lines)
