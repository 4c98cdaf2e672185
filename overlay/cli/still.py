"""``timetrue still``: one picture with its gauges."""

from __future__ import annotations

from typing import Any

import click

from overlay.cli.pictures import request_of, run_options
from overlay.cli.shared import quiet_option, say, shown_progress


@click.command(short_help="Write the picture of one instant with its gauges.")
@click.argument("clip", metavar="CLIP")
@click.argument("logs", metavar="LOG [LOG...]", nargs=-1, required=True)
@click.option(
    "--at", "at_s", type=float, required=True, metavar="SECONDS", help="Footage time to show."
)
@click.option("-o", "--output", required=True, metavar="OUT.png", help="The picture to write.")
@run_options
@quiet_option
def still(
    clip: str, logs: tuple[str, ...], at_s: float, output: str, quiet: bool, **options: Any
) -> None:
    """Write the picture of CLIP at a footage time, with gauges true at that instant, as PNG."""
    from overlay.jobs.parts import still_run

    with shown_progress(quiet=quiet) as progress:
        report = still_run(clip, logs, at_s, output, request_of(options), progress=progress)
    for line in report.lines:
        say(line)
