"""Power at the wheels from mass, speed and acceleration, with the road load added.

::

    power = (m_e a + m g slope + c0 + c2 v^2) v

with the equivalent mass m_e (turning wheels included), rolling resistance c0 and air drag c2 v^2.
A coast gives c0 and c2 of the vehicle itself; without one they are assumed, with wide
uncertainty. Mass and road load are common to all runs of a build, so their uncertainty does not
average out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from overlay.compare.atmosphere import Correction
from overlay.compare.measure import expanded, propagate
from overlay.compare.where import Trace, accel_at, curve
from overlay.errors import UndeterminedError, UsageError
from overlay.runs.model import Kinematics
from overlay.timebase import FloatArray

GRAVITY_MPS2 = 9.80665  # standard gravity, 3rd CGPM (1901)
DRY_AIR_J_PER_KG_K = 287.05  # specific gas constant of dry air
_BLOCK_S = 0.5  # long against the smoother's memory, short against a coast
_MIN_BLOCKS = 5
COAST_CAUTION = (
    "A coast with the clutch locked holds the engine's drag too; coast with the clutch out."
)


@dataclass(frozen=True)
class RoadLoad:
    """Resistance ``c0 + c2 v^2`` in newtons, with its uncertainty.

    Attributes
    ----------
    rolling_n, drag_kgpm : float
        c0 in N and c2 in kg/m.
    variance_rolling, variance_drag, covariance : float
        In N^2, (kg/m)^2 and N kg/m.
    source : str
        ``assumed``, ``sheet`` or ``coast``.
    seconds : float
        Coasting that it rests on.
    runs : tuple of str
        Names of the runs that coasted.
    """

    rolling_n: float
    drag_kgpm: float
    variance_rolling: float
    variance_drag: float
    covariance: float
    source: str
    seconds: float = 0.0
    runs: tuple[str, ...] = ()

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
    """Power at the wheels against speed, shape (n,) each.

    Attributes
    ----------
    speed_mps : ndarray
    engine_rpm : ndarray or None
        Engine speed at each, where gearing or a log gives it.
    power_w, sigma_w, low_w, high_w : ndarray
        Power, standard uncertainty and pointwise interval at 1 - level; NaN sigma below two runs.
    force_n : ndarray
        Driving force at the wheels.
    equivalent_mass_kg : float
    road_load : RoadLoad
    corrected_by : Correction or None
    """

    speed_mps: FloatArray
    engine_rpm: FloatArray | None
    power_w: FloatArray
    sigma_w: FloatArray
    low_w: FloatArray
    high_w: FloatArray
    force_n: FloatArray
    equivalent_mass_kg: float
    road_load: RoadLoad
    corrected_by: Correction | None = None


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
    weight, half_air = mass_kg * GRAVITY_MPS2, air_kgpm3 / 2
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
    equivalent_mass_kg: float,
    slope: float = 0.0,
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
    equivalent_mass_kg : float
        Turning wheels included.
    slope : float
        Rise over run along the coast; assumed the same for all.
    prior : RoadLoad, optional
        What is known besides; joined by inverse covariance, so that a coast over few speeds
        tells what it can and leaves the rest as it was.

    Raises
    ------
    UndeterminedError
        If there is too little coasting, or, without `prior`, the speed changes too little to tell
        c0 from c2.
    """
    _check_mass(equivalent_mass_kg, 0.0)
    rows = [_coast_blocks(k, start, end) for k, start, end in coasts]
    if sum(len(loss) for loss, _, _ in rows) < _MIN_BLOCKS:
        raise UndeterminedError(
            f"coast-down: less than {_MIN_BLOCKS * _BLOCK_S:g} s of coasting; use the assumed "
            "road load, or let the vehicle roll out longer"
        )
    loss = np.concatenate([row[0] for row in rows]) * equivalent_mass_kg
    loss -= equivalent_mass_kg * GRAVITY_MPS2 * slope
    v2 = np.concatenate([row[1] for row in rows])
    if prior is None and float(np.ptp(v2)) < 0.3 * float(np.max(v2)):
        raise UndeterminedError(
            "coast-down: the speed changes too little to tell rolling from air drag; roll longer"
        )
    noise = _joined([row[2] for row in rows]) * equivalent_mass_kg**2
    design = np.column_stack([np.ones(len(v2)), v2])
    weight = np.linalg.inv(noise)
    known: FloatArray = np.zeros((2, 2))
    pull: FloatArray = np.zeros(2)
    if prior is not None:
        rows_of = [
            [prior.variance_rolling, prior.covariance],
            [prior.covariance, prior.variance_drag],
        ]
        known = np.asarray(np.linalg.inv(rows_of), dtype=np.float64)
        pull = known @ [prior.rolling_n, prior.drag_kgpm]
    told = design.T @ weight @ design
    best = np.linalg.solve(told + known, design.T @ weight @ loss + pull)
    rest = loss - design @ best
    told = told / max(1.0, float(rest @ weight @ rest) / max(len(loss) - 2, 1))
    cov = np.linalg.inv(told + known)
    return RoadLoad(
        float(best[0]),
        float(best[1]),
        float(cov[0, 0]),
        float(cov[1, 1]),
        float(cov[0, 1]),
        "coast",
        _BLOCK_S * len(loss),
    )


