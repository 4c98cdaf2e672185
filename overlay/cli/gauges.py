"""``timetrue gauges``: every gauge in every state, on one sheet."""

from __future__ import annotations

import click

from overlay.cli.shared import say


@click.command(short_help="Draw a sheet of every gauge in every state.")
@click.option("-o", "--output", required=True, metavar="SHEET.png", help="The picture to write.")
@click.option(
    "--scale",
    type=click.FloatRange(0.5, 2),
    default=1.0,
    show_default=True,
    help="1: the sizes that gauges have in a 1080p picture.",
)
def gauges(output: str, scale: float) -> None:
    """Draw every gauge in every state into SHEET.png, over white, busy and black ground."""
    from overlay.jobs.gauge_sheet import write_sheet

    width, height = write_sheet(output, scale=scale)
    say(f"wrote {output}: {width}×{height}")
