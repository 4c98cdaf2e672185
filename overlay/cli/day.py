"""``timetrue day``: everything about a whole day's runs, from one sheet."""

from __future__ import annotations

import click

from overlay.cli.options import (
    column_option,
    json_option,
    logs_argument,
    number,
    parse_columns,
    quiet_option,
    same_clock_option,
    sheet_argument,
    units_option,
    workers_option,
)
from overlay.cli.shared import print_json, say, show, shown_progress
from overlay.errors import InputError, UsageError
from overlay.jobs.cluster import Scheduler
from overlay.jobs.day_find import find_in, sheet_lines
from overlay.jobs.day_new import new_sheet
from overlay.jobs.day_plan import plan_day, plan_lines
from overlay.jobs.day_run import run_day
from overlay.jobs.sheet_runs import file_problems, sheet_path
from overlay.report.results import terminal_text
from overlay.report.results_data import results_json
from overlay.sheet import SheetError, load_sheet


@click.group()
def day() -> None:
    """Work through a whole day's runs from one sheet, day.toml.

    The sheet lists the vehicle, its builds with their prices, the runs with their clips and logs,
    the splits to time and the smallest difference you care about.
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
    with shown_progress(quiet=quiet) as progress:
        made = new_sheet(folder, units=units, progress=progress)
    show(f"wrote {made.path}: {made.counts}")
    for line in made.doubts:
        say(f"look at {line}")


@day.command(short_help="List every problem in a sheet.")
@sheet_argument
@quiet_option
def check(sheet: str, quiet: bool) -> int:
    """Tell every problem in SHEET (day.toml), one a line, each with file, line and what to do.

    When the sheet itself is in order, the clips and logs it names are opened too, and the limit of
    the stock parts is asked for where it is missing, which is no problem. Ends with exit
    code 3 when there is any problem.
    """
    try:
        found = load_sheet(sheet_path(sheet))
    except SheetError as error:
        problems = error.problems
    else:
        with shown_progress(quiet=quiet) as progress:
            problems = file_problems(found, progress=progress)
        for question in found.asked():
            show(str(question))
        if not problems:
            runs, builds = len(found.runs), len(found.builds)
            show(f"{runs} run{'s' * (runs != 1)}, {builds} build{'s' * (builds != 1)}, no problems")
            return 0
    for problem in problems:
        show(str(problem))
    return InputError.exit_code


# Many parameters: one an option of the command line.
@day.command(short_help="Do everything a sheet says.")
@sheet_argument
@click.option("--no-clips", is_flag=True, help="Work the runs out and compare them; draw nothing.")
@click.option(
    "--with-clips", is_flag=True, help="Put small clips beside the page, to be sent along with it."
)
@click.option(
    "--retry", is_flag=True, help="Try runs again that failed, though nothing has changed since."
)
@workers_option
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="A Dask scheduler, such as tcp://192.168.1.20:8786, whose workers do the runs; each must "
    "see the sheet's folder under the same path.",
)
@click.option(
    "--send-files",
    is_flag=True,
    help="With --scheduler: send each run's clip and logs to its worker, and its results back, "
    "where workers do not see the folder.",
)
@json_option
@quiet_option
def run(
    sheet: str,
    no_clips: bool,
    with_clips: bool,
    retry: bool,
    workers: int | None,
    scheduler: str | None,
    send_files: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Work out every run of SHEET (day.toml), compare its builds, and draw the clips.

    Everything goes to the folder day-results beside the sheet: results.md, .csv and .json, plots,
    results.html (one page with everything, which needs no network: send it to whom you like; its
    small clips, if asked for, lie in results-clips), each run's clip with its gauges, and each
    build's best run beside another's. What is there and unchanged is not done again, nor is a run
    tried again that failed, until the sheet, one of its files or the program changes; after Ctrl-C
    the next call goes on where it stopped.
    """
    if send_files and scheduler is None:
        raise UsageError("--send-files: goes with --scheduler ADDRESS; leave it out")
    with shown_progress(quiet=quiet) as progress:
        done = run_day(
            sheet,
            clips=not no_clips,
            with_clips=with_clips,
            retry=retry,
            workers=workers,
            scheduler=None if scheduler is None else Scheduler(scheduler, send_files),
            progress=progress,
        )
    if as_json:
        print_json(results_json(done.results))
    else:
        show(terminal_text(done.results))
        click.echo("")
    for problem in done.problems:
        say(problem)
    if done.not_tried:
        names = ", ".join(done.not_tried)
        say(f"{names}: failed before and nothing has changed since; --retry tries again")
    new = f"{len(done.worked_out)} of {len(done.results.sheet.runs)} runs worked out anew"
    clips = "" if no_clips else f", {len(done.drawn)} clips drawn"
    say(f"{new}{clips}; results are in {done.folder}")
    return done.exit_code


@day.command(short_help="List the runs in a long recording.")
@click.argument("clip", metavar="CLIP")
@logs_argument
@same_clock_option
@column_option
@quiet_option
def find(
    clip: str, logs: tuple[str, ...], same_clock: bool, columns: tuple[str, ...], quiet: bool
) -> None:
    """List the runs in a long CLIP and its LOGs, from rest to rest, as text for a sheet.

    Launches and stops are found in the picture and in the log and matched. Paste the text into
    the sheet and correct it there; the clip itself stays as it is.
    """
    with shown_progress(quiet=quiet) as progress:
        found = find_in(
            clip, logs, same_clock=same_clock, columns=parse_columns(columns), progress=progress
        )
    click.echo(sheet_lines(found))


@day.command(short_help="Plan how many runs to drive, and in what order.")
@sheet_argument
@number(
    "--scatter",
    "scatter",
    "S",
    "Standard deviation of a split from run to run, seconds.  [default: as seen before]",
    within=(0.001, 10.0),
)
def plan(sheet: str, scatter: float | None) -> None:
    """Say how many runs of each build to drive, and in what order, from SHEET (day.toml).

    It takes the smallest difference you care about and the scatter from run to run: from the
    results beside the sheet, or given. The order lets no steady drift of the day pass for a build.
    Clips and logs need not exist yet.
    """
    for line in plan_lines(plan_day(sheet, scatter_s=scatter)):
        show(line)
