"""``timetrue reel``: cards and finished clips as one film."""

from __future__ import annotations

from pathlib import Path

import click

from overlay.cli.shared import encoder_options, quiet_option, say, shown_progress
from overlay.errors import UsageError


@click.command(short_help="Put cards and finished clips together as one film.")
@click.argument("clips", metavar="[CLIP...]", nargs=-1)
@click.option("-o", "--output", required=True, metavar="OUT.mp4", help="The film to write.")
@click.option(
    "--day",
    "sheet",
    metavar="SHEET",
    help="Day sheet, or its folder, whose results give clips and words where none are named.",
)
@click.option("--title", metavar="TEXT", help="On the first card.")
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
@click.option("--verdict-text", metavar="TEXT", help="On the last card.")
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
    sheet: str | None,
    title: str | None,
    title_lines: tuple[str, ...],
    builds: tuple[str, ...],
    verdict_text: str | None,
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

    With --day everything comes from the results of 'day run': each build's best run and the best
    runs side by side, the day's title, its builds, the verdict and what the money bought.
    """
    from overlay.render.cards import Card
    from overlay.render.encoder import EncodeOptions
    from overlay.render.reel import make_reel

    if len(builds) > 4:
        raise UsageError(f"--build: {len(builds)} names; at most four builds have a hue")
    paths: tuple[str | Path, ...] = clips
    if sheet is not None:
        from overlay.jobs.day_reel import day_reel

        found = day_reel(sheet)
        paths = clips or found.clips
        title, verdict_text = title or found.title, verdict_text or found.verdict
        title_lines, builds = title_lines or found.title_lines, builds or found.builds
        value_texts = value_texts or found.value_lines
    if not paths or title is None or verdict_text is None:
        raise UsageError("name finished clips, --title and --verdict-text, or a day with --day")
    with shown_progress(quiet=quiet) as progress:
        report = make_reel(
            paths,
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
