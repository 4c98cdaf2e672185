"""How hard a run pulls at each speed, fitted to its speed over time.

Acceleration as a polygon over speed, and near a governor or limiter a fall to nothing::

    accel(v) = polygon(v) min(1, (hold - v) / width)

integrated to speed over time and fitted by least squares. A slope read off the speed curve would
smear the fall over the time it is taken across; the fit does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.integrate import cumulative_trapezoid
from scipy.optimize import least_squares

from overlay.compare.where import Trace
from overlay.errors import UndeterminedError
from overlay.runs.marks import run_end_s
from overlay.timebase import FloatArray

# Below it acceleration is that of throttle and clutch, and hangs on the instant of launch.
SETTLED_MPS = 1.0
LEAST_TOP_MPS = 3.0
KNOT_MPS = 1.5  # about 0.7 s of a run, in which it gains many times what its speed is known to
_GRID_MPS = 0.04
_LEAST_MPS2 = 0.01
_WIDTHS_MPS = (0.1, 2.0)  # of the fall: a cut in the ignition, a governor's springs
_EVERY_S = 0.05
_HELD_MPS = 0.1  # gained in the last second by a vehicle that is held; twice its speeds' error
_SIGMA_MPS = 0.1  # 0.03 m/s of a smoothed speed, widened for neighbours that err alike
_BEND = 0.1  # share by which the force may bend from knot to knot; our own figure


@dataclass(frozen=True, eq=False)
class Pull:
    """Runs of one build on common knots."""

    knots_mps: FloatArray  # shape (k,)
    accel_mps2: FloatArray  # shape (runs, k): At the knots, of each run
    # shape (runs,): Where acceleration ends and over what it falls; infinite hold where the runs do
    # not say.
    hold_mps: FloatArray
    width_mps: FloatArray
    # shape (runs,): Time and distance from launch, over those of a pull that is there from the
    # first instant.
    delay_s: FloatArray
    ahead_m: FloatArray
    top_mps: float  # the highest speed that all runs reach

    @property
    def is_held(self) -> bool:
        """Whether the runs reach a speed at which they stay."""
        return bool(np.all(np.isfinite(self.hold_mps)))

    def without(self, run: int) -> Pull:
        """All runs but one."""
        names = ("accel_mps2", "hold_mps", "width_mps", "delay_s", "ahead_m")
        return replace(self, **{name: np.delete(getattr(self, name), run, 0) for name in names})


def fit_pull(traces: Sequence[Trace]) -> Pull:
    """Fit every run of a build.

    Raises
    ------
    UndeterminedError
        If a run is too slow or too short to tell.
    """
    parts = [_pulling(trace) for trace in traces]
    top = min(float(np.max(speed)) for _, speed in parts)
    if top < LEAST_TOP_MPS:
        raise UndeterminedError(f"the runs reach {top:.1f} m/s: too slow for a model; drive longer")
    knots = np.linspace(SETTLED_MPS, top, max(3, round((top - SETTLED_MPS) / KNOT_MPS) + 1))
    is_held = all(_gain_at_end(speed) < _HELD_MPS for _, speed in parts)
    fits = [_fitted(t_s, speed, knots, is_held) for t_s, speed in parts]
    accel = np.array([fit[0] for fit in fits])
    starts = [_start(trace, a, knots) for trace, a in zip(traces, accel, strict=True)]
    return Pull(
        knots,
        accel,
        np.array([fit[1] for fit in fits]),
        np.array([fit[2] for fit in fits]),
        np.array([start[0] for start in starts]),
        np.array([start[1] for start in starts]),
        top,
    )


def _pulling(trace: Trace) -> tuple[FloatArray, FloatArray]:
    """Time from launch and speed, from `SETTLED_MPS` until the driver lifts."""
    k = trace.kinematics
    end_s = run_end_s(k, trace.launch_s)
    begun = np.flatnonzero((k.t_s >= trace.launch_s) & (k.speed_mps >= SETTLED_MPS))
    t_s = np.arange(k.t_s[begun[0]], end_s, _EVERY_S) if len(begun) else np.zeros(0)
    if len(t_s) < 30:
        raise UndeterminedError("a run pulls for less than 1.5 s: nothing to build a model on")
    known = np.interp(t_s, k.t_s, k.known.astype(np.float64)) > 0.5
    return t_s[known] - trace.launch_s, np.interp(t_s, k.t_s, k.speed_mps)[known]


def _gain_at_end(speed: FloatArray) -> float:
    """Speed gained in the last second of the pull."""
    second, few = round(1 / _EVERY_S), 5
    return float(np.mean(speed[-few:]) - np.mean(speed[-second - few : -second]))


def _fitted(
    t_s: FloatArray, speed: FloatArray, knots: FloatArray, is_held: bool
) -> tuple[FloatArray, float, float]:
    """Acceleration at the knots, hold and width of one run."""
    top = float(np.max(speed))
    v = np.arange(0.0, top + 4 * _GRID_MPS, _GRID_MPS)
    steady = (float(np.mean(speed[-20:])) if is_held else top) + 0.02

    def over_time(values: FloatArray) -> FloatArray:
        hold, width = (values[-2], values[-1]) if is_held else (np.inf, 1.0)
        fall = np.minimum(1.0, (hold - v) / width)
        accel = np.interp(v, knots, np.exp(values[1 : 1 + len(knots)])) * fall
        taken = cumulative_trapezoid(1 / np.maximum(accel, _LEAST_MPS2), v, initial=0)
        return np.asarray(np.interp(t_s, taken + values[0], v))

    mean = np.log(max(top / float(t_s[-1] - t_s[0] + 1), 0.2))
    first = np.r_[0.1, np.full(len(knots), mean), ([steady, 0.6] if is_held else [])]
    low = np.r_[-3.0, np.full(len(knots), mean - 5), ([steady - 0.1, _WIDTHS_MPS[0]] * is_held)]
    high = np.r_[3.0, np.full(len(knots), mean + 3), ([steady + 0.4, _WIDTHS_MPS[1]] * is_held)]

    def misfit(values: FloatArray) -> FloatArray:
        bends = np.diff(values[1 : 1 + len(knots)], n=2)
        return np.asarray(np.r_[(over_time(values) - speed) / _SIGMA_MPS, bends / _BEND])

    found = least_squares(misfit, first, bounds=(low, high), xtol=1e-3, ftol=1e-3).x
    accel = np.exp(found[1 : 1 + len(knots)])
    return accel, *((float(found[-2]), float(found[-1])) if is_held else (np.inf, 1.0))


def _start(trace: Trace, accel: FloatArray, knots: FloatArray) -> tuple[float, float]:
    """Time and distance to `SETTLED_MPS`, less those of the fitted pull from the first instant."""
    k = trace.kinematics
    after = np.flatnonzero((k.t_s >= trace.launch_s) & (k.speed_mps >= SETTLED_MPS))
    at_s = float(k.t_s[after[0]])
    covered = np.interp([trace.launch_s, at_s], k.t_s, k.distance_m)
    v = np.linspace(0.0, SETTLED_MPS, 50)
    pace = 1 / np.interp(v, knots, accel)
    return (
        at_s - trace.launch_s - float(np.trapezoid(pace, v)),
        float(covered[1] - covered[0] - np.trapezoid(pace * v, v)),
    )
