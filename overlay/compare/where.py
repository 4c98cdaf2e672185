"""Where on the run a difference arises: curves of each build with bands, and their difference.

Bands are pointwise intervals of the build's mean at 95 %, from the scatter of its runs with
the measurement as a floor; the difference is judged as the figures in the tables are, by
:mod:`overlay.compare.mixed`, so that the curve at 60 m is the figure at 60 m. An error
of the lag shifts a whole run along time but moves neither speed against distance nor acceleration
against speed, apart from the launch.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from overlay.compare.equations import laid_out
from overlay.compare.figures import LEVEL
from overlay.compare.mixed import difference_of, mean_of
from overlay.errors import UndeterminedError, UsageError
from overlay.runs.marks import run_end_s
from overlay.runs.model import Kinematics
from overlay.timebase import FloatArray

HALF_WINDOW_S = 0.4  # our own choice: long against a reading, short against a run
_MIN_HALF_S = 0.1
_MIN_SPEED_MPS = 0.5  # below it the time a metre takes is all noise


@dataclass(frozen=True, eq=False)
class Trace:
    """One run's motion, the footage time of its launch, and its place in the order driven.

    `common_sigma_s` and `soft_sigma_s` are what the day's and the build's launches share, as in
    a split; `way` is -1 for a run the other way.
    """

    kinematics: Kinematics
    launch_s: float
    place: float = 0.0
    common_sigma_s: float = 0.0
    soft_sigma_s: float = 0.0
    way: int = 1


@dataclass(frozen=True, eq=False)
class Curve:
    """A quantity over a grid, shape (n,) each; NaN where fewer than one run tells."""

    # Mean of the runs, its standard uncertainty and degrees of freedom.
    mean: FloatArray
    sigma: FloatArray
    dof: FloatArray
    # Pointwise interval at 95 %; NaN where there are fewer than two runs.
    low: FloatArray
    high: FloatArray
    runs: FloatArray  # how many runs tell at each point


@dataclass(frozen=True, eq=False)
class Where:
    """Two builds along one grid; the difference is b less a."""

    x: FloatArray  # shape (n,): Metres from launch, or m/s
    a: Curve
    b: Curve
    difference: Curve


def speed_by_distance(a: Sequence[Trace], b: Sequence[Trace], *, step_m: float = 0.5) -> Where:
    """Mean speed of each build against distance from launch, m/s.

    Raises
    ------
    UsageError
        If a build has no run or the step is not above 0.
    UndeterminedError
        If the runs share no stretch.
    """
    x = _grid([_reach(t) for t in (*a, *b)], step_m, bool(a and b))
    return _side_by_side(x, a, b, _speed_at)


def time_by_distance(a: Sequence[Trace], b: Sequence[Trace], *, step_m: float = 0.5) -> Where:
    """Mean time from launch against distance, s; the difference shows where it builds up."""
    x = _grid([_reach(t) for t in (*a, *b)], step_m, bool(a and b))
    return _side_by_side(x, a, b, _time_at, is_from_launch=True)


def accel_by_speed(a: Sequence[Trace], b: Sequence[Trace], *, step_mps: float = 0.25) -> Where:
    """Mean acceleration of each build against speed, m/s^2, up to what all runs reach."""
    pulls = (_pulling(trace) for trace in (*a, *b))
    x = _grid([float(np.max(k.speed_mps[rows])) for k, rows in pulls], step_mps, bool(a and b))
    return _side_by_side(x, a, b, accel_at)


def curve(values: FloatArray, sigmas: FloatArray, ways: Sequence[int] = ()) -> Curve:
    """Mean with band of runs' values, shape (runs, n), NaN where a run does not tell."""
    way = np.asarray(ways) if len(ways) else np.ones(len(values), dtype=np.int64)
    count = np.sum(np.isfinite(values), axis=0).astype(np.float64)
    mean = np.full(values.shape[1], np.nan)
    sigma, dof, half = mean.copy(), mean.copy(), mean.copy()
    for i in np.flatnonzero(count >= 1):
        told = np.isfinite(values[:, i])
        floor = float(np.sqrt(np.mean(sigmas[told, i] ** 2)))
        mean[i], sigma[i], dof[i] = mean_of(values[told, i], floor, way[told].tolist())
        half[i] = stdtrit(dof[i], 1 - LEVEL / 2) * sigma[i]
    return Curve(mean, sigma, dof, mean - half, mean + half, count)


