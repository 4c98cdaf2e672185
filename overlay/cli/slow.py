"""``timetrue slow``: a section in slow motion that stays true."""

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


@click.command(short_help="Draw a clip with a section in slow motion that stays true.")
@clip_and_logs
@click.option("--from", "from_s", type=float, required=True, metavar="SECONDS", help="Its start.")
@click.option("--to", "to_s", type=float, required=True, metavar="SECONDS", help="Its end.")
@click.option(
    "--factor",
    type=click.IntRange(2, 16),
    default=4,
    show_default=True,
    help="How many times as long the section lasts.",
)
@click.option(
    "--sound",
    type=click.Choice(["stretched", "muted"]),
    default="stretched",
    show_default=True,
    help="Of the section: as long as the picture and at its pitch, or none.",
)
@output_option
@click.option("--uncorrected", is_flag=True, help="Leave the lag in, to see the difference.")
@run_options
@encoding
def slow(clip: str, logs: tuple[str, ...], output: str, quiet: bool, **words: Any) -> None:
    """Draw the gauges on CLIP and show one section of it slowed, by footage times.

    Every picture stays and none is invented, so a camera of many pictures a second looks best.
    The gauges show what was true when each picture was taken; a plate says how much it is slowed.
    The file notes which section is slowed, so that verify can undo it.
    """
    from overlay.jobs.film import Slowdown, draw_run

    section = Slowdown(*(words[name] for name in ("from_s", "to_s", "factor", "sound")))
    run, style, encoder = run_of(clip, logs, words), style_of(words), encoder_of(words)
    tell(draw_run, run, output, style, encoder=encoder, slowdown=section, quiet=quiet)