def power_curve(
    traces: Sequence[Trace],
    *,
    mass_kg: float,
    mass_sigma_kg: float,
    road_load: RoadLoad,
    turning_kg: float = 0.0,
    slope: float = 0.0,
    step_mps: float = 0.25,
    level: float = 0.05,
) -> PowerCurve:
    """Power at the wheels of one build against speed, from launch to top speed.

    Parameters
    ----------
    traces : sequence of Trace
        Runs of the build.
    mass_kg, mass_sigma_kg : float
        Mass with driver and fuel, and its standard uncertainty.
    road_load : RoadLoad
    turning_kg : float
        Mass equivalent of turning wheels, I / r^2 of each; 0 reads power a little low.
    slope : float
        Rise over run of the track.

    Raises
    ------
    UsageError
        If there is no run or a mass is out of range.
    """
    _check_mass(mass_kg, mass_sigma_kg)
    if not traces or not step_mps > 0:
        raise UsageError("power needs at least one run and a step of speed above 0")
    tops = [float(np.max(t.kinematics.speed_mps)) for t in traces]
    v = np.arange(step_mps, max(tops), step_mps)
    found = [accel_at(t, v) for t in traces]
    accel = curve(np.array([f[0] for f in found]), np.array([f[1] for f in found]), level)
    mass = mass_kg + turning_kg
    grade = GRAVITY_MPS2 * slope
    force = mass * accel.mean + mass_kg * grade + road_load.force_n(v)
    common = np.hypot((accel.mean + grade) * mass_sigma_kg, road_load.sigma_n(v))
    sigma, half = np.full(len(v), np.nan), np.full(len(v), np.nan)
    for i in np.flatnonzero(np.isfinite(accel.sigma)):
        runs = (mass * float(accel.sigma[i]), float(accel.dof[i]))
        both = expanded([runs, (float(common[i]), math.inf)], level)
        sigma[i], half[i] = both.sigma * v[i], both.half * v[i]
    watts = force * v
    return PowerCurve(v, None, watts, sigma, watts - half, watts + half, force, mass, road_load)


def with_rpm(power: PowerCurve, *, ratio: float, circumference_m: float) -> PowerCurve:
    """The curve with the engine speed that belongs to each speed when nothing slips."""
    from overlay.engine.driveline import engine_rpm_at

    return replace(power, engine_rpm=engine_rpm_at(power.speed_mps, ratio, circumference_m))


def corrected(power: PowerCurve, by: Correction) -> PowerCurve:
    """The curve's power brought to the standard's air. There is no such thing for seconds.

    Power at the wheels is corrected as a whole; the standards mean power at the crank.
    """
    if power.corrected_by is not None:
        raise UsageError(f"power is already corrected by {power.corrected_by.standard}")
    f = by.factor
    return replace(
        power,
        power_w=power.power_w * f,
        sigma_w=power.sigma_w * f,
        low_w=power.low_w * f,
        high_w=power.high_w * f,
        force_n=power.force_n * f,
        corrected_by=by,
    )


def power_at(
    *,
    speed_mps: float,
    accel_mps2: float,
    mass_kg: float,
    road_load: RoadLoad,
    sigmas: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> tuple[float, float]:
    """Power at one instant and its standard uncertainty, W.

    Parameters
    ----------
    sigmas : (speed, acceleration, mass)
        Standard uncertainties, independent (JCGM 100:2008, 5.1.2).

    Examples
    --------
    >>> still_air = RoadLoad(0.0, 0.0, 0.0, 0.0, 0.0, "assumed")
    >>> power_at(speed_mps=10.0, accel_mps2=2.0, mass_kg=170.0, road_load=still_air)
    (3400.0, 0.0)
    """
    v = np.array([speed_mps])
    load, load_sigma = float(road_load.force_n(v)[0]), float(road_load.sigma_n(v)[0])
    force = mass_kg * accel_mps2 + load
    slopes = np.array(
        [
            force + 2 * road_load.drag_kgpm * speed_mps**2,
            mass_kg * speed_mps,
            accel_mps2 * speed_mps,
            speed_mps,
        ]
    )
    variances = np.array([*sigmas, load_sigma]) ** 2
    return force * speed_mps, propagate(slopes, np.diag(variances))


def _coast_blocks(
    k: Kinematics, start_s: float, end_s: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Deceleration and mean squared speed of each block, and the decelerations' covariance."""
    count = int((min(end_s, float(k.t_s[-1])) - max(start_s, float(k.t_s[0]))) / _BLOCK_S)
    if count < 1:
        return np.zeros(0), np.zeros(0), np.zeros((0, 0))
    edges = max(start_s, float(k.t_s[0])) + _BLOCK_S * np.arange(count + 1)
    speed = np.interp(edges, k.t_s, k.speed_mps)
    sigma2 = np.interp(edges, k.t_s, np.maximum(k.speed_sigma_mps, 1e-4)) ** 2
    v2 = (speed[:-1] ** 2 + speed[:-1] * speed[1:] + speed[1:] ** 2) / 3
    noise = np.diag(sigma2[:-1] + sigma2[1:])
    noise -= np.diag(sigma2[1:-1], 1) + np.diag(sigma2[1:-1], -1)
    return -np.diff(speed) / _BLOCK_S, v2, noise / _BLOCK_S**2


def _joined(blocks: Sequence[FloatArray]) -> FloatArray:
    """Block-diagonal matrix."""
    size = sum(len(b) for b in blocks)
    whole, at = np.zeros((size, size)), 0
    for block in blocks:
        whole[at : at + len(block), at : at + len(block)] = block
        at += len(block)
    return whole


def _check_mass(mass_kg: float, sigma_kg: float) -> None:
    if not (0 < mass_kg < math.inf and 0 <= sigma_kg < math.inf):
        raise UsageError(
            f"mass {mass_kg:g} kg with uncertainty {sigma_kg:g} kg: give the mass with driver"
        )
