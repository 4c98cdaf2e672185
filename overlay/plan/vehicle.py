"""This vehicle as its own runs show it: force at the wheels over speed, with its band.

The force at the wheels is what moves the mass and the turning parts and overcomes the road load::

    force = (mass + turning) accel + resistance(speed)

All that is not known exactly (mass, turning parts, road load, the scatter of the runs) is drawn
from its distribution, and every prediction is worked out once a draw: propagation of
distributions by a Monte Carlo method (JCGM 101:2008). Draws are the same for the same input.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from overlay.compare.power import TURNING_SHARE, TURNING_SIGMA_SHARE, RoadLoad
from overlay.plan.pull import Pull
from overlay.timebase import FloatArray
from overlay.units import STANDARD_GRAVITY_MPS2

DRAWS = 400
STEP_MPS = 0.05
BEYOND_SHARE = 2.0  # of the speeds driven, up to which the force is carried on
ONE_RUN_SHARE = 0.03  # scatter of the force where one run shows none; our own figure
# Force against speed, as a power, above the speeds driven: an engine past its torque peak.
_BEYOND, _BEYOND_SIGMA = -1.5, 1.0
_LIMIT_SHARE = 0.01  # of a limit's revs, tyre creep and the stated number together; our own
_DROOP = (0.01, 0.08)  # share of its revs over which a governor or limiter takes hold; our own


@dataclass(frozen=True, eq=False)
class VehicleModel:
    """One build in `draws` ways that it may be; arrays of shape (draws, n) or (draws,)."""

    speed_mps: FloatArray  # shape (n,): Even grid from 0
    force_n: FloatArray  # shape (draws, n): Driving force at the wheels at full throttle
    # shape (draws,): With driver and fuel; turning wheels, and the engine through its gearing, as
    # mass.
    mass_kg: FloatArray
    wheels_kg: FloatArray
    engine_kg: FloatArray
    # shape (draws,): Resistance ``mass rolling_mps2 + drag_kgpm speed^2``, the slope in the first.
    rolling_mps2: FloatArray
    drag_kgpm: FloatArray
    # shape (draws,): What opening the throttle and taking up the clutch add to the time and
    # distance from launch.
    delay_s: FloatArray
    ahead_m: FloatArray
    pull: Pull  # what it rests on
    road_load: RoadLoad


@dataclass(frozen=True)
class Body:
    """What is known of a vehicle besides its runs."""

    mass: tuple[float, float]  # with driver and fuel
    road_load: RoadLoad
    # Turning wheels as mass; None for the usual range, which the engine has too.
    wheels: tuple[float, float] | None = None
    slope: float = 0.0  # rise over run of the course


def fit_vehicle(
    pull: Pull,
    body: Body,
    *,
    limit_mps: float | None = None,
    is_freed: bool = False,
    one_more: bool = False,
) -> VehicleModel:
    """Work the model out from the runs of one build.

    Parameters
    ----------
    limit_mps : float, optional
        Speed at the stated limiter or governor, for where the runs do not reach it.
    is_freed : bool
        Whether what holds the runs' speed is taken away, so that only `limit_mps` holds.
    one_more : bool
        Whether the draws stand for one more run, and not for the mean of many.
    """
    rng = np.random.default_rng(1947)
    share = _shares(len(pull.delay_s), one_more, rng)

    def drawn(rows: FloatArray) -> FloatArray:
        middle = rows.mean(axis=0)
        return np.asarray(middle + share @ (rows - middle))

    accel: FloatArray = np.exp(drawn(np.log(pull.accel_mps2)))
    if len(pull.delay_s) == 1:
        accel = accel * (1 + ONE_RUN_SHARE * rng.standard_normal((DRAWS, 1)))
    mass_kg, wheels, engine = _masses(body, rng)
    rolling_n, drag = _road(body.road_load, rng)
    rolling: FloatArray = rolling_n / body.mass[0] + STANDARD_GRAVITY_MPS2 * body.slope
    steps = round(BEYOND_SHARE * pull.top_mps / STEP_MPS)
    v = STEP_MPS * np.arange(steps + 1, dtype=np.float64)
    pulled = np.array([np.interp(v, pull.knots_mps, row) for row in accel])
    resisted: FloatArray = np.minimum(v, pull.top_mps)[None, :]
    is_held = pull.is_held and not is_freed
    if is_held:
        hold, width = drawn(pull.hold_mps)[:, None], np.maximum(drawn(pull.width_mps), 0.1)[:, None]
        pulled *= np.minimum(1.0, (hold - v) / width)
        resisted = np.minimum(v, hold)
    inert, rolled = (mass_kg + wheels + engine)[:, None], (mass_kg * rolling)[:, None]
    driven: FloatArray = inert * pulled + rolled + drag[:, None] * resisted**2
    force = driven if is_held else _carried_on(v, driven, pull.top_mps, limit_mps, rng)
    return VehicleModel(
        speed_mps=v,
        force_n=np.maximum(force, 0.0),
        mass_kg=mass_kg,
        wheels_kg=wheels,
        engine_kg=engine,
        rolling_mps2=rolling,
        drag_kgpm=drag,
        delay_s=drawn(pull.delay_s),
        ahead_m=drawn(pull.ahead_m),
        pull=pull,
        road_load=body.road_load,
    )


def _masses(body: Body, rng: np.random.Generator) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mass, and turning wheels and engine as mass, shape (draws,) each."""
    mass = body.mass[0]
    mass_kg: FloatArray = np.maximum(rng.normal(*body.mass, DRAWS), 0.5 * mass)
    usual = (TURNING_SHARE * mass, TURNING_SIGMA_SHARE * mass)
    wheels, engine = (
        np.maximum(rng.normal(*one, DRAWS), 0.0) for one in (body.wheels or usual, usual)
    )
    return mass_kg, wheels, engine


