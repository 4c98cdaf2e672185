"""``timetrue draw``: gauges on the footage."""

from __future__ import annotations

import click

from overlay.cli.pictures import gauges_option, hardware_option, layout_option, parse_gauges
from overlay.cli.shared import (
    column_option,
    cover_option,
    encoder_options,
    offset_option,
    parse_columns,
    parse_covers,
    quiet_option,
    same_clock_option,
    say,
    shown_progress,
    split_option,
    units_option,
)


@click.command(short_help="Draw true gauges on a clip.")
@click.argument("clip", metavar="CLIP")
@click.argument("logs", metavar="LOG [LOG...]", nargs=-1, required=True)
@click.option("-o", "--output", required=True, metavar="OUT.mp4", help="The clip to write.")
@units_option
@split_option
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
@cover_option
@same_clock_option
@offset_option
@column_option
@gauges_option
@layout_option
@encoder_options
@hardware_option
@quiet_option
def draw(
    clip: str,
    logs: tuple[str, ...],
    output: str,
    units: str,
    splits: tuple[str, ...],
    uncorrected: bool,
    rpm_from_sound: bool,
    covers: tuple[str, ...],
    same_clock: bool,
    offset_s: float | None,
    columns: tuple[str, ...],
    codec: str,
    quality: int | None,
    preset: str,
    gauges: str | None,
    layout: str | None,
    hardware: bool,
    quiet: bool,
) -> None:
    """Draw speed (ribbon), RPM (comb, where a log has it) and splits (ladder) on CLIP.

    The lag is measured and removed first. Sound, frame times and colour are kept. The file
    appears under its name only when it is whole.
    """
    from overlay.jobs.draw import DrawRequest, draw_run

    request = DrawRequest(
        units=units,
        splits=splits,
        corrected=not uncorrected,
        rpm_from_sound=rpm_from_sound,
        same_clock=same_clock,
        offset_s=offset_s,
        covers=tuple(parse_covers(covers)),
        columns=parse_columns(columns),
        codec=codec,
        quality=quality,
        preset=preset,
        hardware=hardware,
        gauges=parse_gauges(gauges),
        layout=layout,
    )
    with shown_progress(quiet=quiet) as progress:
        report = draw_run(clip, logs, output, request, progress=progress)
    for line in report.lines:
        say(line)
