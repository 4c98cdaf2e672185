"""``timetrue pair``: two runs side by side from the same launch."""

from __future__ import annotations

from pathlib import Path
from typing import Any

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


@click.command(short_help="Set two runs side by side from the same launch.")
@click.argument("items", metavar="CLIP_A LOG_A CLIP_B LOG_B | RUN_A RUN_B", nargs=-1, required=True)
@output_option
@click.option("--sheet", metavar="DAY.toml", help="Day sheet in which RUN_A and RUN_B are named.")
@click.option("--name-a", metavar="TEXT", help="Name of the first run.  [default: of its clip]")
@click.option("--name-b", metavar="TEXT", help="Name of the second run.  [default: of its clip]")
@click.option(
    "--more-a", multiple=True, metavar="LOG", help="One more log of the first run, such as RPM."
)
@click.option(
    "--more-b", multiple=True, metavar="LOG", help="One more log of the second run, such as RPM."
)
@click.option("--stacked", is_flag=True, help="One above the other, for an upright picture.")
@click.option(
    "--sound",
    type=click.Choice(["both", "a", "b", "none"]),
    default="both",
    show_default=True,
    help="Sound of both (panned left and right) or of one.",
)
@lead_option
@together_options
@encoder_options
@hardware_option
@quiet_option
def pair(
    items: tuple[str, ...],
    output: str,
    sheet: str | None,
    name_a: str | None,
    name_b: str | None,
    more_a: tuple[str, ...],
    more_b: tuple[str, ...],
    stacked: bool,
    sound: str,
    lead_s: float,
    quiet: bool,
    **options: Any,
) -> None:
    """Set two runs side by side, both starting at their launch, with the gap between them.

    The gap bar shows seconds at the same distance and metres at the same time. The shorter run's
    last frame is held until the other finishes.
    """
    from overlay.jobs.pair import PairRun, pair_runs

    if sheet is not None:
        from overlay.jobs.sheet_runs import paired_from_sheet

        first, second = paired_from_sheet(sheet, items)
    elif len(items) == 4:
        same_clock = options["same_clock"]
        first = PairRun(items[0], (items[1], *more_a), Path(items[0]).stem, same_clock)
        second = PairRun(items[2], (items[3], *more_b), Path(items[2]).stem, same_clock)
    else:
        raise UsageError(
            f"pair takes CLIP_A LOG_A CLIP_B LOG_B, or two names of runs with --sheet; "
            f"{len(items)} words were given"
        )
    names = (name_a or first.name, name_b or second.name)
    with shown_progress(quiet=quiet) as progress:
        reports = pair_runs(
            first.named(names[0]),
            second.named(names[1]),
            output,
            request_of(options),
            arrangement="stacked" if stacked else "side by side",
            sound=sound,
            lead_s=lead_s,
            progress=progress,
        )
    say_reports(names, reports)
