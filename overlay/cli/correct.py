"""``timetrue correct``: the corrected speed as a file."""

from __future__ import annotations

from typing import Any

import click

from overlay.cli.pictures import clip_and_logs, options_of
from overlay.cli.shared import (
    column_option,
    ignore_option,
    leave_out_option,
    offset_option,
    quiet_option,
    same_clock_option,
    say,
    shown_progress,
)


@click.command(short_help="Write the corrected speed as CSV or GPX.")
@clip_and_logs
@click.option("-o", "--output", required=True, metavar="FILE", help="A .csv or .gpx to write.")
@click.option(
    "--rate",
    "rate_hz",
    type=click.FloatRange(0.1, 100),
    default=10.0,
    show_default=True,
    metavar="HZ",
    help="Rows a second.",
)
@same_clock_option
@offset_option
@leave_out_option
@ignore_option
@column_option
@quiet_option
def correct(
    clip: str,
    logs: tuple[str, ...],
    output: str,
    rate_hz: float,
    quiet: bool,
    **words: Any,
) -> None:
    """Write the speed with the lag removed, and its uncertainty at each instant.

    CSV: footage time (s), speed (m/s) and its standard uncertainty, acceleration (m/s²),
    distance (m), and whether the log knows. GPX: points of the log at their corrected times;
    needs a log in UTC with positions.
    """
    from overlay.jobs.correct import correct_run

    options = options_of(words)
    with shown_progress(quiet=quiet) as progress:
        correct_run(clip, logs, output, options, rate_hz=rate_hz, progress=progress)
    say(f"wrote {output}")
