"""The curves of a day, worked out once for its plots and for its page."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from overlay.compare.day import traces_of
from overlay.compare.day_power import MIN_SPEED_MPS
from overlay.compare.where import Trace, Where, accel_by_speed, speed_by_distance, time_by_distance
from overlay.errors import UndeterminedError
from overlay.report.results import DayResults
from overlay.timebase import FloatArray

NEAREST_M = 1.0  # nearer than that a metre takes as long as the launch is uncertain
GENTLEST_MPS = 0.5  # below it acceleration is that of the clutch taking up

Traces = dict[str, tuple[Trace, ...]]


@dataclass(frozen=True, eq=False)
class DayCurve:
    """A quantity of one build along a run, shape (n,) each; low and high NaN with one run."""

    build: str
    x: FloatArray  # metres from launch, or m/s
    # Mean of the runs and its pointwise 95 % interval.
    mean: FloatArray
    low: FloatArray
    high: FloatArray
    before: str = ""  # the build it is set against; empty where it stands alone


def day_traces(results: DayResults) -> Traces:
    """The counted runs of each build that has any."""
    return {
        build.name: found
        for build in results.sheet.builds
        if (found := traces_of(results.day, results.runs, build.name))
    }


def speed_curves(traces: Traces) -> list[DayCurve]:
    """Speed, m/s, over metres from launch."""
    return _alone(traces, speed_by_distance, 0.0)


def accel_curves(traces: Traces) -> list[DayCurve]:
    """Acceleration, m/s², over speed, m/s."""
    return _alone(traces, accel_by_speed, GENTLEST_MPS)


def gain_curves(traces: Traces) -> Iterator[DayCurve]:
    """Seconds that each build gains on the one before it, positive = quicker, over metres."""
    for before, build in pairwise(traces):
        try:
            side = time_by_distance(traces[before], traces[build])
        except UndeterminedError:
            continue
        lost, keep = side.difference, side.x >= NEAREST_M
        keep &= np.isfinite(lost.mean)
        yield DayCurve(
            build, side.x[keep], -lost.mean[keep], -lost.high[keep], -lost.low[keep], before
        )


def power_curves(results: DayResults, traces: Traces) -> Iterator[DayCurve]:
    """Power at the wheels, W, over speed, m/s.

    Above what every run of a build reaches, few runs tell the power, and those not the slow ones.
    """
    for one in results.powers:
        power, found = one.curve, traces.get(one.build, ())
        all_mps = min((float(np.max(t.kinematics.speed_mps)) for t in found), default=0.0)
        keep = np.isfinite(power.power_w) & (power.speed_mps >= MIN_SPEED_MPS)
        keep &= power.speed_mps < all_mps
        if len(found) > 1:
            keep &= np.isfinite(power.sigma_w)
        if np.any(keep):
            yield DayCurve(
                one.build,
                power.speed_mps[keep],
                power.power_w[keep],
                power.low_w[keep],
                power.high_w[keep],
            )


def _alone(
    traces: Traces,
    worked_out: Callable[[tuple[Trace, ...], tuple[Trace, ...]], Where],
    least_x: float,
) -> list[DayCurve]:
    out = []
    for build, found in traces.items():
        try:
            side = worked_out(found, found)
        except UndeterminedError:
            continue
        curve = side.a
        keep = np.isfinite(curve.mean) & (side.x >= least_x)
        out.append(
            DayCurve(build, side.x[keep], curve.mean[keep], curve.low[keep], curve.high[keep])
        )
    return out
