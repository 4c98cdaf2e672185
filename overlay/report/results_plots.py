"""Plots of a day: every run in the order driven, and where on the run the builds differ.

One hue a build, as in the clips.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from overlay.gauges.palette import hex_of, hue_among
from overlay.report.axes import dress, new_figure, saved
from overlay.report.day_curves import (
    DayCurve,
    Traces,
    accel_curves,
    day_traces,
    gain_curves,
    power_curves,
    speed_curves,
)
from overlay.report.results import DayResults
from overlay.report.results_dots import write_dots
from overlay.units import mps_to_speed, power_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def write_plots(
    folder: Path, results: DayResults, tell: Callable[[float], None] = lambda share: None
) -> tuple[Path, ...]:
    """Write the plots for which there are runs, as PNG; returns their paths.

    ``runs-by-order.png`` shows every run of each judged figure as a dot, in the order driven, with
    the builds' means and the differences that do not matter; ``speed-by-distance.png`` and
    ``acceleration-by-speed.png`` show each build's mean with its 95 % band;
    ``gain-by-distance.png`` the seconds that each build gains on the one before it;
    ``power-by-speed.png`` the power at the wheels, where the sheet gives the mass.
    """
    traces = day_traces(results)
    made: list[Path | None] = [*write_dots(folder, results)]
    plots = (_speed_plot, _accel_plot, _gain_plot, _power_plot) if traces else ()
    for number, plot in enumerate(plots):
        tell((number + 1) / (len(plots) + 1))
        made.append(plot(folder, results, traces))
    return tuple(path for path in made if path is not None)


def _speed_plot(folder: Path, results: DayResults, traces: Traces) -> Path | None:
    axes = new_figure().subplots()
    factor = mps_to_speed(1.0, results.unit)
    for curve in speed_curves(traces):
        _band(axes, curve, 1.0, factor, _look(results, curve.build, len(traces[curve.build])))
    _distances(axes, results)
    axes.set_xlim(left=0)
    axes.set_ylim(bottom=0)
    dress(axes, "Speed against distance from launch", f"speed ({results.unit})", "distance (m)")
    return _saved(axes, folder / "speed-by-distance.png")


def _accel_plot(folder: Path, results: DayResults, traces: Traces) -> Path | None:
    axes = new_figure().subplots()
    factor = mps_to_speed(1.0, results.unit)
    for curve in accel_curves(traces):
        _band(axes, curve, factor, 1.0, _look(results, curve.build, len(traces[curve.build])))
    axes.set_xlim(left=0)
    axes.set_ylim(bottom=0)
    dress(axes, "Acceleration against speed", "acceleration (m/s²)", f"speed ({results.unit})")
    return _saved(axes, folder / "acceleration-by-speed.png")


def _gain_plot(folder: Path, results: DayResults, traces: Traces) -> Path | None:
    axes = new_figure().subplots()
    axes.axhline(0, color="0.35", lw=1)
    for curve in gain_curves(traces):
        hue, label = _look(results, curve.build, len(traces[curve.build]))
        against = f"{label} on {curve.before} ({len(traces[curve.before])})"
        _band(axes, curve, 1.0, 1.0, (hue, against))
    _distances(axes, results)
    axes.set_xlim(left=0)
    dress(axes, "Time gained since launch", "gain (s)", "distance (m)")
    return _saved(axes, folder / "gain-by-distance.png")


def _power_plot(folder: Path, results: DayResults, traces: Traces) -> Path | None:
    """Power at the wheels against speed, with the revs that belong to it along the top."""
    axes = new_figure().subplots()
    factor = mps_to_speed(1.0, results.unit)
    each_w, name = power_unit(results.unit)
    shown = list(power_curves(results, traces))
    for curve in shown:
        look = _look(results, curve.build, len(traces[curve.build]))
        _band(axes, curve, factor, 1 / each_w, look)
    per_mps = {
        round(float(one.curve.engine_rpm[-1] / one.curve.speed_mps[-1]), 6)
        for one in results.powers
        if one.curve.engine_rpm is not None and any(one.build == curve.build for curve in shown)
    }
    axes.set_xlim(left=0)
    axes.set_ylim(bottom=0)
    up, along = f"power ({name}), in the day's air", f"speed ({results.unit})"
    dress(axes, "Power at the wheels against speed", up, along)
    if len(per_mps) == 1:  # one gearing for all builds, so one scale of revs fits
        ratio = per_mps.pop() / factor
        scale = (lambda v: np.multiply(v, ratio), lambda rpm: np.divide(rpm, ratio))
        axes.secondary_xaxis("top", functions=scale).set_xlabel("engine speed without slip (rpm)")
    return _saved(axes, folder / "power-by-speed.png")


def _look(results: DayResults, build: str, runs: int) -> tuple[str, str]:
    """Hue and label of a build."""
    hue = hex_of(hue_among(results.sheet.builds, build))
    return hue, f"{build} ({runs} run{'s' * (runs != 1)})"


def _band(axes: Axes, curve: DayCurve, along: float, factor: float, look: tuple[str, str]) -> None:
    """A curve with its band; `along` and `factor` are the units of both axes."""
    hue, label = look
    x, low, high = along * curve.x, factor * curve.low, factor * curve.high
    axes.fill_between(x, low, high, color=hue, alpha=0.28, lw=0)
    axes.plot(x, factor * curve.mean, color=hue, lw=2.2, label=label)


def _distances(axes: Axes, results: DayResults) -> None:
    """A quiet line at each distance that is timed."""
    for goal in results.day.goals:
        if goal.kind == "distance":
            axes.axvline(goal.value, color="0.7", lw=0.8, ls=(0, (4, 3)), zorder=0)


def _saved(axes: Axes, target: Path) -> Path | None:
    """Write it with a legend; None when there is nothing in it."""
    labels: Sequence[str] = axes.get_legend_handles_labels()[1]
    if not labels:
        return None
    banded = any("runs)" in label for label in labels)
    title = "mean and 95 % band" if banded else "one run each, so no band"
    axes.legend(loc="best", frameon=False, title=title, alignment="left")
    figure = axes.get_figure(root=True)
    assert figure is not None
    return saved(figure, target)
