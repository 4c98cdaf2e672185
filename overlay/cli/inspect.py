"""``timetrue inspect``: clear facts of any clip or log."""

from __future__ import annotations

import click

from overlay.cli.shared import column_option, json_option, parse_columns, print_json


@click.command(short_help="Show the facts of any clip or log.")
@click.argument("file", metavar="FILE")
@column_option
@json_option
def inspect(file: str, columns: tuple[str, ...], as_json: bool) -> None:
    """Show the facts of FILE, a clip or a log.

    For a clip: duration (s), frame rate (Hz, constant or variable), size (pixels as displayed),
    rotation (degrees clockwise), colour, sound. For a log: format, clock, speed range, sample
    rate (Hz), gaps, and every record that was dropped, by reason.
    """
    from overlay.jobs.facts import facts_of
    from overlay.report.table import facts_table

    facts = facts_of(file, columns=parse_columns(columns))
    if as_json:
        print_json(facts)
    else:
        click.echo(facts_table(facts))
