"""The charts of a day: every run in order, and where on the run the builds differ."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np

from overlay.compare.coast import Coast
from overlay.compare.day import Step
from overlay.compare.day_power import coasts_of
from overlay.compare.figures import Comparison
from overlay.compare.power import RoadLoad, Setting
from overlay.compare.standing import TOP, DayRun
from overlay.gauges.palette import SPIN, hex_of, hue_among
from overlay.page.chart import Axis, ChartLine, chart
from overlay.report.day_curves import (
    DayCurve,
    Traces,
    accel_curves,
    day_traces,
    gain_curves,
    power_curves,
    speed_curves,
)
from overlay.report.numbers import figure_unit
from overlay.report.results import DayResults
from overlay.report.results_dots import shown_figures
from overlay.runs.course import Course
from overlay.runs.marks import run_end_s
from overlay.session.machine import machine_of
from overlay.timebase import FloatArray
from overlay.units import Z95, mps_to_speed, power_unit

DISTANCE = Axis("distance from launch", "m", 1, follows="distance")
QUIET = "#808894"
_REVS_STEPS, _LOAD_STEPS = 120, 60
COAST_STEP_S = 0.1


def day_charts(results: DayResults) -> list[dict[str, Any]]:
    """Every chart for which there are runs, the most wanted first."""
    traces = day_traces(results)
    made = [_dots(results, label) for label in shown_figures(results)]
    made += [
        _speed(results, traces),
        *_gains(results, traces),
        _accel(results, traces),
        _power(results, traces),
        _revs(results),
        *_road_loads(results),
        _coasts(results),
    ]
    return [spec for spec in made if spec["series"]]


def hue_of(results: DayResults, build: str) -> str:
    """A build's hue, ``#rrggbb``."""
    return hex_of(hue_among(results.sheet.builds, build))


def _dots(results: DayResults, label: str) -> dict[str, Any]:
    """One figure of every run in the order driven, with each build's mean."""
    day = results.day
    column = [*(goal.label for goal in day.goals), TOP].index(label)
    pairs = [(s, c) for s in day.steps for c in s.comparisons if c.label == label]
    factor, digits, unit = figure_unit(pairs[0][1].unit, results.unit)
    ordered = sorted(day.standings, key=lambda one: one.place)
    last = max(one.place for one in ordered)
    lines = []
    for build in results.sheet.builds:
        for is_counted in (True, False):
            values = [
                split.value * factor
                if one.build == build.name
                and (split := one.splits[column]).value is not None
                and split.counted == is_counted
                else np.nan
                for one in ordered
            ]
            if np.all(np.isnan(values)):
                continue
            words = build.name if is_counted else f"{build.name}, left out"
            kind = "dots" if is_counted else "rings"
            lines.append(ChartLine(words, hue_of(results, build.name), values, kind=kind))
    up = Axis("time" if unit == "s" else "speed", unit, digits)
    places = [one.place for one in ordered]
    spec = chart(
        f"runs-{label}",
        f"{label}: every run in the order driven",
        Axis("run", "", 0, follows="run"),
        places,
        up,
        lines,
    )
    names = [one.run for one in ordered]
    spec["shown_x"] = names
    spec["ticks"] = [{"x": x, "label": name} for x, name in zip(places, names, strict=True)]
    bars = list(_bars(results, pairs, factor, last))
    spec["bars"] = bars
    spec["x"]["range"] = [0.4, last + 1.2 + 0.8 * len(bars)]
    step, c = pairs[0]
    if c.a.mean is not None:
        words = f"too little to matter beside {step.a}"
        low, high = (factor * (c.a.mean + sign * c.margin) for sign in (-1, 1))
        spec["level"] = {"from": round(low, 4), "to": round(high, 4), "label": words}
    return spec


def _bars(
    results: DayResults, pairs: Sequence[tuple[Step, Comparison]], factor: float, last: int
) -> Iterator[dict[str, Any]]:
    """Each build's mean with its interval, to the right of the dots."""
    seen: set[str] = set()
    for step, c in pairs:
        for name, summary in ((step.a, c.a), (step.b, c.b)):
            if name in seen or summary.mean is None:
                continue
            seen.add(name)
            mean, half = factor * summary.mean, factor * (summary.half or 0.0)
            yield {
                "x": last + 0.2 + 0.8 * len(seen),
                "y": round(mean, 4),
                "low": round(mean - half, 4) if half else None,
                "high": round(mean + half, 4) if half else None,
                "hue": hue_of(results, name),
                "label": name,
            }


