"""What is known of a run, in plain lines."""

from __future__ import annotations

from overlay.report.table import speed_text
from overlay.session import AlignedRun, RunAnalysis
from overlay.session.steps import taken_lines
from overlay.sync.model import Alignment


def align_report(aligned: AlignedRun) -> str:
    """The alignment, a sentence a line."""
    found = aligned.alignment
    if not found.determined:
        lines = [f"cannot be determined: {found.reason}"]
        return "\n".join(lines + [f"  {note}" for note in found.notes])
    lines = [*offset_lines(found)]
    if found.readout_lag_s is None and found.reason:
        lines.append(f"lag alone: {found.reason}")
    lines.append(f"agreement of motion and log {found.agreement:.3f}")
    lines += [f"{c.channel}: {c.offset_s:+.3f} s; {c.evidence}" for c in found.channels]
    return "\n".join([*lines, *found.notes])


def offset_lines(found: Alignment) -> tuple[str, ...]:
    """The total offset, and lag and clock offset where they are known: a sentence each."""
    if found.total_offset_s is None:
        return ()
    sure = ", as given and not measured"
    if found.interval_s is not None:
        sure = f" ± {(found.interval_s[1] - found.interval_s[0]) / 2:.3f} (95 %)"
    lines = [f"total offset {found.total_offset_s:+.3f} s{sure}"]
    if found.readout_lag_s is not None:
        low, high = found.readout_lag_interval_s or (0.0, 0.0)
        sure = f" ± {(high - low) / 2:.3f}" if found.readout_lag_interval_s else ""
        lines.append(f"readout lag  {found.readout_lag_s:+.3f} s{sure}")
    if found.clock_offset_s is not None:
        lines.append(f"clock offset {found.clock_offset_s:+.3f} s")
    if found.raised_sigma_mps:
        lines.append(
            "whether its figures are rounded or cut off is not known: the speed is taken for "
            f"{found.raised_mps:.2f} ± {1.96 * found.raised_sigma_mps:.2f} m/s more than they say, "
            "and the interval holds both; --rounding nearest or --rounding down decides"
        )
    elif found.raised_mps:
        lines.append(
            "its figures are taken for cut off, as 23 for 23.0 to 23.9: the speed is taken for "
            f"{found.raised_mps:.2f} m/s more than they say"
        )
    return tuple(lines)


def run_lines(run: RunAnalysis, unit: str) -> tuple[str, ...]:
    """Offsets, launch, splits and marks of a run, a sentence each; speeds in `unit`."""
    lines = [*offset_lines(run.alignment), *taken_lines(run.aligned.inputs)]
    if run.launch is not None:
        sure = f" ± {1.96 * run.launch.sigma_s:.2f}" if run.alignment.interval_s else ""
        lines.append(f"launch at {run.launch.at_s:.2f} s{sure}")
    for split in run.splits:
        if split.time_s is None or split.total_sigma_s is None:
            lines.append(f"{split.goal.label}: none, {split.reason}")
            continue
        at = "" if split.speed_mps is None else f" at {speed_text(split.speed_mps, unit)}"
        sure_s = 1.96 * split.total_sigma_s
        lines.append(f"{split.goal.label}: {split.time_s:.2f} s ± {sure_s:.2f}{at}")
    lines += [f"{mark.kind} at {mark.start_s:.1f} s: {mark.detail}" for mark in run.marks]
    return tuple(lines)
