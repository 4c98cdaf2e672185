"""``timetrue draw``: gauges on the footage."""

from __future__ import annotations

from typing import Any

import click

from overlay.cli.pictures import (
    clip_and_logs,
    encoder_of,
    encoding,
    output_option,
    run_of,
    run_options,
    style_of,
    tell,
)


@click.command(short_help="Draw true gauges on a clip.")
@clip_and_logs
@output_option
@click.option(
    "--uncorrected",
    is_flag=True,
    help="Draw the speed as late as the receiver shows it, for comparison.",
)
@click.option(
    "--rpm-from-sound",
    is_flag=True,
    help="Hear engine speed (single-cylinder four-stroke) in the clip's sound where no log has "
    "it; the gauge says so.",
)
@run_options
@encoding
def draw(clip: str, logs: tuple[str, ...], output: str, quiet: bool, **words: Any) -> None:
    """Draw speed (ribbon), RPM (comb, where a log has it) and splits (ladder) on CLIP.

    The lag is measured and removed first. Sound, frame times and colour are kept. The file
    appears under its name only when it is whole.
    """
    from overlay.jobs.film import draw_run

    run, style = run_of(clip, logs, words), style_of(words)
    tell(draw_run, run, output, style, encoder=encoder_of(words), quiet=quiet)
