"""What the demo found, beside the truth, in plain text."""

from __future__ import annotations

from overlay.jobs.demo import DemoResult, DemoRun
from overlay.report.numbers import signed
from overlay.report.results import sections, step_table
from overlay.report.table import columns
from overlay.verify import Verdict


def demo_text(result: DemoResult) -> str:
    """The demo's tables and where its clips are."""
    runs = sorted(result.runs, key=lambda run: run.truth.name)
    lines = ["Readout lag, estimated and true (s); lag left in the finished clip (ms)"]
    lines += [columns(("run", "lag", "true", "left", ""), [_lag_row(run) for run in runs]), ""]
    goals = [split.goal.label for split in runs[0].run.splits]
    lines.append("Splits from launch (s, ± 95 %), true ones in brackets")
    rows = [(run.truth.name, *_split_cells(run)) for run in runs]
    lines += [columns(("run", *goals), rows), ""]
    lines += _comparison(result)
    first, second = result.paired
    lines.append(f"Split-screen of {first} and {second}: {result.pair_clip}")
    lines += [f"  {verdict.name}: {verdict.reason}" for verdict in result.pair_verdicts]
    return "\n".join(lines)


def _comparison(result: DemoResult) -> list[str]:
    """What the builds' difference comes to, and what stands beside it."""
    lines = []
    for step in result.results.day.steps:
        table = step_table(result.results, step)
        lines += [table.heading, columns(table.header, table.rows), ""]
    for heading, said in sections(result.results):
        lines += [heading, *(f"  {line}" for line in said), ""]
    return lines


def _lag_row(run: DemoRun) -> tuple[str, ...]:
    found = run.run.alignment
    low, high = found.interval_s or (0.0, 0.0)
    lag = f"{found.total_offset_s or 0.0:.3f} ± {(high - low) / 2:.3f}"
    return (
        run.truth.name,
        lag,
        f"{run.truth.total_offset_s:.3f}",
        _left(run.verdict),
        run.verdict.outcome,
    )


def _left(verdict: Verdict) -> str:
    if verdict.residual_lag_s is None or verdict.interval_s is None:
        return "not known"
    low, high = verdict.interval_s
    return f"{signed(1000 * verdict.residual_lag_s, 0)} ± {500 * (high - low):.0f}"


def _split_cells(run: DemoRun) -> list[str]:
    cells = []
    for split, true in zip(run.run.splits, run.truth.splits, strict=True):
        truth = "-" if true.time_s is None else f"{true.time_s:.2f}"
        if split.time_s is None or split.total_sigma_s is None:
            cells.append(f"none ({truth})")
        else:
            cells.append(f"{split.time_s:.2f} ± {1.96 * split.total_sigma_s:.2f} ({truth})")
    return cells
