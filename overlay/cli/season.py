"""``timetrue season``: builds compared over several day sheets."""

from __future__ import annotations

import click

from overlay.cli.options import json_option, quiet_option, workers_option
from overlay.cli.shared import print_json, show, shown_progress
from overlay.jobs.season import run_season
from overlay.report.season import season_json, season_text


@click.command()
@click.argument("sheets", metavar="SHEET...", nargs=-1, required=True)
@workers_option
@json_option
@quiet_option
def season(sheets: tuple[str, ...], workers: int | None, as_json: bool, quiet: bool) -> int:
    """Compare builds over two or more day SHEETs, named in order of time.

    A build has one name in all sheets. Builds meet on one day, or through one that is run again
    on each day; else the scatter from day to day counts, where a build was run on two days or
    more; else days and builds cannot be separated, and what would help is said. Runs that are
    not worked out yet are; no clip is drawn.
    """
    with shown_progress(quiet=quiet) as progress:
        found = run_season(sheets, workers=workers, progress=progress)
    if as_json:
        print_json(season_json(found))
    else:
        show(season_text(found))
    return 0
