"""Power at the wheels from mass, speed and acceleration, with the road load added.

::

    power = (m_e a + m g slope + c0 + c2 (v + w)^2) v

with the equivalent mass m_e (turning wheels included), rolling resistance c0, air drag c2 and the
wind w against the run; mass, slope, wind and air are each run's own. A coast gives c0 and c2 of
the vehicle itself; without one they are assumed, with wide uncertainty. Mass and road load are
common to all runs of a build, so their uncertainty does not average out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import block_diag

from overlay.compare.measure import expanded
from overlay.compare.where import Trace, accel_at, curve
from overlay.errors import UndeterminedError, UsageError
from overlay.runs.model import Kinematics
from overlay.timebase import FloatArray
from overlay.units import STANDARD_GRAVITY_MPS2

DRY_AIR_J_PER_KG_K = 287.05  # specific gas constant of dry air
# What the wheels and axles of a light cart add to its mass where the sheet does not say, and as
# much again its engine through the gearing: 7 kg each in one of 170 kg, 2.5 kg either way (set by
# tests.benchmarks.accuracy.next); common practice, no source.
TURNING_SHARE, TURNING_SIGMA_SHARE = 0.04, 0.015
STEP_MPS = 0.25
_BLOCK_S = 0.5  # long against the smoother's memory, short against a coast
_MIN_BLOCKS = 5


@dataclass(frozen=True)
class RoadLoad:
    """Resistance ``c0 + c2 v^2`` in newtons, with its uncertainty."""

    # c0 in N and c2 in kg/m.
    rolling_n: float
    drag_kgpm: float
    # In N^2, (kg/m)^2 and N kg/m.
    variance_rolling: float
    variance_drag: float
    covariance: float
    source: str  # ``assumed``, ``sheet`` or ``coast``
    seconds: float = 0.0  # coasting that it rests on
    runs: tuple[str, ...] = ()  # names of the runs that coasted

    def force_n(self, speed_mps: FloatArray) -> FloatArray:
        """Resistance at each speed."""
        return self.rolling_n + self.drag_kgpm * speed_mps**2

    def sigma_n(self, speed_mps: FloatArray) -> FloatArray:
        """Its standard uncertainty."""
        v2 = speed_mps**2
        return np.sqrt(
            self.variance_rolling + 2 * v2 * self.covariance + v2**2 * self.variance_drag
        )


@dataclass(frozen=True, eq=False)
class PowerCurve:
    """Power at the wheels against speed, shape (n,) each."""

    speed_mps: FloatArray
    engine_rpm: FloatArray | None  # engine speed at each, where gearing or a log gives it
    # Power, standard uncertainty and pointwise interval at 1 - level; NaN sigma below two runs.
    power_w: FloatArray
    sigma_w: FloatArray
    low_w: FloatArray
    high_w: FloatArray
    force_n: FloatArray  # driving force at the wheels
    road_load: RoadLoad


@dataclass(frozen=True)
class Setting:
    """What acts on one run besides its engine."""

    mass_kg: float  # with driver and fuel
    turning_kg: float = 0.0  # what turning wheels add to it against acceleration: I / r^2 of each
    slope: float = 0.0  # rise over run, below 0 downhill
    headwind_mps: float = 0.0  # below 0 from behind
    air: float = 1.0  # density of the air over that which the road load is for

    @property
    def inert_kg(self) -> float:
        """Mass against acceleration."""
        return self.mass_kg + self.turning_kg

    def resistance_n(
        self, load: RoadLoad, load_mass_kg: float, speed_mps: FloatArray
    ) -> FloatArray:
        """Rolling, air and slope at each speed, for a road load that was found at one mass."""
        through = speed_mps + self.headwind_mps
        rolling = load.rolling_n * self.mass_kg / load_mass_kg
        grade = STANDARD_GRAVITY_MPS2 * self.mass_kg * self.slope
        return rolling + load.drag_kgpm * self.air * through * np.abs(through) + grade


def air_density(temperature_c: float, pressure_hpa: float) -> float:
    """Density of air in kg/m^3 by the ideal gas law, humidity left out (below 1 %).

    Examples
    --------
    >>> round(air_density(15.0, 1013.25), 3)  # ISO 2533 standard atmosphere: 1.225
    1.225
    """
    return pressure_hpa * 100 / (DRY_AIR_J_PER_KG_K * (temperature_c + 273.15))


def assumed_road_load(
    mass_kg: float,
    *,
    rolling: float = 0.018,
    rolling_sigma: float = 0.005,
    drag_area_m2: float = 0.75,
    drag_area_sigma_m2: float = 0.2,
    air_kgpm3: float = 1.2,
    source: str = "assumed",
) -> RoadLoad:
    """Road load of a small open cart where no coast is in the log.

    The coefficients are common practice, no source; their uncertainty is wide on purpose.
    `source` says whose they are where they are not these.
    """
    _check_mass(mass_kg, 0.0)
    weight, half_air = mass_kg * STANDARD_GRAVITY_MPS2, air_kgpm3 / 2
    return RoadLoad(
        rolling * weight,
        half_air * drag_area_m2,
        (rolling_sigma * weight) ** 2,
        (half_air * drag_area_sigma_m2) ** 2,
        0.0,
        source,
    )


def fit_coast(
    coasts: Sequence[tuple[Kinematics, float, float]],
    *,
    mass_kg: float,
    settings: Sequence[Setting] = (),
    prior: RoadLoad | None = None,
) -> RoadLoad:
    """Fit the road load to stretches in which the vehicle coasts without drive or brake.

    Generalised least squares on the loss of speed from block to block: neighbouring blocks share
    an edge, so their errors are correlated. The uncertainty is widened where the residuals are
    larger than the speeds' own.

    Parameters
    ----------
    coasts : sequence of (kinematics, start_s, end_s)
        Footage times of each coast.
    mass_kg : float
        For which the road load is wanted.
    settings : sequence of Setting, optional
        Of each coast; that mass alone, on the level in still air, by default.
    prior : RoadLoad, optional
        What is known besides; joined by inverse covariance, so that a coast over few speeds
        tells what it can and leaves the rest as it was.

    Raises
    ------
    UndeterminedError
        If there is too little coasting, or, without `prior`, the speed changes too little to tell
        c0 from c2.
    """
    _check_mass(mass_kg, 0.0)
    each = settings or [Setting(mass_kg)] * len(coasts)
    rows = [_coast_blocks(*coast, one) for coast, one in zip(coasts, each, strict=True)]
    if sum(len(loss) for loss, _, _ in rows) < _MIN_BLOCKS:
        raise UndeterminedError(
            f"coast-down: less than {_MIN_BLOCKS * _BLOCK_S:g} s of coasting; use the assumed "
            "road load, or let the vehicle roll out longer"
        )
    loss, air2 = (np.concatenate([row[i] for row in rows]) for i in (0, 1))
    if prior is None and float(np.ptp(air2)) < 0.3 * float(np.max(air2)):
        raise UndeterminedError(
            "coast-down: the speed changes too little to separate rolling from air drag; let it "
            "roll longer"
        )
    noise = block_diag(*(row[2] for row in rows))
    weights = [np.full(len(row[0]), s.mass_kg) for row, s in zip(rows, each, strict=True)]
    design = np.column_stack([np.concatenate(weights) / mass_kg, air2])
    weight = np.linalg.inv(noise)
    known, pull = _information(prior)
    seen = design.T @ weight @ design
    best = np.linalg.solve(seen + known, design.T @ weight @ loss + pull)
    rest = loss - design @ best
    seen = seen / max(1.0, float(rest @ weight @ rest) / max(len(loss) - 2, 1))
    cov = np.linalg.inv(seen + known)
    variances = (float(cov[0, 0]), float(cov[1, 1]), float(cov[0, 1]))
    return RoadLoad(float(best[0]), float(best[1]), *variances, "coast", _BLOCK_S * len(loss))


def _information(load: RoadLoad | None) -> tuple[FloatArray, FloatArray]:
    """Inverse covariance of c0 and c2, and that times the two; zeros where nothing is known."""
    if load is None:
        return np.zeros((2, 2)), np.zeros(2)
    rows = [[load.variance_rolling, load.covariance], [load.covariance, load.variance_drag]]
    known = np.asarray(np.linalg.inv(rows), dtype=np.float64)
    return known, np.asarray(known @ [load.rolling_n, load.drag_kgpm], dtype=np.float64)


def power_curve(
    traces: Sequence[Trace],
    *,
    mass_kg: float,
    mass_sigma_kg: float,
    road_load: RoadLoad,
    turning: tuple[float, float] = (0.0, 0.0),
    settings: Sequence[Setting] = (),
) -> PowerCurve:
    """Power at the wheels of one build against speed, from launch to top speed.

    Parameters
    ----------
    traces : sequence of Trace
        Runs of the build.
    mass_kg, mass_sigma_kg : float
        Mass of the build with driver and fuel, for which the road load is, and its standard
        uncertainty.
    turning : (kg, standard uncertainty)
        Mass equivalent of turning wheels, I / r^2 of each.
    settings : sequence of Setting, optional
        Of each run; mass and turning parts alone, on the level in still air, by default.

    Raises
    ------
    UsageError
        If there is no run or a mass is out of range.
    """
    _check_mass(mass_kg, mass_sigma_kg)
    if not traces:
        raise UsageError("power needs at least one run")
    each = settings or [Setting(mass_kg, turning[0])] * len(traces)
    v = np.arange(STEP_MPS, max(float(np.max(t.kinematics.speed_mps)) for t in traces), STEP_MPS)
    forces, sigmas = driving_forces(traces, v, each, road_load, mass_kg)
    force = curve(forces, sigmas, [t.way for t in traces])
    mass = mass_kg + turning[0]
    wind = v + float(np.mean([s.headwind_mps for s in each]))
    through = road_load.sigma_n(wind)
    # What is left of the force is inertia and slope, in which the mass stands.
    loads = [s.resistance_n(road_load, mass_kg, v) for s in each]
    pull = (force.mean - np.mean(loads, axis=0)) / mass
    common = np.sqrt((pull * mass_sigma_kg) ** 2 + (pull * turning[1]) ** 2 + through**2)
    sigma, half = np.full(len(v), np.nan), np.full(len(v), np.nan)
    for i in np.flatnonzero(np.isfinite(force.sigma)):
        runs = (float(force.sigma[i]), float(force.dof[i]))
        both = expanded([runs, (float(common[i]), math.inf)])
        sigma[i], half[i] = both.sigma * v[i], both.half * v[i]
    watts = force.mean * v
    return PowerCurve(v, None, watts, sigma, watts - half, watts + half, force.mean, road_load)


def driving_forces(
    traces: Sequence[Trace],
    speed_mps: FloatArray,
    settings: Sequence[Setting],
    road_load: RoadLoad,
    load_mass_kg: float,
) -> tuple[FloatArray, FloatArray]:
    """Driving force at the wheels of each run at each speed, and its sigma from the motion alone.

    Shape (runs, n) each, in N; NaN where a run does not pass the speed.
    """
    forces, sigmas = [], []
    for trace, setting in zip(traces, settings, strict=True):
        accel, sigma = accel_at(trace, speed_mps)
        resistance = setting.resistance_n(road_load, load_mass_kg, speed_mps)
        forces.append(setting.inert_kg * accel + resistance)
        sigmas.append(setting.inert_kg * sigma)
    return np.array(forces), np.array(sigmas)


def _coast_blocks(
    k: Kinematics, start_s: float, end_s: float, setting: Setting
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Each block's loss of force, slope taken off, and mean squared speed through the air.

    The third is the losses' covariance. The square is exact for a speed that falls evenly
    (Simpson's rule).
    """
    count = int((min(end_s, float(k.t_s[-1])) - max(start_s, float(k.t_s[0]))) / _BLOCK_S)
    if count < 1:
        return np.zeros(0), np.zeros(0), np.zeros((0, 0))
    edges = max(start_s, float(k.t_s[0])) + _BLOCK_S * np.arange(count + 1)
    speed = np.interp(edges, k.t_s, k.speed_mps)
    sigma2 = np.interp(edges, k.t_s, np.maximum(k.speed_sigma_mps, 1e-4)) ** 2
    through = [
        v + setting.headwind_mps for v in (speed[:-1], (speed[:-1] + speed[1:]) / 2, speed[1:])
    ]
    first, middle, last = (v * np.abs(v) for v in through)
    air2 = setting.air * (first + 4 * middle + last) / 6
    noise = np.diag(sigma2[:-1] + sigma2[1:])
    noise -= np.diag(sigma2[1:-1], 1) + np.diag(sigma2[1:-1], -1)
    loss = -setting.inert_kg * np.diff(speed) / _BLOCK_S
    loss -= setting.mass_kg * STANDARD_GRAVITY_MPS2 * setting.slope
    return loss, air2, noise * (setting.inert_kg / _BLOCK_S) ** 2


def _check_mass(mass_kg: float, sigma_kg: float) -> None:
    if not (0 < mass_kg < math.inf and 0 <= sigma_kg < math.inf):
        raise UsageError(
            f"mass {mass_kg:g} kg with uncertainty {sigma_kg:g} kg: give the mass with driver"
        )