def _shares(runs: int, one_more: bool, rng: np.random.Generator) -> FloatArray:
    """Weights of the runs' departures from their mean, so that draws have Student's t spread."""
    if runs < 2:
        return np.zeros((DRAWS, runs))
    z = rng.standard_normal((DRAWS, runs))
    widened = np.sqrt((runs - 1) / rng.chisquare(runs - 1, (DRAWS, 1)))
    wide = math.sqrt((1 / runs + one_more) / (runs - 1))
    return np.asarray(z * np.minimum(widened, 5.0) * wide)


def _road(load: RoadLoad, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    cov = [[load.variance_rolling, load.covariance], [load.covariance, load.variance_drag]]
    drawn = rng.multivariate_normal([load.rolling_n, load.drag_kgpm], cov, DRAWS, method="eigh")
    return np.maximum(drawn[:, 0], 0.0), np.maximum(drawn[:, 1], 0.0)


def _carried_on(
    v: FloatArray,
    force: FloatArray,
    top: float,
    limit_mps: float | None,
    rng: np.random.Generator,
) -> FloatArray:
    """The force above the speeds driven, by a power of speed that is known to about one."""
    power = rng.normal(_BEYOND, _BEYOND_SIGMA, (len(force), 1))
    at = int(np.searchsorted(v, top)) - 1
    beyond = force[:, at : at + 1] * (np.maximum(v, top) / top) ** np.minimum(power, 0.0)
    if limit_mps is not None:
        limit = limit_mps * (1 + _LIMIT_SHARE * rng.standard_normal((len(force), 1)))
        limit = np.maximum(limit, v[at] + 0.01)
        fall = np.clip((limit - v) / (limit * rng.uniform(*_DROOP, (len(force), 1))), 0.0, 1.0)
        beyond = beyond * fall / np.maximum(fall[:, at : at + 1], 0.1)
    return np.where(v <= v[at], force, beyond)
