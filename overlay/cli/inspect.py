"""``timetrue inspect``: clear facts of any clip or log."""

from __future__ import annotations

import click

from overlay.cli.shared import (
    column_option,
    json_option,
    parse_columns,
    print_json,
    quiet_option,
    shown_progress,
)


@click.command(short_help="Show the facts of any clip or log, and what a clip is good for.")
@click.argument("file", metavar="FILE")
@column_option
@click.option("--facts-only", is_flag=True, help="Do not watch and hear a clip; quick.")
@json_option
@quiet_option
def inspect(
    file: str, columns: tuple[str, ...], facts_only: bool, as_json: bool, quiet: bool
) -> None:
    """Show the facts of FILE, a clip or a log.

    For a clip: duration (s), frame rate (Hz, constant or variable), size (pixels as displayed),
    rotation (degrees clockwise), colour, sound, the track inside; then what it will be good for
    (launch and stop in view, sound, track) and what to change on the next run. Clips up to 15
    minutes are watched for that. For a log: format, clock, speed range, sample rate (Hz), gaps,
    which column was taken for what, and every record that was dropped, by reason.
    """
    from overlay.jobs.facts import facts_of
    from overlay.report.table import facts_table

    with shown_progress(quiet=quiet) as progress:
        facts = facts_of(
            file, columns=parse_columns(columns), watch=not facts_only, progress=progress
        )
    if as_json:
        print_json(facts)
    else:
        click.echo(facts_table(facts))
