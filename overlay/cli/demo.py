"""``timetrue demo``: the whole job on a simulated day, with the truth beside it."""

from __future__ import annotations

import click

from overlay.cli.shared import quiet_option, shown_progress


@click.command(short_help="Do the whole job on a simulated day with known truth.")
@click.argument("folder", metavar="[DIR]", default="timetrue-demo")
@quiet_option
def demo(folder: str, quiet: bool) -> int:
    """Film, log, align, draw, pair and verify a simulated day into DIR (./timetrue-demo).

    A village cyclekart club on a disused airfield taxiway: two builds, three good runs each
    and one spoiled by wheelspin. Every figure is printed beside the truth that the simulation
    knows. Takes about two minutes on two cores. Files of the same names are replaced.
    """
    from overlay.jobs.demo import run_demo
    from overlay.jobs.demo_text import demo_text

    with shown_progress(quiet=quiet) as progress:
        result = run_demo(folder, progress=progress)
    click.echo(demo_text(result))
    verdicts = [*(run.verdict for run in result.runs), *result.pair_verdicts]
    return max((verdict.exit_code for verdict in verdicts), default=0)
