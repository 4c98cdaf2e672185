"""Commands about one run: ``draw``, ``slow``, ``still``, ``layer`` and ``tag``."""

from __future__ import annotations

from typing import Any

import click

from overlay.cli.options import (
    burnt_in,
    clip_and_logs,
    encoder_of,
    encoding,
    many,
    number,
    output_option,
    quiet_option,
    readout_options,
    run_of,
    run_options,
    style_of,
    tag_options,
)
from overlay.cli.shared import tell
from overlay.jobs.cameras import draw_cameras
from overlay.jobs.film import Slowdown, draw_run, layer_run, still_run
from overlay.jobs.readout import draw_readout
from overlay.jobs.tag import tag_run


@click.command()
@clip_and_logs
@output_option()
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
@many(
    "--also",
    "also",
    "CLIP",
    "Another camera's clip of the same run, beside the track: it is set against CLIP by the sound "
    "of the engine, else by how the vehicle sets off in both pictures, and drawn beside it with "
    "the same figures. Repeat for up to three.",
)
@readout_options
@run_options
@encoding
def draw(clip: str, logs: tuple[str, ...], output: str, quiet: bool, **words: Any) -> None:
    """Draw speed (ribbon), RPM (comb, where a log has it) and splits (ladder) on CLIP.

    Without a LOG the track inside CLIP serves, or with --readout the speed that the camera burnt
    into the picture, which is read and covered. The lag is measured and removed first. Sound, frame
    times and colour are kept. The file appears under its name only when it is whole.

    With --also the other camera's clock is found by sound: what was heard on board, later by the
    way through the air and shifted in pitch as the vehicle comes and goes (Doppler), is compared
    with what the other camera heard, for each place where it may stand. If none fits, the other
    camera must stand still and see the vehicle set off, lift or brake; else nothing is drawn (exit
    code 5).
    """
    run, style, encoder = run_of(clip, logs, words), style_of(words), encoder_of(words)
    where, also = burnt_in(words), words["also"]
    if words["readout"]:
        tell(draw_readout, run, output, style, where=where, also=also, encoder=encoder, quiet=quiet)
    elif also:
        tell(draw_cameras, run, also, output, style, encoder=encoder, quiet=quiet)
    else:
        tell(draw_run, run, output, style, encoder=encoder, quiet=quiet)


@click.command()
@clip_and_logs
@number("--from", "from_s", "SECONDS", "Its start.", required=True)
@number("--to", "to_s", "SECONDS", "Its end.", required=True)
@click.option(
    "--factor",
    type=click.IntRange(2, 16),
    default=4,
    show_default=True,
    metavar="N",
    help="How many times as long the section lasts.",
)
@click.option(
    "--sound",
    type=click.Choice(["stretched", "muted"]),
    default="stretched",
    show_default=True,
    help="Of the section: as long as the picture and at its pitch, or none.",
)
@output_option()
@click.option("--uncorrected", is_flag=True, help="Leave the lag in, to see the difference.")
@run_options
@encoding
def slow(clip: str, logs: tuple[str, ...], output: str, quiet: bool, **words: Any) -> None:
    """Draw the gauges on CLIP and show one section of it slowed, by footage times.

    Every picture stays and none is invented, so a camera of many pictures a second looks best.
    The gauges show what was true when each picture was taken; a plate says how much it is slowed.
    The file notes which section is slowed, so that verify can undo it.
    """
    section = Slowdown(*(words[name] for name in ("from_s", "to_s", "factor", "sound")))
    run, style, encoder = run_of(clip, logs, words), style_of(words), encoder_of(words)
    tell(draw_run, run, output, style, encoder=encoder, slowdown=section, quiet=quiet)


@click.command()
@clip_and_logs
@number("--at", "at_s", "SECONDS", "Footage time to show.", required=True)
@output_option("OUT.png", "The picture to write.")
@run_options
@quiet_option
def still(
    clip: str, logs: tuple[str, ...], at_s: float, output: str, quiet: bool, **words: Any
) -> None:
    """Write the picture of CLIP at a footage time, with gauges true at that instant, as PNG."""
    tell(still_run, run_of(clip, logs, words), at_s, output, style_of(words), quiet=quiet)


@click.command()
@clip_and_logs
@output_option("OUT", "A .mov (ProRes 4444, large) or .webm (VP9, small) to write.")
@run_options
@quiet_option
def layer(clip: str, logs: tuple[str, ...], output: str, quiet: bool, **words: Any) -> None:
    """Write the gauges of CLIP on a clear ground, frame for frame, to lay over it in any editor.

    Size and frame times are those of CLIP; the sound stays with CLIP.
    """
    tell(layer_run, run_of(clip, logs, words), output, style_of(words), quiet=quiet)


@click.command()
@clip_and_logs
@output_option("OUT", "A .mp4, .mov or .mkv to write.")
@tag_options
@quiet_option
def tag(clip: str, logs: tuple[str, ...], output: str, quiet: bool, **words: Any) -> None:
    """Copy CLIP, raw or with gauges, and add chapters and text at launch, splits and finish.

    Picture and sound are copied as they are. Players show the text as subtitles.
    """
    tell(tag_run, run_of(clip, logs, words), output, style_of(words), quiet=quiet)
