"""Pictures of the evidence, for a person to judge the estimate by."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from overlay.errors import UsageError
from overlay.gauges.palette import BUILD_HUES, hex_of
from overlay.motion.model import MotionSignal
from overlay.report.axes import dress, new_figure, saved
from overlay.series import Series
from overlay.sync.model import Alignment
from overlay.sync.receiver import apply_receiver
from overlay.timebase import FloatArray
from overlay.units import Z95

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MEAN_VALUES = 9  # of the running mean of the residuals
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
    figure = new_figure((11, 10.5), 110)
    grid = figure.add_gridspec(4, 2, height_ratios=(3, 3, 2, 2.4))
    before, after, rest = (figure.add_subplot(grid[row, :]) for row in range(3))
    everywhere, near = (figure.add_subplot(grid[3, column]) for column in range(2))
    _draw_before(before, motion, speed, alignment)
    if alignment.determined:
        _draw_after(after, motion, speed, alignment)
        _draw_residuals(rest, motion, speed, alignment)
        _draw_misfit(everywhere, motion, speed, alignment)
        _draw_likelihood(near, alignment)
    else:
        for axes in (after, rest, everywhere, near):
            axes.set_axis_off()
        after.set_title(f"cannot be determined: {alignment.reason}", loc="left")
    saved(figure, final)


def _scaled_motion(motion: MotionSignal, alignment: Alignment) -> tuple[np.ndarray, np.ndarray]:
    good = motion.quality > 0
    gain = alignment.gain_mps if alignment.gain_mps else 1.0
    return motion.t_s[good], gain * motion.forward[good]


def _draw_before(axes: Axes, motion: MotionSignal, speed: Series, alignment: Alignment) -> None:
    t_s, seen = _scaled_motion(motion, alignment)
    if alignment.gain_mps is None and len(speed):
        seen = seen * float(np.max(speed.values))
    if alignment.clock_offset_s is not None:
        shown = speed.shifted(-alignment.clock_offset_s)
        title = "Before: the log as its clock says, still late"
        if len(t_s):
            axes.set_xlim(float(t_s[0]), float(t_s[-1]))
        along = "footage time (s)"
    else:
        # Nothing says where the clip lies: show the whole log, and the clip at its start.
        shown = speed.shifted(-float(speed.t_s[0]) if len(speed) else 0.0)
        title = "Before: clip and log as if started together"
        along = "time since either began (s)"
        _mark_place(axes, motion, speed, alignment)
    axes.plot(t_s, seen, color=_MOTION_HUE, lw=0.8, label="motion in the picture")
    axes.plot(shown.t_s, shown.values, color=_LOG_HUE, lw=1.6, label="logged speed")
    dress(axes, title, "speed (m/s)", along)
    axes.legend(loc="best", frameon=False)


def _mark_place(axes: Axes, motion: MotionSignal, speed: Series, alignment: Alignment) -> None:
    """Shade the part of the log in which the clip was found."""
    if alignment.total_offset_s is None or not len(motion):
        return
    moved = alignment.total_offset_s - float(speed.t_s[0])
    span = (float(motion.t_s[0]) + moved, float(motion.t_s[-1]) + moved)
    axes.axvspan(*span, color="0.5", alpha=0.13, lw=0, label="where the clip was found")


def _draw_after(axes: Axes, motion: MotionSignal, speed: Series, alignment: Alignment) -> None:
    t_s, seen = _scaled_motion(motion, alignment)
    shown = speed.shifted(-(alignment.total_offset_s or 0.0))
    axes.plot(t_s, seen, color=_MOTION_HUE, lw=0.8)
    axes.plot(shown.t_s, shown.values, color=_LOG_HUE, lw=1.6)
    axes.set_xlim(float(t_s[0]), float(t_s[-1]))
    low, high = alignment.interval_s or (0.0, 0.0)
    what = "readout lag" if alignment.clock_offset_s == 0 else "total offset"
    dress(
        axes,
        f"After: {what} {alignment.total_offset_s:+.3f} s removed, 95 % {low:+.3f} to {high:+.3f}",
        "speed (m/s)",
    )


def _draw_residuals(axes: Axes, motion: MotionSignal, speed: Series, alignment: Alignment) -> None:
    t_s, rest = residuals(motion, speed, alignment)
    axes.axhline(0, color="0.6", lw=0.8)
    axes.plot(t_s, rest, ".", ms=4, alpha=0.6, color=_MOTION_HUE)
    if len(rest) > 2 * MEAN_VALUES:
        smooth = np.convolve(rest, np.ones(MEAN_VALUES) / MEAN_VALUES, mode="valid")
        half = MEAN_VALUES // 2
        axes.plot(t_s[half : half + len(smooth)], smooth, color="0.2", lw=1.2)
    axes.set_xlim(float(motion.t_s[0]), float(motion.t_s[-1]))
    title = "Residuals: motion, as the receiver would show it, less logged speed; running mean"
    dress(axes, title, "m/s", "footage time (s)")


def residuals(
    motion: MotionSignal, speed: Series, alignment: Alignment
) -> tuple[FloatArray, FloatArray]:
    """Motion as the receiver would show it less the logged speed, at each value of the log.

    Through the receiver's smoothing, which rounds off starts and stops in the log; at the gain that
    leaves the least squares.

    Returns
    -------
    t_s, rest : ndarrays, shape (n,)
        Footage time of what each value shows, in the clip; m/s.
    """
    good = motion.quality > 0
    t_s = speed.t_s - (alignment.total_offset_s or 0.0)
    within = (t_s >= motion.t_s[good][0]) & (t_s <= motion.t_s[good][-1])
    seen = apply_receiver(
        motion.t_s[good],
        motion.forward[good],
        delay_s=alignment.delay_s,
        smoothing_s=alignment.smoothing_s,
        at_s=speed.t_s[within],
    )
    logged = speed.values[within]
    size = float(seen @ seen)
    gain = float(seen @ logged) / size if size > 0 else 0.0
    return t_s[within], gain * seen - logged


def misfit_over_offset(motion: MotionSignal, speed: Series, offsets_s: FloatArray) -> FloatArray:
    """How badly motion fits the log at each offset: 1 less the square of their correlation.

    NaN where fewer than half of the pictures lie within the log. No part of the estimate: it shows
    at a glance whether another place in the log would do as well.

    Parameters
    ----------
    offsets_s : ndarray
        Log time minus footage time, seconds.
    """
    good = motion.quality > 0
    t_s, seen = motion.t_s[good], motion.forward[good]
    out = np.full(len(offsets_s), np.nan)
    for k, offset in enumerate(offsets_s):
        logged = speed.at(t_s + offset)
        both = np.isfinite(logged)
        if np.count_nonzero(both) < 0.5 * len(t_s):
            continue
        a, b = logged[both] - logged[both].mean(), seen[both] - seen[both].mean()
        size = float(a @ a) * float(b @ b)
        fit = float(a @ b) / np.sqrt(size) if size > 0 else 0.0
        out[k] = 1 - max(fit, 0.0) ** 2
    return out


def _draw_misfit(axes: Axes, motion: MotionSignal, speed: Series, alignment: Alignment) -> None:
    """The whole possible range at a glance."""
    total = alignment.total_offset_s or 0.0
    first, last = float(speed.t_s[0] - motion.t_s[-1]), float(speed.t_s[-1] - motion.t_s[0])
    offsets = np.unique(np.append(np.linspace(first, last, 600), np.linspace(-1, 1, 81) + total))
    misfit = misfit_over_offset(motion, speed, offsets)
    axes.plot(offsets, misfit, color=_MOTION_HUE, lw=1.0)
    axes.axvline(total, color=_LOG_HUE, lw=1.0, ls="--")
    axes.set_yscale("log")
    known = offsets[np.isfinite(misfit)]
    if len(known):
        axes.set_xlim(float(known[0]), float(known[-1]))
    title = "Wherever the clip could lie: part of motion not explained"
    dress(axes, title, "1 − r²", "offset (s)")


def _draw_likelihood(axes: Axes, alignment: Alignment) -> None:
    """The likelihood as the estimator reports it: normal about the estimate."""
    total = alignment.total_offset_s or 0.0
    low, high = alignment.interval_s or (total, total)
    sigma = max((high - low) / (2 * Z95), 1e-6)
    offsets = np.linspace(total - 4.5 * sigma, total + 4.5 * sigma, 400)
    height = np.exp(-0.5 * ((offsets - total) / sigma) ** 2)
    axes.plot(1000 * (offsets - total), height, color=_LOG_HUE)
    axes.axvspan(1000 * (low - total), 1000 * (high - total), color=_LOG_HUE, alpha=0.15, lw=0)
    axes.set_yticks([])
    axes.set_ylim(0, 1.08)
    along = f"ms from {total:+.3f} s"
    dress(axes, "Likelihood over the offset as estimated, 95 % shaded", "", along)
