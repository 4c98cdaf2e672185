"""Commands about several runs in one picture: ``pair`` and ``grid``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from overlay.arrangements import ARRANGEMENTS
from overlay.cli.options import (
    encoder_of,
    encoding,
    lead_option,
    many,
    options_of,
    output_option,
    style_of,
    together_options,
)
from overlay.cli.shared import say, tell
from overlay.errors import UsageError
from overlay.jobs.film import FilmRun, draw_together
from overlay.jobs.names import CLIP_SUFFIXES
from overlay.jobs.sheet_runs import runs_from_sheet
from overlay.session import RunOptions

sheet_option = click.option(
    "--sheet", metavar="DAY.toml", help="Day sheet in which the runs are named."
)
HEARD = {"both": None, "a": (0,), "b": (1,), "none": ()}


@click.command()
@click.argument(
    "items", metavar="CLIP_A [LOG_A] CLIP_B [LOG_B] | RUN_A RUN_B", nargs=-1, required=True
)
@output_option()
@sheet_option
@click.option("--name-a", metavar="TEXT", help="Name of the first run.  [default: of its clip]")
@click.option("--name-b", metavar="TEXT", help="Name of the second run.  [default: of its clip]")
@many("--more-a", "more_a", "LOG", "One more log of the first run, such as RPM.")
@many("--more-b", "more_b", "LOG", "One more log of the second run, such as RPM.")
@click.option("--stacked", is_flag=True, help="One above the other, for an upright picture.")
@click.option(
    "--sound",
    type=click.Choice(list(HEARD)),
    default="both",
    show_default=True,
    help="Sound of both (panned left and right) or of one.",
)
@lead_option
@together_options
@encoding
def pair(items: tuple[str, ...], output: str, sheet: str | None, quiet: bool, **words: Any) -> None:
    """Set two runs side by side, both starting at their launch, with the gap between them.

    The gap bar shows seconds at the same distance and metres at the same time. The shorter run's
    last frame is held until the other finishes.
    """
    options = options_of(words)
    if sheet is not None:
        if len(items) != 2:
            raise UsageError(f"pair with --sheet takes two names of runs; {len(items)} were given")
        runs = runs_from_sheet(sheet, items, options)
    elif len(items) == 4:  # whatever their names end in
        files = items[:2], items[2:]
        runs = tuple(FilmRun(clip, (log,), Path(clip).stem, options) for clip, log in files)
    else:
        runs = runs_of(items, options)
    if len(runs) != 2:
        raise UsageError(
            f"pair takes CLIP_A [LOG_A] CLIP_B [LOG_B], or two names of runs with --sheet; "
            f"{len(items)} words were given"
        )
    named = [
        replace(run, name=words[f"name_{n}"] or run.name, logs=(*run.logs, *words[f"more_{n}"]))
        for n, run in zip("ab", runs, strict=True)
    ]
    arrangement = "stacked" if words["stacked"] else "side by side"
    _draw(named, output, arrangement, HEARD[words["sound"]], quiet, words)


@click.command()
@click.argument("items", metavar="CLIP [LOG...]... | RUN RUN...", nargs=-1, required=True)
@output_option()
@sheet_option
@many(
    "--name",
    "names",
    "TEXT",
    "Name of a run, in their order; give all or none.  [default: of their clips]",
)
@click.option(
    "--sound",
    "heard",
    type=click.IntRange(0, 4),
    multiple=True,
    metavar="N",
    help="Hear run N, counted from 1; 0 for silence. Repeat for more.  [default: all, panned]",
)
@click.option(
    "--arrangement",
    type=click.Choice([name for name, one in ARRANGEMENTS.items() if one.most > 1]),
    default="grid",
    show_default=True,
    help="How they stand together.",
)
@lead_option
@together_options
@encoding
def grid(
    items: tuple[str, ...],
    output: str,
    sheet: str | None,
    names: tuple[str, ...],
    heard: tuple[int, ...],
    quiet: bool,
    **words: Any,
) -> None:
    """Set two to four runs in a grid, all starting at their launch, each with its own gauges.

    A shorter run's last picture is held until the longest is over.
    """
    options = options_of(words)
    runs = runs_from_sheet(sheet, items, options) if sheet else runs_of(items, options)
    if names:
        if len(names) != len(runs):
            raise UsageError(f"{len(names)} names for {len(runs)} runs; give one for each or none")
        runs = tuple(replace(run, name=name) for run, name in zip(runs, names, strict=True))
    numbers = None if not heard else [number - 1 for number in heard if number]
    if numbers and max(numbers) >= len(runs):
        raise UsageError(f"--sound {max(numbers) + 1}: there are {len(runs)} runs")
    _draw(runs, output, words["arrangement"], numbers, quiet, words)


def _draw(
    runs: Sequence[FilmRun],
    output: str,
    arrangement: str,
    heard: Sequence[int] | None,
    quiet: bool,
    words: dict[str, Any],
) -> None:
    report = tell(
        draw_together,
        runs,
        output,
        style_of(words),
        arrangement=arrangement,
        encoder=encoder_of(words),
        heard=heard,
        lead_s=words["lead_s"],
        quiet=quiet,
    )
    for run, lines in zip(runs, report.lines, strict=True):
        say(f"{run.name}:")
        for line in lines:
            say(f"  {line}")


def runs_of(items: Sequence[str], options: RunOptions) -> tuple[FilmRun, ...]:
    """Runs from a list of clips, each followed by its logs, or by none if it has its own track.

    Raises
    ------
    UsageError
        If the list starts with a log.
    """
    groups: list[list[str]] = []
    for item in items:
        if Path(item).suffix.lower() in CLIP_SUFFIXES:
            groups.append([item])
        elif not groups:
            raise UsageError(f"{item}: name a clip first, then its logs")
        else:
            groups[-1].append(item)
    return tuple(FilmRun(clip, tuple(logs), Path(clip).stem, options) for clip, *logs in groups)
