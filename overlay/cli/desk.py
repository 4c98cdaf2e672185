"""``timetrue desk``: the whole job on pages in the browser."""

from __future__ import annotations

from pathlib import Path

import click

from overlay.cli.shared import say


@click.command()
@click.argument("folder", metavar="[DIR]", required=False)
@click.option(
    "--port",
    type=click.IntRange(1024, 65535),
    metavar="N",
    help="Port to listen on.  [default: 7043, or a free one]",
)
@click.option("--no-browser", is_flag=True, help="Print the address and open nothing.")
def desk(folder: str | None, port: int | None, no_browser: bool) -> None:
    """Open pages in the browser for the day's clips and logs in DIR (. for this folder).

    Without DIR a simulated day is filmed into ./timetrue-demo, to look around in.

    Files are paired, runs worked out, their sync looked at and nudged, builds and candidates
    priced and compared, and films drawn, by the same jobs as the other commands. The day sheet,
    day.toml, is the only store; it changes only when you save. The desk answers this machine
    alone, and only the browser that opened the printed address. Ctrl-C ends it and whatever it
    works on.
    """
    from overlay.desk.serve import serve

    serve(None if folder is None else Path(folder), port=port, is_opened=not no_browser, say=say)
