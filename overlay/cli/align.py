"""``timetrue align``: how late the log shows what the picture shows, and how sure that is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from overlay.cli.pictures import options_of
from overlay.cli.shared import (
    column_option,
    ignore_option,
    json_option,
    leave_out_option,
    print_json,
    quiet_option,
    same_clock_option,
    say,
    shown_progress,
)
from overlay.errors import UndeterminedError, UsageError

if TYPE_CHECKING:
    from overlay.session import RunOptions


@click.command(short_help="Measure how late a log is against a clip, or another log.")
@click.argument("clip", metavar="CLIP|LOG")
@click.argument("logs", metavar="[LOG...]", nargs=-1)
@same_clock_option
@leave_out_option
@ignore_option
@column_option
@click.option("--plot", "plot", metavar="PNG", help="Write the evidence as a picture.")
@json_option
@quiet_option
def align(
    clip: str,
    logs: tuple[str, ...],
    plot: str | None,
    as_json: bool,
    quiet: bool,
    **words: Any,
) -> int:
    """Measure how late each LOG shows what CLIP shows, in seconds, with a 95 % interval.

    Motion in the picture is set against the logged speed over the whole possible range. The
    total offset is log time minus footage time of the same event, on the log's own time column
    (from the first record for logs in UTC); positive means that the log shows it later. It is
    the receiver's lag plus the offset between the two clocks; the lag alone is given where the
    evidence can tell the two apart. Without a LOG the track inside CLIP serves, which is on the
    footage's own clock, so that its total is the lag. Ends with exit code 5 and the reason where
    it cannot be determined.

    With two logs of one drive: how late the second shows what the first shows, such as GPS behind
    wheel speed. In UTC, or with --same-clock, that is the lag itself.
    """
    from overlay.jobs.day_new import CLIP_SUFFIXES
    from overlay.jobs.text import align_report
    from overlay.logs import is_log
    from overlay.session import align as aligned_run
    from overlay.session import load

    options = options_of(words)
    if Path(clip).suffix.lower() not in CLIP_SUFFIXES and is_log(clip):
        return _between_logs(clip, logs, options, plot, as_json)

    with shown_progress(quiet=quiet) as progress:
        aligned = aligned_run(load(clip, logs, options), progress=progress)
    if plot:
        from overlay.report.plot import plot_evidence

        plot_evidence(aligned.motion, aligned.inputs.speed, aligned.alignment, plot)
        say(f"evidence: {plot}")
    if as_json:
        print_json(aligned.alignment.to_json())
    else:
        click.echo(align_report(aligned))
    return 0 if aligned.alignment.determined else UndeterminedError.exit_code


def _between_logs(
    first: str,
    others: tuple[str, ...],
    options: RunOptions,
    plot: str | None,
    as_json: bool,
) -> int:
    from overlay.jobs.log_pair import align_logs, log_lag_report

    if len(others) != 1:
        raise UsageError(
            f"{first}: is a log; name one clip with its logs, or two logs of one drive"
        )
    found = align_logs(first, others[0], same_clock=options.same_clock, columns=options.columns)
    if plot:
        from overlay.report.plot import plot_evidence

        plot_evidence(found.motion, found.speed, found.alignment, plot)
        say(f"evidence: {plot}")
    if as_json:
        print_json({**found.alignment.to_json(), "pieces_s": list(found.pieces_s)})
    else:
        click.echo(log_lag_report(found))
    return 0 if found.alignment.determined else UndeterminedError.exit_code
