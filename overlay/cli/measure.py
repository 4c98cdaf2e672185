"""Commands that measure and write numbers: ``inspect``, ``align``, ``correct``, ``verify``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from overlay.cli.options import (
    burnt_in,
    burnt_in_options,
    clip_and_logs,
    column_option,
    json_option,
    leave_out_option,
    logs_argument,
    measuring,
    number,
    offset_option,
    options_of,
    output_option,
    parse_columns,
    quiet_option,
    readout_options,
    same_clock_option,
)
from overlay.cli.shared import print_json, say, show, shown_progress
from overlay.errors import UndeterminedError, UsageError
from overlay.jobs.correct import correct_run
from overlay.jobs.facts import facts_of
from overlay.jobs.names import CLIP_SUFFIXES
from overlay.jobs.readout import align_readout, readout_json, readout_lines, write_readout
from overlay.jobs.text import align_report
from overlay.jobs.verify import verify_clip, verify_logs
from overlay.logs import is_log
from overlay.report.table import facts_table
from overlay.session import align as aligned_run
from overlay.session import load


@click.command()
@click.argument("file", metavar="FILE")
@column_option
@click.option("--facts-only", is_flag=True, help="Do not watch and hear a clip; quick.")
@json_option
@quiet_option
def inspect(
    file: str, columns: tuple[str, ...], facts_only: bool, as_json: bool, quiet: bool
) -> None:
    """Show the facts of FILE, a clip or a log.

    For a clip: duration (s), frame rate (Hz, constant or variable), size (pixels as displayed),
    rotation (degrees clockwise), colour, sound, the track inside; then what it will be good for
    (launch and stop in view, sound, track) and what to change on the next run. Clips up to 15
    minutes are watched for that. For a log: format, clock, speed range, sample rate (Hz), gaps,
    which column was taken for what, and every record that was dropped, by reason.
    """
    with shown_progress(quiet=quiet) as progress:
        facts = facts_of(
            file, columns=parse_columns(columns), watch=not facts_only, progress=progress
        )
    if as_json:
        print_json(facts)
    else:
        show(facts_table(facts))


@click.command()
@click.argument("clip", metavar="CLIP|LOG")
@logs_argument
@same_clock_option
@measuring
@readout_options
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

    Motion in the picture is set against the logged speed over the whole possible range; where the
    picture cannot tell, as at night, the engine's speed, heard or logged, stands in for it. The
    total offset is log time minus footage time of the same event, on the log's own time column
    (from the first record for logs in UTC); positive means that the log shows it later. It is
    the receiver's lag plus the offset between the two clocks; the lag alone is given where the
    evidence can tell the two apart. Without a LOG the track inside CLIP serves, or with --readout
    the speed burnt into the picture; both are on the footage's own clock, so that the total is the
    lag. Ends with exit code 5 and the reason where it cannot be determined.

    With two logs of one drive: how late the second shows what the first shows, such as GPS behind
    wheel speed. In UTC, or with --same-clock, that is the lag itself.
    """
    options, where = options_of(words), burnt_in(words)
    facts: dict[str, Any] = {}
    if Path(clip).suffix.lower() not in CLIP_SUFFIXES and is_log(clip):
        from overlay.jobs.log_pair import align_logs, log_lag_report  # its statistics load slowly

        if len(logs) != 1:
            raise UsageError(
                f"{clip}: is a log; name one clip with its logs, or two logs of one drive"
            )
        lag = align_logs(clip, logs[0], same_clock=options.same_clock, columns=options.columns)
        found, motion, speed, text = lag.alignment, lag.motion, lag.speed, log_lag_report(lag)
        facts = {"pieces_s": list(lag.pieces_s)}
    else:
        with shown_progress(quiet=quiet) as progress:
            if words["readout"]:
                run = align_readout(clip, logs, options, where=where, progress=progress)
            else:
                run = aligned_run(load(clip, logs, options), progress=progress)
        found, motion, speed, text = run.alignment, run.motion, run.inputs.speed, align_report(run)
        facts = {"camera": motion.camera and motion.camera.to_json()}
    if plot:
        from overlay.report.plot import plot_evidence

        plot_evidence(motion, speed, found, plot)
        say(f"evidence: {plot}")
    if as_json:
        print_json(found.to_json() | facts)
    else:
        show(text)
    return 0 if found.determined else UndeterminedError.exit_code


