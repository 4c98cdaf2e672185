"""How much more power one build puts on the road than another, at the same speeds.

Mass, turning parts and road load are common to both builds. Of the difference the road load is
gone, and an error of the mass is the same share of it as of the mass, so it is known far better
than either power.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from overlay.compare.day import Step
from overlay.compare.day_power import MASS_SHARE, BuildPower
from overlay.compare.equations import laid_out
from overlay.compare.mixed import difference_of, is_confounded
from overlay.compare.power import STEP_MPS, driving_forces
from overlay.compare.where import HALF_WINDOW_S, accel_at
from overlay.errors import UndeterminedError
from overlay.timebase import FloatArray

SLOWEST, FASTEST = 0.5, 0.95  # of the speed that all runs reach: where power shows most


@dataclass(frozen=True)
class PowerStep:
    """Power of build b less that of build a, the mean over a range of speeds."""

    a: str
    b: str
    # The range.
    low_mps: float
    high_mps: float
    # With the half width of its 95 % interval; the day's drift is allowed for.
    difference_w: float
    half_w: float
    is_confounded: bool  # whether all runs of one build came before all of the other


def power_steps(steps: Sequence[Step], powers: Sequence[BuildPower]) -> tuple[PowerStep, ...]:
    """The difference of each step whose builds both have two runs or more that count whole."""
    known = {one.build: one for one in powers}
    found = [
        _step(known[step.a], known[step.b]) for step in steps if step.a in known and step.b in known
    ]
    return tuple(one for one in found if one is not None)


def _step(a: BuildPower, b: BuildPower) -> PowerStep | None:
    traces = (*a.measured.traces, *b.measured.traces)
    reach = min(float(np.max(t.kinematics.speed_mps)) for t in traces)
    v = np.arange(SLOWEST * reach, FASTEST * reach, STEP_MPS)
    sides = [_mean_power(one, v) for one in (a, b)]
    values, floors, pulls = (np.concatenate([side[i] for side in sides]) for i in range(3))
    of_b = [False] * len(a.measured.traces) + [True] * len(b.measured.traces)
    ways, places = [t.way for t in traces], [t.place for t in traces]
    if not (len(v) and np.all(np.isfinite(values))):
        return None
    apart = float(np.mean(pulls[of_b]) - np.mean(pulls[~np.array(of_b)]))
    try:
        judged = difference_of(
            values[None],
            laid_out(of_b, places, columns=[ways]),
            floor=math.sqrt(float(np.mean(floors**2))),
            shared=math.hypot(_share(a) * apart, _of_loads(a, b, v)),
        )
    except UndeterminedError:
        return None
    middle, half = (float(one[0]) for one in judged.centred())
    return PowerStep(
        a.build,
        b.build,
        float(v[0]),
        float(v[-1]),
        middle,
        half,
        is_confounded(of_b, places),
    )


def _mean_power(one: BuildPower, v: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Each run's mean power over the speeds, its sigma, and the part that the mass stands in."""
    m = one.measured
    forces, sigmas = driving_forces(m.traces, v, m.settings, m.road_load, m.mass_kg)
    loads = np.array([s.resistance_n(m.road_load, m.mass_kg, v) for s in m.settings])
    # As many independent readings as windows fit into the time that the run takes for the range.
    accel = np.array([np.mean(accel_at(trace, v)[0]) for trace in m.traces])
    takes_s = np.ptp(v) / np.maximum(accel, 1e-3)
    readings = np.maximum(takes_s / (2 * HALF_WINDOW_S), 1.0)
    each = np.sqrt(np.mean((sigmas * v) ** 2, axis=1) / readings)
    return np.mean(forces * v, axis=1), each, np.mean((forces - loads) * v, axis=1)


def _share(one: BuildPower) -> float:
    """Relative standard uncertainty of the mass, turning parts included."""
    m = one.measured
    return math.hypot(MASS_SHARE * m.mass_kg, m.turning[1]) / (m.mass_kg + m.turning[0])


def _of_loads(a: BuildPower, b: BuildPower, v: FloatArray) -> float:
    """What is left of the road load's uncertainty where the builds weigh unlike, W."""
    unlike = abs(b.measured.mass_kg / a.measured.mass_kg - 1)
    return float(unlike * np.mean(a.measured.road_load.sigma_n(v) * v))
