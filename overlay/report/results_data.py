"""A day's results for programs: JSON and CSV, with the unit in every key and header."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path
from typing import Any

from overlay.compare.day import Step
from overlay.compare.day_power import BuildPower
from overlay.compare.drift import Drift
from overlay.compare.explained import Explained
from overlay.compare.figures import LEVEL, BuildSummary, Comparison
from overlay.compare.spoiled import RULE
from overlay.compare.standing import DayRun, Standing
from overlay.files import written_whole
from overlay.report.results import DayResults
from overlay.runs.model import SplitGoal

_SUFFIX = {"s": "s", "m/s": "mps"}
_CAUSES = {"weight": "kg", "headwind": "mps", "slope": "percent", "air": "percent"}


def results_json(results: DayResults) -> dict[str, Any]:
    """The results as a plain dictionary; numbers that are not known are None."""
    day, report = results.day, results.sheet.report
    runs = {run.name: run for run in results.runs}
    lag = None
    if day.lag is not None:
        lag = {
            "lag_s": day.lag.lag_s,
            "interval_s": list(day.lag.interval_s),
            "runs": day.lag.runs,
            "is_constant": day.lag.constant,
            "note": day.lag.note,
        }
    plain: dict[str, Any] = _finite(
        {
            "title": results.title,
            "level": LEVEL,
            "worth_noticing_s": report.worth_noticing_s,
            "worth_noticing_mps": report.worth_noticing_mps,
            "rule": RULE,
            "order_from": day.order_from,
            "drift": _drift(day.drift),
            "receiver_lag": lag,
            "goals": [_goal(goal) for goal in day.goals],
            "runs": [_run(one, runs[one.run], day.goals) for one in day.standings],
            "steps": [_step(step) for step in day.steps],
            "power": [_power(one) for one in results.powers],
            "power_steps": [
                {
                    "from": one.a,
                    "to": one.b,
                    "from_speed_mps": one.low_mps,
                    "to_speed_mps": one.high_mps,
                    "difference_w": one.difference_w,
                    "difference_half_interval_w": one.half_w,
                    "is_order_told_apart": not one.is_confounded,
                }
                for one in results.power_steps
            ],
            "surroundings_explain": [_explained(one) for one in results.explained],
            "not_worked_out": [{"run": run, "reason": why} for run, why in results.failed],
            "cautions": list(day.cautions),
        }
    )
    return plain


def write_json(path: Path, results: DayResults) -> None:
    """Write ``results.json``, whole or not at all."""
    text = json.dumps(results_json(results), indent=2, ensure_ascii=False, allow_nan=False)
    with written_whole(path) as part:
        part.write_text(text + "\n", encoding="utf-8")


def write_csv(path: Path, results: DayResults) -> None:
    """Write ``results.csv``: one row a run; sigmas are standard uncertainties."""
    goals = results.day.goals
    header = ["run", "build", "order"]
    for goal in goals:
        names = (f"({goal.unit})", f"sigma ({goal.unit})", "counted")
        header += [f"{goal.label} {name}" for name in names]
    header += ["top speed (m/s)", "top speed sigma (m/s)", "top speed counted", "notes"]
    with written_whole(path) as part, part.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(header)
        for one in results.day.standings:
            row = [no_formula(one.run), no_formula(one.build), str(one.place)]
            for split in one.splits:
                known = split.value is not None
                row += [f"{split.value:.4f}", f"{split.total_sigma:.4f}"] if known else ["", ""]
                row.append(str(int(split.used)))
            writer.writerow([*row, no_formula("; ".join(one.notes))])


def no_formula(text: str) -> str:
    """Text that no spreadsheet takes for a formula (OWASP, "CSV Injection")."""
    return f"'{text}" if text.startswith(("=", "+", "-", "@")) else text


def _goal(goal: SplitGoal) -> dict[str, Any]:
    key = "speed_mps" if goal.kind == "speed" else "distance_m"
    return {
        "label": goal.label,
        key: goal.value,
        f"from_{key}": goal.start,
        "is_trap": goal.kind == "trap",
        "is_rollout_left_out": goal.rollout,
    }


def _run(one: Standing, run: DayRun, goals: tuple[SplitGoal, ...]) -> dict[str, Any]:
    found = run.alignment
    splits = []
    speeds = {split.goal.label: split.speed_mps for split in run.splits}
    for goal, mine in zip(goals, one.splits, strict=False):
        known, unit = mine.value is not None, _SUFFIX[goal.unit]
        splits.append(
            {
                "label": goal.label,
                "speed_mps" if goal.unit == "m/s" else "time_s": mine.value,
                f"sigma_{unit}": mine.sigma if known else None,
                f"common_sigma_{unit}": mine.common_sigma if known else None,
                f"soft_sigma_{unit}": mine.soft_sigma if known else None,
                "end_speed_mps": speeds.get(goal.label),
                "is_counted": mine.used,
                "reason": mine.reason or None,
            }
        )
    top, stop = one.splits[-1], run.braking
    return {
        "name": one.run,
        "build": one.build,
        "order": one.place,
        "way": one.way,
        "heading_deg": run.heading_deg,
        "total_offset_s": None if found is None else found.total_offset_s,
        "total_offset_interval_s": None if found is None else found.interval_s,
        "readout_lag_s": None if found is None else found.readout_lag_s,
        "launch_footage_s": None if run.launch is None else run.launch.at_s,
        "launch_sigma_s": None if run.launch is None else run.launch.sigma_s,
        "splits": splits,
        "top_speed_mps": top.value,
        "top_speed_sigma_mps": top.sigma if top.value is not None else None,
        "is_top_speed_counted": top.used,
        "highest_rpm": run.highest_rpm,
        "braking_distance_m": None if stop is None else stop.distance_m,
        "braking_from_mps": None if stop is None else stop.from_mps,
        "marks": [
            {
                "kind": mark.kind,
                "start_footage_s": mark.start_s,
                "end_footage_s": mark.end_s,
                "detail": mark.detail,
            }
            for mark in run.marks
        ],
        "notes": list(one.notes),
    }


def _step(step: Step) -> dict[str, Any]:
    value = step.value
    return {
        "from": step.a,
        "to": step.b,
        "cost": None if value is None else value.cost,
        "currency": None if value is None else value.currency,
        "sentence": None if value is None else value.sentence,
        "money": [] if value is None else list(value.notes),
        "figures": [
            {**comparison_json(c), **_per_unit(step, place)}
            for place, c in enumerate(step.comparisons)
        ],
    }


def comparison_json(c: Comparison) -> dict[str, Any]:
    """One figure of one step, the unit in each key."""
    unit = _SUFFIX[c.unit]
    return {
        "label": c.label,
        "first": _summary(c.a, unit),
        "second": _summary(c.b, unit),
        f"difference_{unit}": c.difference,
        f"difference_low_{unit}": c.low,
        f"difference_high_{unit}": c.high,
        f"margin_{unit}": c.margin,
        "p_differ_adjusted": c.p_differ_adjusted,
        "p_alike_adjusted": c.p_alike_adjusted,
        "judged_with": c.judged_with,
        "verdict": c.verdict,
        "is_main": c.is_main,
        "is_provisional": c.is_provisional,
        "remedy": c.remedy or None,
        "further_runs_of_each": c.further_runs,
        "reason": c.reason or None,
    }


def _per_unit(step: Step, place: int) -> dict[str, Any]:
    """Gain for one unit of the currency."""
    if step.value is None:
        return {}
    gain = step.value.gains[place]
    unit = f"{_SUFFIX[gain.unit]}_per_{step.value.currency or 'unit'}"
    return {
        f"gain_{unit}": gain.per_unit,
        f"gain_low_{unit}": gain.per_unit_low,
        f"gain_high_{unit}": gain.per_unit_high,
    }


def _summary(s: BuildSummary, unit: str) -> dict[str, Any]:
    return {
        "runs": s.n,
        f"mean_{unit}": s.mean,
        f"spread_{unit}": s.spread,
        f"mean_half_interval_{unit}": s.half,
        "left_out": [{"run": run, "reason": why} for run, why in s.excluded],
    }


def _drift(one: Drift | None) -> dict[str, Any] | None:
    if one is None:
        return None
    unit = _SUFFIX[one.unit]
    return {
        "label": one.label,
        f"from_run_to_run_{unit}": one.per_run,
        f"half_interval_{unit}": one.half,
        "is_seen": one.is_seen,
    }


def _explained(one: Explained) -> dict[str, Any]:
    """An estimate; no figure is corrected by it."""
    unit = _SUFFIX[one.unit]
    return {
        "from": one.a,
        "to": one.b,
        "label": one.label,
        f"effect_{unit}": one.effect,
        "causes": [
            {
                "kind": cause.kind,
                f"more_{_CAUSES[cause.kind]}": cause.more,
                f"effect_{unit}": cause.effect,
            }
            for cause in one.causes
        ],
    }


def _power(one: BuildPower) -> dict[str, Any]:
    load = one.curve.road_load
    return {
        "build": one.build,
        "peak_power_w": one.peak_w,
        "peak_power_half_interval_w": one.half_w,
        "at_speed_mps": one.at_mps,
        "at_engine_rpm": one.at_rpm,
        "top_speed_engine_rpm": one.top_rpm,
        "stock_limit_speed_mps": one.limit_mps,
        "turning_kg": one.measured.turning[0],
        "turning_sigma_kg": one.measured.turning[1],
        "road_load": {
            "source": load.source,
            "rolling_n": load.rolling_n,
            "rolling_sigma_n": math.sqrt(load.variance_rolling),
            "drag_kg_per_m": load.drag_kgpm,
            "drag_sigma_kg_per_m": math.sqrt(load.variance_drag),
            "covariance_n_kg_per_m": load.covariance,
            "coasting_s": load.seconds,
            "coasted_in": list(load.runs),
        },
        "air_factors": [
            {
                "standard": by.standard,
                "factor": by.factor,
                "is_valid": by.valid,
                "note": by.note or None,
            }
            for by in one.corrections
        ],
    }


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