@click.command()
@click.argument("clip", metavar="CLIP")
@output_option("LOG.csv", "The log to write.")
@burnt_in_options
@json_option
@quiet_option
def readout(clip: str, output: str, as_json: bool, quiet: bool, **words: Any) -> None:
    """Read the speed that a camera burnt into CLIP from every frame, and write it as a log.

    The place is found by itself where one speed with its unit is in view. Digits are learned from
    the clip, told by their look and by how they count, and every figure must fit its neighbours in
    time. The log has one row for each value the readout took, at footage time to the frame, also
    where the figure stayed the same; so `timetrue align CLIP LOG.csv` gives how late it is;
    `timetrue align CLIP --readout` holds how well the values are dated in its interval, too.
    """
    with shown_progress(quiet=quiet) as progress:
        found = write_readout(clip, output, where=burnt_in(words), progress=progress)
    if as_json:
        print_json(readout_json(found))
    for line in (*readout_lines(found), f"wrote {output}"):
        say(line)


@click.command()
@clip_and_logs
@output_option("FILE", "A .csv or .gpx to write.")
@number("--rate", "rate_hz", "HZ", "Rows a second.", within=(0.1, 100), default=10.0)
@same_clock_option
@offset_option
@measuring
@quiet_option
def correct(
    clip: str, logs: tuple[str, ...], output: str, rate_hz: float, quiet: bool, **words: Any
) -> None:
    """Write the speed with the lag removed, and its uncertainty at each instant.

    CSV: footage time (s), speed (m/s) and its standard uncertainty, acceleration (m/s²),
    distance (m), and whether the log knows. GPX: points of the log at their corrected times;
    needs a log in UTC with positions.
    """
    options = options_of(words)
    with shown_progress(quiet=quiet) as progress:
        correct_run(clip, logs, output, options, rate_hz=rate_hz, progress=progress)
    say(f"wrote {output}")


@click.command()
@click.argument("clip", metavar="FINISHED.mp4")
@logs_argument
@same_clock_option
@leave_out_option
@column_option
@json_option
@quiet_option
def verify(clip: str, logs: tuple[str, ...], as_json: bool, quiet: bool, **words: Any) -> int:
    """Measure the lag that is left, in seconds, with its 95 % interval.

    With FINISHED.mp4 alone: the ribbon's length is read back from the picture's own pixels and
    set against witnesses that share nothing with the fit: corners followed over the ground
    outside the gauges, and the engine's sound where its drive holds one ratio. With a raw clip
    and its logs, before anything is drawn: the lag is fitted on one half of the footage and the
    corrected speed is judged on the other.

    Exit code 0 when the interval holds zero and even that of 99 % lies within ± 40 ms, 6 when the
    gauges are late or early beyond doubt (99.9 %) and by more than that, 7 when neither is sure,
    5 when the evidence does not decide or the witnesses disagree.
    """
    with shown_progress(quiet=quiet) as progress:
        if logs:
            verdicts = verify_logs(clip, logs, options_of(words), progress=progress)
        else:
            verdicts = verify_clip(clip, progress=progress)
    worst = max((verdict.exit_code for verdict in verdicts), default=0)
    reasons = [f"{v.name}: {v.reason}" if v.name else v.reason for v in verdicts]
    if as_json:
        runs = [{**v.to_json(), "exit_code": v.exit_code} for v in verdicts]
        print_json({"clip": clip, "exit_code": worst, "reason": "; ".join(reasons), "runs": runs})
        return worst
    for reason, verdict in zip(reasons, verdicts, strict=True):
        show(reason)
        for check in verdict.checks:
            show(f"  {check.evidence}: {check.said}")
    return worst
