"""Commands that need no footage: ``gauges`` and ``demo``."""

from __future__ import annotations

import click

from overlay.cli.options import number, output_option, quiet_option
from overlay.cli.shared import say, show, shown_progress
from overlay.jobs.gauge_sheet import write_sheet


@click.command()
@output_option("SHEET.png", "The picture to write.")
@number(
    "--scale",
    "scale",
    "FACTOR",
    "1: the sizes that gauges have in a 1080p picture.",
    within=(0.5, 2),
    default=1.0,
)
def gauges(output: str, scale: float) -> None:
    """Draw every gauge in every state into SHEET.png, over white, busy and black ground."""
    width, height = write_sheet(output, scale=scale)
    say(f"wrote {output}: {width}×{height}")


@click.command()
@click.argument("folder", metavar="[DIR]", default="timetrue-demo")
@quiet_option
def demo(folder: str, quiet: bool) -> int:
    """Film, log, align, draw, pair and verify a simulated day into DIR (./timetrue-demo).

    A village cyclekart club on a disused airfield taxiway: two builds, three good runs each
    and one spoiled by wheelspin, in the order A A A B B B A; the engine fades with heat, a breeze
    gets up, and B runs into its limiter. Every figure is printed beside the truth that the
    simulation knows. Takes about three minutes on two cores. Files of the same names are replaced.
    """
    from overlay.jobs.demo import run_demo  # the simulation loads slowly
    from overlay.jobs.demo_text import demo_text

    with shown_progress(quiet=quiet) as progress:
        result = run_demo(folder, progress=progress)
    show(demo_text(result))
    verdicts = [*(run.verdict for run in result.runs), *result.pair_verdicts]
    return max((verdict.exit_code for verdict in verdicts), default=0)
