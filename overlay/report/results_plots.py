"""Plots of a day: every run in the order driven, and where on the run the builds differ.

One hue a build, as in the clips.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from overlay.compare.day import traces_of
from overlay.compare.day_power import MIN_SPEED_MPS
from overlay.compare.where import Curve, Trace, accel_by_speed, speed_by_distance, time_by_distance
from overlay.errors import UndeterminedError
from overlay.files import written_whole
from overlay.gauges.palette import build_hue, hex_of
from overlay.report.results import DayResults
from overlay.report.results_dots import write_dots
from overlay.timebase import FloatArray
from overlay.units import mps_to_speed, power_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SIZE_IN = (8.0, 4.5)
DPI = 160
NEAREST_M = 1.0  # nearer than that a metre takes as long as the launch is uncertain
GENTLEST_MPS = 0.5  # below it acceleration is that of the clutch taking up


def write_plots(folder: Path, results: DayResults) -> tuple[Path, ...]:
    """Write the plots for which there are runs, as PNG; returns their paths.

    ``runs-by-order.png`` shows every run of each judged figure as a dot, in the order driven, with
    the builds' means and the differences that do not matter; ``speed-by-distance.png`` and
    ``acceleration-by-speed.png`` show each build's mean with its 95 % band;
    ``gain-by-distance.png`` the seconds that each build gains on the one before it;
    ``power-by-speed.png`` the power at the wheels, where the sheet gives the mass.
    """
    traces = {
        build.name: traces_of(results.day, results.runs, build.name)
        for build in results.sheet.builds
    }
    traces = {build: found for build, found in traces.items() if found}
    dots = write_dots(folder, results)
    if not traces:
        return dots
    made = [
        _speed_plot(folder, results, traces),
        _accel_plot(folder, results, traces),
        _gain_plot(folder, results, traces),
        _power_plot(folder, results, traces),
    ]
    return (*dots, *(path for path in made if path is not None))


def _speed_plot(
    folder: Path, results: DayResults, traces: dict[str, tuple[Trace, ...]]
) -> Path | None:
    figure, axes = _figure()
    factor = mps_to_speed(1.0, results.unit)
    for build, found in traces.items():
        try:
            side = speed_by_distance(found, found)
        except UndeterminedError:
            continue
        _band(axes, side.x, side.a, factor, _look(results, build, len(found)))
    _distances(axes, results)
    axes.set_xlim(left=0)
    axes.set_ylim(bottom=0)
    _words(axes, "Speed against distance from launch", "distance (m)", f"speed ({results.unit})")
    return _saved(figure, axes, folder / "speed-by-distance.png")


def _accel_plot(
    folder: Path, results: DayResults, traces: dict[str, tuple[Trace, ...]]
) -> Path | None:
    figure, axes = _figure()
    factor = mps_to_speed(1.0, results.unit)
    for build, found in traces.items():
        try:
            side = accel_by_speed(found, found)
        except UndeterminedError:
            continue
        keep = side.x >= GENTLEST_MPS
        _band(axes, side.x * factor, side.a, 1.0, _look(results, build, len(found)), keep)
    axes.set_xlim(left=0)
    axes.set_ylim(bottom=0)
    _words(axes, "Acceleration against speed", f"speed ({results.unit})", "acceleration (m/s²)")
    return _saved(figure, axes, folder / "acceleration-by-speed.png")


def _gain_plot(
    folder: Path, results: DayResults, traces: dict[str, tuple[Trace, ...]]
) -> Path | None:
    figure, axes = _figure()
    axes.axhline(0, color="0.35", lw=1)
    for before, build in pairwise(traces):
        try:
            side = time_by_distance(traces[before], traces[build])
        except UndeterminedError:
            continue
        hue, label = _look(results, build, len(traces[build]))
        look = (hue, f"{label} on {before} ({len(traces[before])})")
        _band(axes, side.x, side.difference, -1.0, look, side.x >= NEAREST_M)
    _distances(axes, results)
    axes.set_xlim(left=0)
    _words(axes, "Time gained since launch", "distance (m)", "gain (s)")
    return _saved(figure, axes, folder / "gain-by-distance.png")


def _power_plot(
    folder: Path, results: DayResults, traces: dict[str, tuple[Trace, ...]]
) -> Path | None:
    """Power at the wheels against speed, with the revs that belong to it along the top."""
    figure, axes = _figure()
    factor = mps_to_speed(1.0, results.unit)
    each_w, name = power_unit(results.unit)
    per_mps = set()
    for one in results.powers:
        curve = one.curve
        found = traces.get(one.build, ())
        # Above what every run reaches, few runs tell the power, and those not the slow ones.
        all_mps = min((float(np.max(t.kinematics.speed_mps)) for t in found), default=0.0)
        part = np.isfinite(curve.power_w) & (curve.speed_mps >= MIN_SPEED_MPS)
        part &= curve.speed_mps < all_mps
        if len(found) > 1:
            part &= np.isfinite(curve.sigma_w)
        if not np.any(part):
            continue
        hue, label = _look(results, one.build, len(found))
        x = factor * curve.speed_mps[part]
        low, high = curve.low_w[part] / each_w, curve.high_w[part] / each_w
        axes.fill_between(x, low, high, color=hue, alpha=0.28, lw=0)
        axes.plot(x, curve.power_w[part] / each_w, color=hue, lw=2.2, label=label)
        if curve.engine_rpm is not None:
            per_mps.add(round(float(curve.engine_rpm[-1] / curve.speed_mps[-1]), 6))
    axes.set_xlim(left=0)
    axes.set_ylim(bottom=0)
    along = f"speed ({results.unit})"
    _words(axes, "Power at the wheels against speed", along, f"power ({name}), in the day's air")
    if len(per_mps) == 1:  # one gearing for all builds, so one scale of revs fits
        ratio = per_mps.pop() / factor
        scale = (lambda v: np.multiply(v, ratio), lambda rpm: np.divide(rpm, ratio))
        axes.secondary_xaxis("top", functions=scale).set_xlabel("engine speed without slip (rpm)")
    return _saved(figure, axes, folder / "power-by-speed.png")


def _look(results: DayResults, build: str, runs: int) -> tuple[str, str]:
    """Hue and label of a build."""
    names = [one.name for one in results.sheet.builds]
    hue = hex_of(build_hue(names.index(build) % 4))
    return hue, f"{build} ({runs} run{'s' * (runs != 1)})"


def _band(
    axes: Axes,
    x: FloatArray,
    curve: Curve,
    factor: float,
    look: tuple[str, str],
    keep: np.ndarray[tuple[int], np.dtype[np.bool_]] | None = None,
) -> None:
    hue, label = look
    part = np.isfinite(curve.mean) & (True if keep is None else keep)
    axes.fill_between(
        x[part],
        factor * curve.low[part],
        factor * curve.high[part],
        color=hue,
        alpha=0.28,
        lw=0,
    )
    axes.plot(x[part], factor * curve.mean[part], color=hue, lw=2.2, label=label)


def _distances(axes: Axes, results: DayResults) -> None:
    """A quiet line at each distance that is timed."""
    for goal in results.day.goals:
        if goal.kind == "distance":
            axes.axvline(goal.value, color="0.7", lw=0.8, ls=(0, (4, 3)), zorder=0)


def _words(axes: Axes, title: str, along: str, up: str) -> None:
    axes.set_title(title, loc="left", fontsize=12)
    axes.set_xlabel(along)
    axes.set_ylabel(up)
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(True, lw=0.4, color="0.88")


def _figure() -> tuple[Figure, Axes]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=SIZE_IN, dpi=DPI, layout="constrained")
    FigureCanvasAgg(figure)
    return figure, figure.subplots()


def _saved(figure: Figure, axes: Axes, target: Path) -> Path | None:
    """Write it with a legend; None when there is nothing in it."""
    labels: Sequence[str] = axes.get_legend_handles_labels()[1]
    if not labels:
        return None
    banded = any("runs)" in label for label in labels)
    title = "mean and 95 % band" if banded else "one run each, so no band"
    axes.legend(loc="best", frameon=False, title=title, alignment="left")
    with written_whole(target) as part:
        figure.savefig(part)
    return target
