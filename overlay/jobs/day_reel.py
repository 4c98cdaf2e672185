"""A reel from a day's results: its clips, and cards with what the results say."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from overlay.compare.value import headline, money
from overlay.errors import UsageError
from overlay.jobs.day_one import RunOutcome, clip_path, is_clip_done, kept_failure, kept_run
from overlay.jobs.day_run import FOLDER, pair_path, results_of
from overlay.jobs.sheet_runs import sheet_path
from overlay.report.results import DayResults
from overlay.sheet import Build, load_sheet

MOST_BUILDS = 4  # that have a hue


@dataclass(frozen=True)
class DayReel:
    """What a day gives a reel.

    Attributes
    ----------
    clips : tuple of Path
        Each build's best run, then the best runs side by side.
    title : str
    title_lines, builds : tuple of str
        For the first card.
    verdict : str
    value_lines : tuple of str
        For the last card.
    """

    clips: tuple[Path, ...]
    title: str
    title_lines: tuple[str, ...]
    builds: tuple[str, ...]
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
    outcomes, missing = [], []
    for said in sheet.runs:
        run = kept_run(sheet, said.name, folder)
        failed = kept_failure(sheet, said.name, folder) if run is None else None
        if run is not None:
            outcomes.append(RunOutcome(said.name, run))
        elif failed is not None:
            outcomes.append(failed)
        else:
            missing.append(said.name)
    if missing:
        raise UsageError(
            f"{sheet.path}: {', '.join(missing[:6])} not worked out as the sheet stands now; "
            "run 'timetrue day run' first"
        )
    results = results_of(sheet, outcomes)
    return DayReel(
        _clips(results, folder),
        results.title,
        (sheet.vehicle.name,) if sheet.vehicle.name else (),
        tuple(_build_words(build) for build in sheet.builds[:MOST_BUILDS]),
        _verdict(results),
        _value_lines(results),
    )


def _clips(results: DayResults, folder: Path) -> tuple[Path, ...]:
    sheet, day = results.sheet, results.day
    best = [name for build in sheet.builds if (name := day.best(build.name)) is not None]
    undrawn = [name for name in best if not is_clip_done(sheet, name, folder)]
    clips = [clip_path(folder, name) for name in best if name not in undrawn]
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


__all__ = ["DayReel", "day_reel"]
