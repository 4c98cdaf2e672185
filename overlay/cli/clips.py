"""Commands that make a clip of clips: ``teaser``, ``join`` and ``reel``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from overlay.cli.options import (
    encoder_options,
    many,
    number,
    output_option,
    quiet_option,
)
from overlay.cli.shared import say, shown_progress
from overlay.errors import UsageError
from overlay.jobs.join_track import write_joined_track
from overlay.render.cards import Card
from overlay.render.encoder import EncodeOptions
from overlay.render.join import join_clips
from overlay.render.reel import make_reel
from overlay.render.teaser import teaser_clip


@click.command()
@click.argument("clip", metavar="CLIP")
@output_option("OUT", "A .gif or .webp to write.")
@number("--from", "from_s", "SECONDS", "Start.", default=0.0)
@number("--to", "to_s", "SECONDS", "End, at most 30 s later.  [default: the clip's end]")
@click.option(
    "--width", type=int, default=480, show_default=True, metavar="PIXELS", help="64 to 1280."
)
@number("--rate", "rate_hz", "HZ", "1 to 30.", default=12.5)
@quiet_option
def teaser(clip: str, output: str, quiet: bool, **part: Any) -> None:
    """Write part of CLIP, usually one with gauges, as a silent loop at its true speed."""
    with shown_progress(quiet=quiet) as progress:
        length_s = teaser_clip(
            clip, output, **part, progress=lambda share: progress("drawing the loop", share)
        )
    say(f"wrote {output}: {length_s:.1f} s")


@click.command()
@click.argument("parts", metavar="PART [PART...]", nargs=-1, required=True)
@output_option("OUT", "A .mp4, .mov or .mkv to write.")
@quiet_option
def join(parts: tuple[str, ...], output: str, quiet: bool) -> None:
    """Put the files of one recording, in the order given, end to end without encoding again.

    Cameras split long recordings into several files; every other command takes the joined clip.
    The tracks inside the parts are written beside it as OUT.track.csv, on the clip's clock.
    """
    with shown_progress(quiet=quiet) as progress:
        join_clips(parts, output, progress=lambda share: progress("joining", share))
    say(f"wrote {output}")
    track = Path(output).with_suffix(".track.csv")
    if write_joined_track(parts, track):
        say(f"wrote {track}")


@click.command()
@click.argument("clips", metavar="[CLIP...]", nargs=-1)
@output_option(about="The film to write.")
@click.option(
    "--day",
    "sheet",
    metavar="SHEET",
    help="Day sheet, or its folder, whose results give clips and words where none are named.",
)
@click.option("--title", metavar="TEXT", help="On the first card.")
@many("--title-line", "title_lines", "TEXT", "Below it. Repeat for more.")
@many(
    "--build",
    "builds",
    "TEXT",
    "Name of a build, shown in its hue on the first card. Repeat for more, at most four.",
)
@click.option("--verdict-text", "verdict", metavar="TEXT", help="On the last card.")
@many("--value-text", "value_lines", "TEXT", "Below it. Repeat for more.")
@number(
    "--loudness",
    "loudness_lufs",
    "LUFS",
    "Of the whole sound: -14 suits the net, -23 broadcasting.",
    within=(-36, -9),
    default=-14.0,
)
@number(
    "--title-time",
    "title_s",
    "SECONDS",
    "How long the first card stays.",
    within=(1, 30),
    default=3.0,
)
@number(
    "--results-time",
    "results_s",
    "SECONDS",
    "How long the last card stays.",
    within=(1, 30),
    default=6.0,
)
@encoder_options
@quiet_option
def reel(
    clips: tuple[str, ...],
    output: str,
    sheet: str | None,
    quiet: bool,
    **words: Any,
) -> None:
    """Put a title card, finished clips (best runs, split-screen) and a results card together.

    Pictures cross-fade between the parts; the clips themselves stay whole, and those whose size
    and encoding agree are copied without a second encode. The sound is mixed to one loudness.

    With --day everything comes from the results of 'day run': each build's best run and the best
    runs side by side, the day's title, its builds, the verdict and what the money bought.
    """
    told = {
        name: words[name] for name in ("title", "title_lines", "builds", "verdict", "value_lines")
    }
    if len(told["builds"]) > 4:
        raise UsageError(f"--build: {len(told['builds'])} names; at most four builds have a hue")
    paths: tuple[str | Path, ...] = clips
    if sheet is not None:
        from overlay.jobs.day_reel import day_reel

        found = day_reel(sheet)
        paths = clips or found.clips
        told = {name: value or getattr(found, name) for name, value in told.items()}
    if not paths or told["title"] is None or told["verdict"] is None:
        raise UsageError("name finished clips, --title and --verdict-text, or a day with --day")
    with shown_progress(quiet=quiet) as progress:
        report = make_reel(
            paths,
            output,
            title=Card(
                told["title"], told["title_lines"], told["builds"], shown_s=words["title_s"]
            ),
            results=Card(told["verdict"], told["value_lines"], shown_s=words["results_s"]),
            loudness_lufs=words["loudness_lufs"],
            options=EncodeOptions(words["codec"], words["quality"], words["preset"]),
            progress=lambda share: progress("making the reel", share),
        )
    for note in report.notes:
        say(note)
    say(f"wrote {output}: {report.duration_s:.1f} s")
