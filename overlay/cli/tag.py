"""``timetrue tag``: chapter marks and timed text, without encoding again."""

from __future__ import annotations

from typing import Any

import click

from overlay.cli.pictures import clip_and_logs, run_of, style_of, tell
from overlay.cli.shared import (
    column_option,
    cover_option,
    ignore_option,
    offset_option,
    quiet_option,
    same_clock_option,
    split_option,
    units_option,
    with_options,
)


@click.command(short_help="Add chapter marks and timed text without encoding again.")
@clip_and_logs
@click.option("-o", "--output", required=True, metavar="OUT", help="A .mp4, .mov or .mkv to write.")
@with_options(
    units_option,
    split_option,
    same_clock_option,
    offset_option,
    cover_option,
    ignore_option,
    column_option,
)
@quiet_option
def tag(clip: str, logs: tuple[str, ...], output: str, quiet: bool, **words: Any) -> None:
    """Copy CLIP, raw or with gauges, and add chapters and text at launch, splits and finish.

    Picture and sound are copied as they are. Players show the text as subtitles.
    """
    from overlay.jobs.tag import tag_run

    tell(tag_run, run_of(clip, logs, words), output, style_of(words), quiet=quiet)
