"""``timetrue next``: what to try next, from the runs already driven."""

from __future__ import annotations

import click

from overlay.cli.options import json_option, quiet_option
from overlay.cli.shared import print_json, say, show, shown_progress
from overlay.jobs.next import find_next
from overlay.report.next_text import next_json, next_text


@click.command()
@click.argument("sheet", metavar="[SHEET]", default="day.toml")
@click.option(
    "--build",
    metavar="NAME",
    help="The build that parts would be fitted to.  [default: the last that has run]",
)
@click.option(
    "--goal",
    metavar="GOAL",
    help="The goal that matters, such as '60 m' or '20 to 60 m'.  [default: the sheet's main one]",
)
@json_option
@quiet_option
def next(sheet: str, build: str | None, goal: str | None, as_json: bool, quiet: bool) -> None:
    """Say what is worth trying next, from the runs of SHEET (day.toml).

    The vehicle's own runs give the force at its wheels; with that, each of the sheet's candidates
    is predicted: what it would bring with its interval, what 0.1 s costs, what it may break, and
    how many runs would show it. Gearing is varied over the whole range. Nothing is recommended
    beyond a limit that the sheet states; a limit that is missing is asked for.

    Runs that were not worked out yet are worked out first. The picture time-by-ratio.png goes to
    day-results beside the sheet.
    """
    with shown_progress(quiet=quiet) as progress:
        done = find_next(sheet, build=build, goal=goal, progress=progress)
    if as_json:
        print_json(next_json(done.found))
    else:
        show(next_text(done.found))
    for problem in done.problems:
        say(problem)
    if done.picture is not None:
        say(f"the picture is {done.picture}")