def _speed(results: DayResults, traces: Traces) -> dict[str, Any]:
    factor = mps_to_speed(1.0, results.unit)
    x, lines = _bands(results, traces, speed_curves(traces), factor)
    up = Axis("speed", results.unit, 1, from_zero=True)
    spec = chart("speed-by-distance", "Speed along the run", DISTANCE, x, up, lines)
    return spec | {"lines": _distances(results)}


def _gains(results: DayResults, traces: Traces) -> Iterator[dict[str, Any]]:
    for curve in gain_curves(traces):
        build, before = curve.build, curve.before
        hue = hue_of(results, build)
        spec = chart(
            f"gain-{before}-{build}",
            f"Time that {build} gains on {before}",
            DISTANCE,
            curve.x,
            Axis("gain", "s", 2, from_zero=True),
            [ChartLine(f"{build} on {before}", hue, curve.mean, curve.low, curve.high)],
        )
        yield spec | {"lines": _distances(results)}


def _accel(results: DayResults, traces: Traces) -> dict[str, Any]:
    factor = mps_to_speed(1.0, results.unit)
    x, lines = _bands(results, traces, accel_curves(traces), 1.0)
    up = Axis("acceleration", "m/s²", 2, from_zero=True)
    along = Axis("speed", results.unit, 1, follows="speed")
    return chart(
        "acceleration-by-speed", "Acceleration at each speed", along, x * factor, up, lines
    )


def _power(results: DayResults, traces: Traces) -> dict[str, Any]:
    """Power at the wheels, one chart for all builds (they share one grid of speeds)."""
    factor = mps_to_speed(1.0, results.unit)
    each_w, name = power_unit(results.unit)
    x, lines = _bands(results, traces, power_curves(results, traces), 1 / each_w)
    return chart(
        "power-by-speed",
        "Power at the wheels, in the day's air",
        Axis("speed", results.unit, 1, follows="speed"),
        x * factor,
        Axis("power", name, 2, from_zero=True),
        lines,
    )


def _revs(results: DayResults) -> dict[str, Any]:
    """Engine speed of each run up to its top speed, where wheels spun, and what grip would give."""
    factor = mps_to_speed(1.0, results.unit)
    runs = [run for run in results.runs if run.rpm is not None and run.launch is not None]
    top = max((peak.speed_mps for run in runs if (peak := run.top) is not None), default=0.0)
    x = np.linspace(0.0, top, _REVS_STEPS)
    lines = []
    for run in runs:
        at_s = _reached(run, x)
        course = Course(run.kinematics, rpm=run.rpm, marks=run.marks)
        revs = np.array([course.rpm_at(t_s) for t_s in at_s])
        spun = [course.is_marked("wheelspin", t_s) for t_s in at_s]
        lines.append(ChartLine(run.name, hue_of(results, run.build), revs))
        if any(spun):
            rings = np.where(spun, revs, np.nan)
            words = f"{run.name}: wheelspin"
            lines.append(ChartLine(words, hex_of(SPIN), rings, kind="dots", size_px=6))
    ratios: dict[float, list[str]] = {}
    for build in results.sheet.builds:
        ratio = machine_of(results.sheet, build.name).rpm_per_mps
        if ratio is not None and any(run.build == build.name for run in runs):
            ratios.setdefault(round(ratio, 6), []).append(build.name)
    for ratio, builds in ratios.items():
        words = "with full grip" + (f" ({', '.join(builds)})" if len(ratios) > 1 else "")
        lines.append(ChartLine(words, QUIET, ratio * x, is_dashed=True))
    return chart(
        "revs-by-speed",
        "Engine speed at each speed, up to the top",
        Axis("speed", results.unit, 1, follows="speed"),
        x * factor,
        Axis("engine", "rpm", 0, from_zero=True),
        lines if runs else [],
    )


def _reached(run: DayRun, speeds_mps: FloatArray) -> FloatArray:
    """Footage times at which a run first has each speed; NaN beyond its top."""
    k = run.kinematics
    assert run.launch is not None
    rows = (k.t_s >= run.launch.at_s) & (k.t_s <= run_end_s(k, run.launch.at_s)) & k.known
    t_s, rising = k.t_s[rows], np.maximum.accumulate(k.speed_mps[rows])
    if len(t_s) < 2:
        return np.full(len(speeds_mps), np.nan)
    new = np.r_[True, np.diff(rising) > 0]
    found: FloatArray = np.interp(speeds_mps, rising[new], t_s[new], left=np.nan, right=np.nan)
    return found


