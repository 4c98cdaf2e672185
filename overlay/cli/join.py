"""``timetrue join``: the files of one recording made one clip."""

from __future__ import annotations

import click

from overlay.cli.shared import quiet_option, say, shown_progress


@click.command(short_help="Make one clip of a recording in several files.")
@click.argument("parts", metavar="PART [PART...]", nargs=-1, required=True)
@click.option("-o", "--output", required=True, metavar="OUT", help="A .mp4, .mov or .mkv to write.")
@quiet_option
def join(parts: tuple[str, ...], output: str, quiet: bool) -> None:
    """Put the files of one recording, in the order given, end to end without encoding again.

    Cameras split long recordings into several files; every other command takes the joined clip.
    The tracks inside the parts are written beside it as OUT.track.csv, on the clip's clock.
    """
    from pathlib import Path

    from overlay.jobs.join_track import write_joined_track
    from overlay.render.join import join_clips

    with shown_progress(quiet=quiet) as progress:
        join_clips(parts, output, progress=lambda told: progress("joining", told.share))
    say(f"wrote {output}")
    track = Path(output).with_suffix(".track.csv")
    if write_joined_track(parts, track):
        say(f"wrote {track}")
