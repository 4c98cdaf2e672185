"""``timetrue grid``: two to four runs in one picture from the same launch."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from overlay.cli.pictures import (
    hardware_option,
    lead_option,
    output_option,
    request_of,
    say_reports,
    together_options,
)
from overlay.cli.shared import encoder_options, quiet_option, shown_progress
from overlay.errors import UsageError

if TYPE_CHECKING:
    from overlay.jobs.pair import PairRun


@click.command(short_help="Set two to four runs in one picture from the same launch.")
@click.argument("items", metavar="CLIP LOG... CLIP LOG... | RUN RUN...", nargs=-1, required=True)
@output_option
@click.option("--sheet", metavar="DAY.toml", help="Day sheet in which the runs are named.")
@click.option(
    "--name",
    "names",
    multiple=True,
    metavar="TEXT",
    help="Name of a run, in their order; give all or none.  [default: of their clips]",
)
@click.option(
    "--sound",
    "heard",
    type=click.IntRange(0, 4),
    multiple=True,
    metavar="N",
    help="Hear run N, counted from 1; 0 for silence. Repeat for more.  [default: all, panned]",
)
@lead_option
@together_options
@encoder_options
@hardware_option
@quiet_option
def grid(
    items: tuple[str, ...],
    output: str,
    sheet: str | None,
    names: tuple[str, ...],
    heard: tuple[int, ...],
    lead_s: float,
    quiet: bool,
    **options: Any,
) -> None:
    """Set two to four runs in a grid, all starting at their launch, each with its own gauges.

    A shorter run's last picture is held until the longest is over.
    """
    from overlay.jobs.grid import grid_runs, sides_from_sheet

    sides = sides_from_sheet(sheet, items) if sheet else sides_of(items, options["same_clock"])
    if names:
        if len(names) != len(sides):
            raise UsageError(f"{len(names)} names for {len(sides)} runs; give one for each or none")
        sides = tuple(side.named(name) for side, name in zip(sides, names, strict=True))
    sound = None if not heard else [number - 1 for number in heard if number]
    if sound and max(sound) >= len(sides):
        raise UsageError(f"--sound {max(sound) + 1}: there are {len(sides)} runs")
    with shown_progress(quiet=quiet) as progress:
        reports = grid_runs(
            sides, output, request_of(options), sound=sound, lead_s=lead_s, progress=progress
        )
    say_reports([side.name for side in sides], reports)


def sides_of(items: Sequence[str], same_clock: bool) -> tuple[PairRun, ...]:
    """Runs from a list of clips, each followed by its logs.

    Raises
    ------
    UsageError
        If the list starts with a log, or a clip has none.
    """
    from overlay.jobs.day_new import CLIP_SUFFIXES
    from overlay.jobs.pair import PairRun

    groups: list[list[str]] = []
    for item in items:
        if Path(item).suffix.lower() in CLIP_SUFFIXES:
            groups.append([item])
        elif not groups:
            raise UsageError(f"{item}: name a clip first, then its logs")
        else:
            groups[-1].append(item)
    for group in groups:
        if len(group) == 1:
            raise UsageError(f"{group[0]}: has no log after it; name each clip's logs after it")
    return tuple(PairRun(clip, tuple(logs), Path(clip).stem, same_clock) for clip, *logs in groups)
