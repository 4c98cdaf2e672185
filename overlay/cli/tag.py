"""``timetrue tag``: chapter marks and timed text, without encoding again."""

from __future__ import annotations

from typing import Any

import click

from overlay.cli.shared import (
    column_option,
    cover_option,
    offset_option,
    quiet_option,
    same_clock_option,
    say,
    shown_progress,
    split_option,
    units_option,
    with_options,
)


@click.command(short_help="Add chapter marks and timed text without encoding again.")
@click.argument("clip", metavar="CLIP")
@click.argument("logs", metavar="LOG [LOG...]", nargs=-1, required=True)
@click.option("-o", "--output", required=True, metavar="OUT", help="A .mp4, .mov or .mkv to write.")
@with_options(
    units_option, split_option, same_clock_option, offset_option, cover_option, column_option
)
@quiet_option
def tag(clip: str, logs: tuple[str, ...], output: str, quiet: bool, **options: Any) -> None:
    """Copy CLIP, raw or with gauges, and add chapters and text at launch, splits and finish.

    Picture and sound are copied as they are. Players show the text as subtitles.
    """
    from overlay.cli.pictures import request_of
    from overlay.jobs.parts import tag_run

    with shown_progress(quiet=quiet) as progress:
        report = tag_run(clip, logs, output, request_of(options), progress=progress)
    for line in report.lines:
        say(line)
