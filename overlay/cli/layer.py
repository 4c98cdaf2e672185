"""``timetrue layer``: the gauges alone, with transparency."""

from __future__ import annotations

from typing import Any

import click

from overlay.cli.pictures import clip_and_logs, run_of, run_options, style_of, tell
from overlay.cli.shared import quiet_option


@click.command(short_help="Write the gauges alone, with transparency, for an editor.")
@clip_and_logs
@click.option(
    "-o",
    "--output",
    required=True,
    metavar="OUT",
    help="A .mov (ProRes 4444, large) or .webm (VP9, small) to write.",
)
@run_options
@quiet_option
def layer(clip: str, logs: tuple[str, ...], output: str, quiet: bool, **words: Any) -> None:
    """Write the gauges of CLIP on a clear ground, frame for frame, to lay over it in any editor.

    Size and frame times are those of CLIP; the sound stays with CLIP.
    """
    from overlay.jobs.film import layer_run

    tell(layer_run, run_of(clip, logs, words), output, style_of(words), quiet=quiet)
