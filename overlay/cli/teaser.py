"""``timetrue teaser``: a short picture loop."""

from __future__ import annotations

import click

from overlay.cli.shared import quiet_option, say, shown_progress


@click.command(short_help="Write part of a clip as a GIF or WebP.")
@click.argument("clip", metavar="CLIP")
@click.option("-o", "--output", required=True, metavar="OUT", help="A .gif or .webp to write.")
@click.option(
    "--from", "from_s", type=float, default=0.0, show_default=True, metavar="SECONDS", help="Start."
)
@click.option(
    "--to",
    "to_s",
    type=float,
    metavar="SECONDS",
    help="End, at most 30 s later.  [default: the clip's end]",
)
@click.option(
    "--width", type=int, default=480, show_default=True, metavar="PIXELS", help="64 to 1280."
)
@click.option(
    "--rate", "rate_hz", type=float, default=12.5, show_default=True, metavar="HZ", help="1 to 30."
)
@quiet_option
def teaser(
    clip: str,
    output: str,
    from_s: float,
    to_s: float | None,
    width: int,
    rate_hz: float,
    quiet: bool,
) -> None:
    """Write part of CLIP, usually one with gauges, as a silent loop at its true speed."""
    from overlay.render.teaser import teaser_clip

    with shown_progress(quiet=quiet) as progress:
        length_s = teaser_clip(
            clip,
            output,
            from_s=from_s,
            to_s=to_s,
            width=width,
            rate_hz=rate_hz,
            progress=lambda told: progress("drawing the loop", told.share),
        )
    say(f"wrote {output}: {length_s:.1f} s")
