"""``timetrue reel``: cards and finished clips as one film."""

from __future__ import annotations

import click

from overlay.cli.shared import encoder_options, quiet_option, say, shown_progress
from overlay.errors import UsageError


@click.command(short_help="Put cards and finished clips together as one film.")
@click.argument("clips", metavar="CLIP [CLIP...]", nargs=-1, required=True)
@click.option("-o", "--output", required=True, metavar="OUT.mp4", help="The film to write.")
@click.option("--title", required=True, metavar="TEXT", help="On the first card.")
@click.option(
    "--title-line", "title_lines", multiple=True, metavar="TEXT", help="Below it. Repeat for more."
)
@click.option(
    "--build",
    "builds",
    multiple=True,
    metavar="TEXT",
    help="Name of a build, shown in its hue on the first card. Repeat for more, at most four.",
)
@click.option("--verdict-text", required=True, metavar="TEXT", help="On the last card.")
@click.option(
    "--value-text", "value_texts", multiple=True, metavar="TEXT", help="Below it. Repeat for more."
)
@click.option(
    "--loudness",
    type=click.FloatRange(-36, -9),
    default=-14.0,
    show_default=True,
    metavar="LUFS",
    help="Of the whole sound: -14 suits the net, -23 broadcasting.",
)
@click.option(
    "--title-time",
    "title_s",
    type=click.FloatRange(1, 30),
    default=3.0,
    show_default=True,
    metavar="SECONDS",
    help="How long the first card stays.",
)
@click.option(
    "--results-time",
    "results_s",
    type=click.FloatRange(1, 30),
    default=6.0,
    show_default=True,
    metavar="SECONDS",
    help="How long the last card stays.",
)
@encoder_options
@quiet_option
def reel(
    clips: tuple[str, ...],
    output: str,
    title: str,
    title_lines: tuple[str, ...],
    builds: tuple[str, ...],
    verdict_text: str,
    value_texts: tuple[str, ...],
    loudness: float,
    title_s: float,
    results_s: float,
    codec: str,
    quality: int | None,
    preset: str,
    quiet: bool,
) -> None:
    """Put a title card, finished clips (best runs, split-screen) and a results card together.

    Pictures cross-fade between the parts; the clips themselves stay whole, and those whose size
    and encoding agree are copied without a second encode. The sound is mixed to one loudness.
    """
    from overlay.render import EncodeOptions
    from overlay.render.cards import Card
    from overlay.render.reel import make_reel

    if len(builds) > 4:
        raise UsageError(f"--build: {len(builds)} names; at most four builds have a hue")
    with shown_progress(quiet=quiet) as progress:
        report = make_reel(
            clips,
            output,
            title=Card(title, title_lines, builds),
            results=Card(verdict_text, value_texts),
            loudness_lufs=loudness,
            title_s=title_s,
            results_s=results_s,
            options=EncodeOptions(codec, quality, preset),
            progress=lambda told: progress("making the reel", told.share),
        )
    for note in report.notes:
        say(note)
    say(f"wrote {output}: {report.duration_s:.1f} s")
