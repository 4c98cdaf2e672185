"""What the demo found, beside the truth, in plain text."""

from __future__ import annotations

from overlay.demo.scenario import BUILDS, SPLIT_DISTANCES_M
from overlay.demo.truth import truth_of_day
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
        lines += [table.heading, columns(table.header, table.rows)]
    lines += [_in_truth(result), ""]
    for heading, said in sections(result.results):
        lines += [heading, *(f"  {line}" for line in said), ""]
    return lines


def _in_truth(result: DemoResult) -> str:
    """The truth of the main figure, which heat and breeze move from run to run."""
    a, b = (build.key for build in BUILDS)
    truth = truth_of_day(len(result.runs))
    figure = " to ".join(f"{x:g}" for x in SPLIT_DISTANCES_M) + " m"
    drifts = [f"{signed(s, 3)} s to {build}" for build, s in truth.drift_s.items()]
    return (
        f"In truth {b} less {a} is {signed(truth.difference_s, 2)} s from {figure} under the same "
        f"heat and breeze, which from each run to the next add {' and '.join(drifts)}"
    )


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
