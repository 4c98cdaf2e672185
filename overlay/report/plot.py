"""Pictures of the evidence, for a person to judge the estimate by."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from overlay.errors import UsageError
from overlay.files import written_whole
from overlay.gauges.palette import BUILD_HUES, hex_of
from overlay.motion.model import MotionSignal
from overlay.series import Series
from overlay.sync.model import Alignment

if TYPE_CHECKING:
    from matplotlib.axes import Axes

PLOT_SUFFIXES = (".png", ".svg", ".pdf")
_LOG_HUE, _MOTION_HUE = hex_of(BUILD_HUES[0]), hex_of(BUILD_HUES[1])


def plot_evidence(
    motion: MotionSignal, speed: Series, alignment: Alignment, target: str | Path
) -> None:
    """Write a plot of motion against speed before and after, residuals, and the likelihood.

    Parameters
    ----------
    motion : MotionSignal
        On footage time.
    speed : Series
        Speed in m/s on the log's clock.
    alignment : Alignment
    target : path
        ``.png``, ``.svg`` or ``.pdf``.

    Raises
    ------
    UsageError
        If the suffix is another.
    OutputError
        If it cannot be written.
    """
    final = Path(target)
    if final.suffix.lower() not in PLOT_SUFFIXES:
        raise UsageError(f"{final}: plots are written as {', '.join(PLOT_SUFFIXES)}; end it so")
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(11, 10), dpi=110, layout="constrained")
    FigureCanvasAgg(figure)
    before, after, rest, chance = figure.subplots(4, 1, height_ratios=(3, 3, 2, 2))
    _draw_before(before, motion, speed, alignment)
    if alignment.determined:
        _draw_after(after, motion, speed, alignment)
        _draw_residuals(rest, motion, speed, alignment)
        _draw_likelihood(chance, alignment)
    else:
        for axes in (after, rest, chance):
            axes.set_axis_off()
        after.set_title(f"cannot be determined: {alignment.reason}", loc="left")
    with written_whole(final) as part:
        figure.savefig(part)


def _scaled_motion(motion: MotionSignal, alignment: Alignment) -> tuple[np.ndarray, np.ndarray]:
    good = motion.quality > 0
    gain = alignment.gain_mps if alignment.gain_mps else 1.0
    return motion.t_s[good], gain * motion.forward[good]


def _draw_before(axes: Axes, motion: MotionSignal, speed: Series, alignment: Alignment) -> None:
    t_s, seen = _scaled_motion(motion, alignment)
    if alignment.gain_mps is None and len(speed):
        seen = seen * float(np.max(speed.values))
    shift = alignment.clock_offset_s or 0.0
    known = alignment.clock_offset_s is not None
    title = "Before: the log by its clock" if known else "Before: the log from its own start"
    axes.plot(t_s, seen, color=_MOTION_HUE, lw=0.8, label="motion in the picture")
    shown = speed.shifted(-shift if known else -float(speed.t_s[0]))
    axes.plot(shown.t_s, shown.values, color=_LOG_HUE, lw=1.6, label="logged speed")
    if len(t_s):
        axes.set_xlim(float(t_s[0]), float(t_s[-1]))
    _label(axes, title, "speed (m/s)")
    axes.legend(loc="upper left", frameon=False)


def _draw_after(axes: Axes, motion: MotionSignal, speed: Series, alignment: Alignment) -> None:
    t_s, seen = _scaled_motion(motion, alignment)
    shown = speed.shifted(-(alignment.total_offset_s or 0.0))
    axes.plot(t_s, seen, color=_MOTION_HUE, lw=0.8)
    axes.plot(shown.t_s, shown.values, color=_LOG_HUE, lw=1.6)
    axes.set_xlim(float(t_s[0]), float(t_s[-1]))
    low, high = alignment.interval_s or (0.0, 0.0)
    _label(
        axes,
        f"After: total offset {alignment.total_offset_s:+.3f} s, 95 % {low:+.3f} to {high:+.3f}",
        "speed (m/s)",
    )


def _draw_residuals(axes: Axes, motion: MotionSignal, speed: Series, alignment: Alignment) -> None:
    t_s, seen = _scaled_motion(motion, alignment)
    shown = speed.shifted(-(alignment.total_offset_s or 0.0))
    axes.axhline(0, color="0.6", lw=0.8)
    axes.plot(t_s, seen - shown.at(t_s), ".", ms=2, color=_MOTION_HUE)
    axes.set_xlim(float(t_s[0]), float(t_s[-1]))
    _label(axes, "Motion less logged speed", "m/s")
    axes.set_xlabel("footage time (s)")


def _draw_likelihood(axes: Axes, alignment: Alignment) -> None:
    """The likelihood as the estimator reports it: normal about the estimate."""
    total = alignment.total_offset_s or 0.0
    low, high = alignment.interval_s or (total, total)
    sigma = max((high - low) / (2 * 1.959964), 1e-6)
    offsets = np.linspace(total - 5 * sigma, total + 5 * sigma, 400)
    axes.plot(offsets, np.exp(-0.5 * ((offsets - total) / sigma) ** 2), color=_LOG_HUE)
    axes.axvspan(low, high, color=_LOG_HUE, alpha=0.15, lw=0)
    axes.set_yticks([])
    _label(axes, "Likelihood over the total offset, 95 % shaded", "")
    axes.set_xlabel("total offset (s)")


def _label(axes: Axes, title: str, unit: str) -> None:
    axes.set_title(title, loc="left", fontsize=11)
    axes.set_ylabel(unit)
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(True, lw=0.3, color="0.85")
