"""``timetrue verify``: is any lag left?"""

from __future__ import annotations

import click

from overlay.cli.shared import (
    column_option,
    json_option,
    leave_out_option,
    parse_columns,
    parse_covers,
    print_json,
    quiet_option,
    same_clock_option,
    shown_progress,
)


@click.command(short_help="Prove that no lag is left in a finished clip.")
@click.argument("clip", metavar="FINISHED.mp4")
@click.argument("logs", metavar="[LOG...]", nargs=-1)
@same_clock_option
@leave_out_option
@column_option
@json_option
@quiet_option
def verify(
    clip: str,
    logs: tuple[str, ...],
    same_clock: bool,
    covers: tuple[str, ...],
    columns: tuple[str, ...],
    as_json: bool,
    quiet: bool,
) -> int:
    """Measure the lag that is left, in seconds, with its 95 % interval.

    With FINISHED.mp4 alone: the ribbon's length is read back from the picture's own pixels and
    set against witnesses that share nothing with the fit: corners followed over the ground
    outside the gauges, and the engine's sound where its drive holds one ratio. With a raw clip
    and its logs, before anything is drawn: the lag is fitted on one half of the footage and the
    corrected speed is judged on the other.

    Exit code 0 when the interval holds zero and lies within ± 40 ms, 6 when the gauges are late
    or early beyond doubt (99.9 %) and by more than that, 7 when neither is sure, 5 when nothing
    can tell, or when the witnesses disagree.
    """
    from overlay.jobs.verify import verify_clip, verify_logs

    with shown_progress(quiet=quiet) as progress:
        if logs:
            verdicts = verify_logs(
                clip,
                logs,
                same_clock=same_clock,
                columns=parse_columns(columns),
                ignore=parse_covers(covers),
                progress=progress,
            )
        else:
            verdicts = verify_clip(clip, progress=progress)
    worst = max((verdict.exit_code for verdict in verdicts), default=0)
    if as_json:
        runs = [{**v.to_json(), "exit_code": v.exit_code} for v in verdicts]
        reason = "; ".join(f"{v.name}: {v.reason}" if v.name else v.reason for v in verdicts)
        print_json({"clip": clip, "exit_code": worst, "reason": reason, "runs": runs})
    else:
        for verdict in verdicts:
            click.echo(f"{verdict.name}: {verdict.reason}" if verdict.name else verdict.reason)
            for check in verdict.checks:
                click.echo(f"  {check.evidence}: {check.said}")
    return worst
