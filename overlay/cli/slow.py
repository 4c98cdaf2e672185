"""``timetrue slow``: a section in slow motion that stays true."""

from __future__ import annotations

from typing import Any

import click

from overlay.cli.pictures import hardware_option, request_of, run_options
from overlay.cli.shared import encoder_options, quiet_option, say, shown_progress


@click.command(short_help="Draw a clip with a section in slow motion that stays true.")
@click.argument("clip", metavar="CLIP")
@click.argument("logs", metavar="LOG [LOG...]", nargs=-1, required=True)
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
@click.option("-o", "--output", required=True, metavar="OUT.mp4", help="The clip to write.")
@click.option("--uncorrected", is_flag=True, help="Leave the lag in, to see the difference.")
@run_options
@encoder_options
@hardware_option
@quiet_option
def slow(
    clip: str,
    logs: tuple[str, ...],
    from_s: float,
    to_s: float,
    factor: int,
    sound: str,
    output: str,
    uncorrected: bool,
    quiet: bool,
    **options: Any,
) -> None:
    """Draw the gauges on CLIP and show one section of it slowed, by footage times.

    Every picture stays and none is invented, so a camera of many pictures a second looks best.
    The gauges show what was true when each picture was taken; a plate says how much it is slowed.
    The file notes which section is slowed, so that verify can undo it.
    """
    from overlay.jobs.slow import slow_run

    with shown_progress(quiet=quiet) as progress:
        report = slow_run(
            clip,
            logs,
            output,
            request_of(options, corrected=not uncorrected),
            from_s=from_s,
            to_s=to_s,
            factor=factor,
            sound=sound,
            progress=progress,
        )
    for line in report.lines:
        say(line)
