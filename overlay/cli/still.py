"""``timetrue still``: one picture with its gauges."""

from __future__ import annotations

from typing import Any

import click

from overlay.cli.pictures import clip_and_logs, run_of, run_options, style_of, tell
from overlay.cli.shared import quiet_option


@click.command(short_help="Write the picture of one instant with its gauges.")
@clip_and_logs
@click.option(
    "--at", "at_s", type=float, required=True, metavar="SECONDS", help="Footage time to show."
)
@click.option("-o", "--output", required=True, metavar="OUT.png", help="The picture to write.")
@run_options
@quiet_option
def still(
    clip: str, logs: tuple[str, ...], at_s: float, output: str, quiet: bool, **words: Any
) -> None:
    """Write the picture of CLIP at a footage time, with gauges true at that instant, as PNG."""
    from overlay.jobs.film import still_run

    tell(still_run, run_of(clip, logs, words), at_s, output, style_of(words), quiet=quiet)