def _road_loads(results: DayResults) -> Iterator[dict[str, Any]]:
    """What slows the vehicle at each speed, and where that was measured in coasts."""
    factor = mps_to_speed(1.0, results.unit)
    loads: dict[RoadLoad, list[str]] = {}
    for one in results.powers:
        loads.setdefault(one.curve.road_load, []).append(one.build)
    fast = max((float(one.curve.speed_mps[-1]) for one in results.powers), default=0.0)
    x = np.linspace(0.0, fast, _LOAD_STEPS)
    lines = []
    for load, builds in loads.items():
        force, half = load.force_n(x), Z95 * load.sigma_n(x)
        source = {"coast": "from coasts", "sheet": "from the sheet"}.get(load.source, "assumed")
        words = f"{', '.join(builds)}: {source}"
        hue = hue_of(results, builds[0])
        lines.append(ChartLine(words, hue, force, np.maximum(force - half, 0.0), force + half))
    yield chart(
        "road-load",
        "Air and rolling resistance",
        Axis("speed", results.unit, 1, follows="speed"),
        x * factor,
        Axis("resistance", "N", 0, from_zero=True),
        lines,
    )


def _coasts(results: DayResults) -> dict[str, Any]:
    """Speed while it rolls out, and what the road load fitted to all coasts makes of it."""
    factor = mps_to_speed(1.0, results.unit)
    loads = {one.build: one.curve.road_load for one in results.powers}
    coasts = [
        (build, coast, setting)
        for build in results.sheet.builds
        if build.name in loads
        for coast, setting in coasts_of(results.sheet, results.day, results.runs, build)
    ]
    longest_s = max((coast.duration_s for _, coast, _ in coasts), default=0.0)
    since_s = np.arange(0.0, longest_s, COAST_STEP_S)
    lines = []
    for build, coast, setting in coasts:
        k, at_s = coast.kinematics, coast.start_s + since_s
        rows = at_s <= coast.end_s
        speed, half = (
            np.where(rows, factor * scale * np.interp(at_s, k.t_s, values), np.nan)
            for scale, values in ((1.0, k.speed_mps), (Z95, k.speed_sigma_mps))
        )
        words = f"{coast.run} at {coast.start_s:.1f} s"
        lines.append(
            ChartLine(words, hue_of(results, build.name), speed, speed - half, speed + half)
        )
        weighed_kg = results.sheet.vehicle_of(build).mass_kg or setting.mass_kg
        rolled = factor * rolled_mps(coast, setting, loads[build.name], weighed_kg, since_s)
        rolled = np.where(rows, rolled, np.nan)
        lines.append(ChartLine(f"{words}, by the road load", QUIET, rolled, is_dashed=True))
    return chart(
        "coasts",
        "Coasts with the clutch out",
        Axis("time since the coast began", "s", 1),
        since_s,
        Axis("speed", results.unit, 1),
        lines,
    )


def rolled_mps(
    coast: Coast, setting: Setting, load: RoadLoad, load_mass_kg: float, since_s: FloatArray
) -> FloatArray:
    """Speed of a coast by a road load alone, laid through the middle of the measured one.

    Stepped by the explicit trapezoidal rule; `load` was found at `load_mass_kg`.
    """

    def slowing(v_mps: float) -> float:
        v = np.array([max(v_mps, 0.0)])
        return float(setting.resistance_n(load, load_mass_kg, v)[0] / setting.inert_kg)

    step_s = float(since_s[1] - since_s[0])
    rows = since_s <= coast.duration_s
    k = coast.kinematics
    seen = np.interp(coast.start_s + since_s, k.t_s, k.speed_mps)
    speeds = [float(seen[0])]
    for _ in since_s[1:]:
        first = slowing(speeds[-1])
        speeds.append(speeds[-1] - step_s * (first + slowing(speeds[-1] - step_s * first)) / 2)
    made = np.array(speeds)
    return np.asarray(made + np.mean((seen - made)[rows]))


def _bands(
    results: DayResults, traces: Traces, curves: Iterable[DayCurve], factor: float
) -> tuple[FloatArray, list[ChartLine]]:
    """Curves of builds on one grid, which holds the places of all."""
    found = list(curves)
    places = [np.round(curve.x, 9) for curve in found]
    whole: FloatArray = np.unique(np.concatenate([np.zeros(0), *places]))
    lines = []
    for curve, x in zip(found, places, strict=True):
        mean, low, high = np.full((3, len(whole)), np.nan)
        at = np.searchsorted(whole, x)
        for part, values in ((mean, curve.mean), (low, curve.low), (high, curve.high)):
            part[at] = factor * values
        count = len(traces[curve.build])
        words = f"{curve.build} ({count} run{'s' * (count != 1)})"
        lines.append(ChartLine(words, hue_of(results, curve.build), mean, low, high))
    return whole, lines


def _distances(results: DayResults) -> list[dict[str, Any]]:
    """A line at each distance that is timed."""
    return [
        {"x": goal.value, "label": goal.label}
        for goal in results.day.goals
        if goal.kind == "distance" and goal.start == 0
    ]
