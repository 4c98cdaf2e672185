"""``timetrue layer``: the gauges alone, with transparency."""

from __future__ import annotations

from typing import Any

import click

from overlay.cli.pictures import request_of, run_options
from overlay.cli.shared import quiet_option, say, shown_progress


@click.command(short_help="Write the gauges alone, with transparency, for an editor.")
@click.argument("clip", metavar="CLIP")
@click.argument("logs", metavar="LOG [LOG...]", nargs=-1, required=True)
@click.option(
    "-o",
    "--output",
    required=True,
    metavar="OUT",
    help="A .mov (ProRes 4444, large) or .webm (VP9, small) to write.",
)
@run_options
@quiet_option
def layer(clip: str, logs: tuple[str, ...], output: str, quiet: bool, **options: Any) -> None:
    """Write the gauges of CLIP on a clear ground, frame for frame, to lay over it in any editor.

    Size and frame times are those of CLIP; the sound stays with CLIP.
    """
    from overlay.jobs.parts import layer_run

    with shown_progress(quiet=quiet) as progress:
        report = layer_run(clip, logs, output, request_of(options), progress=progress)
    for line in report.lines:
        say(line)
