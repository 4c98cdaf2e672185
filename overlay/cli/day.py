"""``timetrue day``: everything about a whole day's runs, from one sheet."""

from __future__ import annotations

import click

from overlay.cli.shared import quiet_option, say, shown_progress, units_option
from overlay.errors import InputError


@click.group(short_help="Work through a whole day's runs from one sheet.")
def day() -> None:
    """Work through a whole day's runs from one sheet, day.toml.

    The sheet lists the vehicle, its builds with their prices, the runs with their clips and logs,
    the splits to time and the difference worth noticing.
    """


@day.command(short_help="Write a sheet from the files in a folder.")
@click.argument("folder", metavar="[DIR]", default=".")
@units_option
@quiet_option
def new(folder: str, units: str, quiet: bool) -> None:
    """Write DIR/day.toml, with comments, from the clips and logs in DIR.

    Clips and logs are paired by their names, by their times (a camera's clock may be wrong by
    whole hours) and by whether the log covers the clip; what is doubtful is said beside the run.
    A sheet that is there already is never touched.
    """
    from overlay.jobs.day_new import new_sheet

    with shown_progress(quiet=quiet) as progress:
        made = new_sheet(folder, units=units, progress=progress)
    click.echo(f"wrote {made.path}: {made.counts}")
    for line in made.doubts:
        say(f"look at {line}")


@day.command(short_help="Tell every problem in a sheet.")
@click.argument("sheet", metavar="[SHEET]", default="day.toml")
@quiet_option
def check(sheet: str, quiet: bool) -> int:
    """Tell every problem in SHEET (day.toml), one a line, each with file, line and mend.

    When the sheet itself is in order, the clips and logs it names are opened too. Ends with exit
    code 3 when there is any problem.
    """
    from overlay.jobs.sheet_runs import file_problems, sheet_path
    from overlay.sheet import SheetError, load_sheet

    try:
        found = load_sheet(sheet_path(sheet))
    except SheetError as error:
        problems = error.problems
    else:
        with shown_progress(quiet=quiet) as progress:
            problems = file_problems(found, progress=progress)
        if not problems:
            runs, builds = len(found.runs), len(found.builds)
            click.echo(
                f"{runs} run{'s' * (runs != 1)}, {builds} build{'s' * (builds != 1)}, no problems"
            )
            return 0
    for problem in problems:
        click.echo(str(problem))
    return InputError.exit_code