def accel_at(trace: Trace, speed_mps: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Acceleration and its sigma where the run first passes each speed; NaN where it does not.

    It is the gain of speed over `HALF_WINDOW_S` to both sides (less near rest and top speed). A
    speed is known far better than its rate of change at one instant, so this is worth more than
    the slope there. On v = V(1 - exp(-t/3 s)) it reads 0.3 % high.
    """
    k, rows = _pulling(trace)
    rising = np.maximum.accumulate(k.speed_mps[rows])
    new = np.r_[True, np.diff(rising) > 0]
    t_s = k.t_s[rows[new]]
    at_s = np.interp(speed_mps, rising[new], t_s, left=np.nan, right=np.nan)
    # Acceleration changes fastest just after launch, so the window keeps well clear of it.
    room_s = np.minimum((at_s - t_s[0]) / 2, t_s[-1] - at_s)
    half_s = np.clip(room_s, 0.0, HALF_WINDOW_S)
    wide = half_s > _MIN_HALF_S
    early_s, late_s = at_s - half_s, at_s + half_s
    span_s = np.where(wide, 2 * half_s, 1.0)
    gain = _along(k, k.speed_mps, late_s) - _along(k, k.speed_mps, early_s)
    edges = np.hypot(_along(k, k.speed_sigma_mps, late_s), _along(k, k.speed_sigma_mps, early_s))
    slope, slope_sigma = _along(k, k.accel_mps2, at_s), _along(k, k.accel_sigma_mps2, at_s)
    # Errors of neighbouring instants are alike, so that of the gain is at most `edges`.
    sigma = np.where(wide, np.fmin(edges / span_s, slope_sigma), slope_sigma)
    return np.where(wide, gain / span_s, slope), sigma


def _pulling(trace: Trace) -> tuple[Kinematics, np.ndarray[tuple[int], np.dtype[np.int64]]]:
    """Rows from launch to top speed."""
    k = trace.kinematics
    end_s = run_end_s(k, trace.launch_s)
    rows = np.flatnonzero((k.t_s >= trace.launch_s) & (k.t_s <= end_s))
    if len(rows) < 2:
        raise UndeterminedError("a run ends at its launch: nothing to compare along it")
    top = int(np.argmax(k.speed_mps[rows]))
    return k, rows[: max(top + 1, 2)].astype(np.int64)


def _covered(trace: Trace) -> tuple[FloatArray, FloatArray]:
    """Time from launch and distance from launch, up to the end of the run."""
    k = trace.kinematics
    rows = (k.t_s >= trace.launch_s) & (k.t_s <= run_end_s(k, trace.launch_s))
    begin = float(np.interp(trace.launch_s, k.t_s, k.distance_m))
    return k.t_s[rows], np.maximum.accumulate(k.distance_m[rows] - begin)


def _reach(trace: Trace) -> float:
    return float(np.max(_covered(trace)[1], initial=0.0))


def _speed_at(trace: Trace, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    k = trace.kinematics
    at_s = _instants(trace, x)
    return _along(k, k.speed_mps, at_s), _along(k, k.speed_sigma_mps, at_s)


def _time_at(trace: Trace, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    k = trace.kinematics
    launch_sigma_s = k.launch_sigma_s or 0.0
    at_s = _instants(trace, x)
    begin = float(np.interp(trace.launch_s, k.t_s, k.distance_sigma_m))
    speed = np.maximum(_along(k, k.speed_mps, at_s), _MIN_SPEED_MPS)
    place = np.sqrt(np.maximum(_along(k, k.distance_sigma_m, at_s) ** 2 - begin**2, 0.0))
    return at_s - trace.launch_s, np.hypot(place / speed, launch_sigma_s)


def _instants(trace: Trace, x: FloatArray) -> FloatArray:
    """Footage time at which each distance is first covered; NaN beyond the run or in a gap."""
    t_s, covered = _covered(trace)
    t_s, covered = np.r_[trace.launch_s, t_s], np.r_[0.0, covered]
    new = np.r_[True, np.diff(covered) > 0]
    found: FloatArray = np.interp(x, covered[new], t_s[new], right=np.nan)
    return found


def _along(k: Kinematics, values: FloatArray, at_s: FloatArray) -> FloatArray:
    told = np.where(k.known, values, np.nan)
    found: FloatArray = np.interp(at_s, k.t_s, told)
    return found


def _grid(reaches: Sequence[float], step: float, both: bool) -> FloatArray:
    if not both:
        raise UsageError("each build needs a run to show where they differ")
    if not step > 0:
        raise UsageError(f"step {step:g} must be above 0")
    reach = min(reaches)
    if not reach > step:
        raise UndeterminedError(f"the runs share only {reach:.2f} of the way: nothing to compare")
    return np.arange(0.0, reach + step / 1e6, step)


def _side_by_side(
    x: FloatArray,
    a: Sequence[Trace],
    b: Sequence[Trace],
    read: Callable[[Trace, FloatArray], tuple[FloatArray, FloatArray]],
    *,
    is_from_launch: bool = False,
) -> Where:
    # Values and sigmas of each side, shape (2, runs, n).
    sides = [np.array([read(trace, x) for trace in part]).swapaxes(0, 1) for part in (a, b)]
    ways = [[t.way for t in part] for part in (a, b)]
    both_ways = [*ways[0], *ways[1]]
    of_a, of_b = (curve(s[0], s[1], way) for s, way in zip(sides, ways, strict=True))
    runs = np.minimum(of_a.runs, of_b.runs)
    middle, half = of_b.mean - of_a.mean, np.full(len(x), np.nan)
    values, sigmas = (np.concatenate([side[i] for side in sides]).T for i in (0, 1))
    # Where every run tells, and no place is known to a hair, as at the launch itself.
    told = np.all(np.isfinite(values), axis=1) & np.any(sigmas > 0, axis=1)
    if min(len(a), len(b)) > 1 and bool(np.any(told)) and a is not b:
        soft = [float(np.mean([t.soft_sigma_s for t in part])) for part in (a, b)]
        common = [float(np.mean([t.common_sigma_s for t in part])) for part in (a, b)]
        shared = math.hypot(*soft, common[0] - common[1])
        try:
            found = difference_of(
                values[told],
                laid_out(
                    [False] * len(a) + [True] * len(b),
                    [t.place for t in (*a, *b)],
                    columns=[both_ways],
                ),
                floor=np.sqrt(np.mean(sigmas[told] ** 2, axis=1)),
                shared=shared if is_from_launch else 0.0,
            )
        except UndeterminedError:  # all runs of one build went the other way
            middle[told] = np.nan
        else:
            middle[told], half[told] = found.centred()
    none = np.full(len(x), np.nan)
    return Where(x, of_a, of_b, Curve(middle, none, none, middle - half, middle + half, runs))
