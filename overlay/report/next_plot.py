"""A goal's value over the whole gear ratio, with its band and the rev limit, as a picture."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from overlay.gauges.palette import BUILD_HUES, hex_of
from overlay.plan.gearing import Sweep
from overlay.report.axes import dress, new_figure, saved


def write_gearing_plot(sweep: Sweep, target: Path) -> Path:
    """Write it as PNG."""
    figure = new_figure()
    axes = figure.subplots()
    hue, warn = hex_of(BUILD_HUES[0]), hex_of(BUILD_HUES[1])
    ratio = sweep.ratio
    axes.fill_between(ratio, sweep.low, sweep.high, color=hue, alpha=0.28, lw=0)
    axes.plot(ratio, sweep.value, color=hue, lw=2.2, label=f"{sweep.goal}, with 95 % band")
    if sweep.alike is not None:
        label = "as good as far as this shows"
        axes.axvspan(*sweep.alike, color="0.5", alpha=0.15, lw=0, label=label)
    too_fast = np.flatnonzero(sweep.line_high_rpm > sweep.limit_rpm)
    if len(too_fast):
        label = f"may pass {sweep.limit_rpm:.0f} rpm: {sweep.limit_from}"
        span = (float(ratio[too_fast[0]]), float(ratio[-1]))
        axes.axvspan(*span, facecolor="none", edgecolor=warn, hatch="//", lw=0, label=label)
    axes.axvline(sweep.now, color="0.2", lw=1.2, ls=(0, (4, 3)), label=f"now, {sweep.now:g}")
    if sweep.best is not None:
        axes.axvline(sweep.best, color="0.2", lw=1.2, label=f"best within limit, {sweep.best:.2f}")
    for size in sweep.sizes:
        axes.plot(size.ratio, size.value.value, "x" if size.is_beyond else "o", color="0.2", ms=5)
    axes.set_xlim(float(ratio[0]), float(ratio[-1]))
    along = "turns of the crank for one of the wheel, on the tyre of now"
    dress(axes, f"{sweep.goal} against gearing", f"{sweep.goal} ({sweep.unit})", along)
    revs = axes.twinx()
    revs.plot(ratio, sweep.line_rpm, color=warn, lw=1.4, ls=(0, (1, 1.5)))
    revs.set_ylabel("highest revs (rpm, dotted)", color=warn)
    revs.spines["top"].set_visible(False)
    figure.legend(loc="outside lower center", frameon=False, fontsize=8.5, ncols=3)
    return saved(figure, target)
