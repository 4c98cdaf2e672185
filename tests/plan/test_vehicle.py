"""The model against known motion, and what it predicts against carts that were driven so."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from overlay.compare.power import TURNING_SHARE, RoadLoad, assumed_road_load
from overlay.compare.where import Trace
from overlay.demo.vehicle import DemoVehicle, Drive, simulate
from overlay.errors import UndeterminedError
from overlay.plan.course import Change, changed, passage
from overlay.plan.pull import fit_pull
from overlay.plan.vehicle import Body, fit_vehicle
from overlay.runs import parse_goal
from overlay.runs.model import Kinematics
from tests.benchmarks.accuracy.next import changes, predicted, truths
from tests.plan.carts import Carts, day_of, drive, joined, population
from tests.plan.recorded import trace_of

GOAL = parse_goal("60 m")
NO_LOAD = RoadLoad(0.0, 0.0, 0.0, 0.0, 0.0, "sheet")
BARE = Body((150.0, 0.0), NO_LOAD)


def closed_form(top=15.0, tau=3.0, seconds=9.0) -> Trace:
    """Speed top (1 - exp(-t / tau)) from 1 s on, then braked."""
    t = np.arange(0.0, seconds + 5, 0.01)
    pull = np.clip(t - 1, 0, seconds)
    speed = top * (1 - np.exp(-pull / tau))
    speed = np.maximum(speed - 4 * np.clip(t - 1 - seconds, 0, None), 0)
    covered = np.r_[0.0, np.cumsum((speed[1:] + speed[:-1]) / 2 * 0.01)]
    one = np.ones(len(t))
    return Trace(
        Kinematics(t, speed, np.gradient(speed, t), covered, one, one, one, 0.0, one > 0), 1.0
    )


def test_force__of_known_motion():
    """Force is mass times (15 - v) / 3 where speed is 15 (1 - exp(-t / 3)) (derived)."""
    model = fit_vehicle(fit_pull([closed_form()] * 2), BARE)
    inert = 150.0 + np.median(model.wheels_kg + model.engine_kg)
    assert inert == pytest.approx(150 * (1 + 2 * TURNING_SHARE), rel=0.02)
    for v in (2.0, 5.0, 8.0, 11.0, 13.0):
        force = np.median(model.force_n[:, np.searchsorted(model.speed_mps, v)])
        assert force == pytest.approx(inert * (15 - v) / 3, rel=0.05)


def test_prediction__of_known_motion_itself():
    """60 m of that motion take 6.721 s (root of 15 (t - 3 (1 - exp(-t/3))) = 60)."""
    model = fit_vehicle(fit_pull([closed_form()] * 2), BARE)
    true = brentq(lambda t: 15 * (t - 3 * (1 - np.exp(-t / 3))) - 60, 1, 20)
    assert passage(model).value(GOAL) == pytest.approx(true, abs=0.01)


def test_force__holds_the_road_load_and_the_slope():
    pull = fit_pull([closed_form()] * 2)
    bare = fit_vehicle(pull, BARE)
    load = RoadLoad(30.0, 0.4, 0.0, 0.0, 0.0, "sheet")
    loaded = fit_vehicle(pull, Body((150.0, 0.0), load, slope=0.01))
    i = np.searchsorted(bare.speed_mps, 8.0)
    more = np.median(loaded.force_n[:, i] - bare.force_n[:, i])
    assert more == pytest.approx(30 + 0.4 * 64 + 150 * 9.80665 * 0.01, rel=0.01)
    assert passage(loaded).value(GOAL) == pytest.approx(passage(bare).value(GOAL), abs=0.01)


def test_pull__sees_what_holds_the_speed():
    rng = np.random.default_rng(1)
    carts = replace(
        population(1, rng), governor_rpm=np.array([3700.0]), ratio=np.array([10.0])
    ).repeated(3)
    driven = drive(day_of(carts, rng))
    rows = zip(driven.speed_mps, driven.distance_m, strict=True)
    pull = fit_pull([trace_of(driven.t_s, v, x, rng) for v, x in rows])
    assert pull.is_held
    held = [v[np.argmax(x > 60)] for v, x in zip(driven.speed_mps, driven.distance_m, strict=True)]
    assert pull.hold_mps == pytest.approx(held, abs=0.15)
    load = assumed_road_load(float(carts.mass_kg[0]))
    mass = (float(carts.mass_kg[0]), 3.0)
    kept = fit_vehicle(pull, Body(mass, load))
    freed = fit_vehicle(pull, Body(mass, load), is_freed=True, limit_mps=20.0)
    gain = np.median(passage(freed).value(GOAL) - passage(kept).value(GOAL))
    both = drive(joined(carts, replace(carts, governor_rpm=np.full(3, 5400.0)))).time_to(60.0)
    true = np.mean(both[3:]) - np.mean(both[:3])
    assert true < -0.1
    assert gain == pytest.approx(true, abs=0.1)


def test_fit__too_slow_or_too_short():
    with pytest.raises(UndeterminedError, match="too slow"):
        fit_pull([closed_form(top=2.5)])
    with pytest.raises(UndeterminedError, match=r"1\.5 s"):
        fit_pull([closed_form(seconds=1.0)])


def test_one_run__is_less_sure_than_three():
    pull = fit_pull([closed_form()] * 3)
    one = fit_vehicle(pull.without(0).without(0), BARE)
    three = fit_vehicle(pull, BARE)
    assert np.std(passage(one).value(GOAL)) > 3 * np.std(passage(three).value(GOAL))


def test_predictions__come_true_on_carts_of_another_simulator():
    """Sixteen carts here; the benchmark judges 500."""
    rng = np.random.default_rng(3)
    base = population(16, rng)
    wanted = changes(base, rng)
    found, _ = predicted(base, wanted, rng)
    inside = []
    for name, true in truths(base, wanted).items():
        low, middle, high = found[name].T
        inside += list((low <= true) & (true <= high))
        assert np.sqrt(np.mean((middle - true) ** 2)) < 0.05
        assert np.corrcoef(middle, true)[0, 1] > 0.95
    assert np.mean(inside) > 0.85


def test_simulator__agrees_with_the_demos():
    """Two simulators that share no code give one cart nearly the same 60 m."""
    cart = DemoVehicle(torque_rpm=(0.0, 7000.0), torque_nm=(12.0, 12.0), governor_rpm=9000.0)
    theirs = simulate(cart, Drive(opening_s=0.3)).split_to_distance(60.0)
    one = {
        name: np.array([value])
        for name, value in {
            "torque_nm": 12.0,
            "torque_at_rpm": 2500.0,
            "torque_width_rpm": 1e9,
            "governor_rpm": 9000.0,
            "droop_rpm": 250.0,
            "engage_rpm": cart.engage_rpm,
            "lock_rpm": cart.lockup_rpm,
            "ratio": cart.ratio,
            "circumference_m": 2 * np.pi * cart.tyre_radius_m,
            "efficiency": cart.efficiency,
            "mass_kg": cart.mass_kg,
            "wheels_kg": cart.wheel_mass_kg,
            "engine_kgm2": cart.engine_inertia_kgm2,
            "rolling": cart.rolling,
            "drag_area_m2": cart.drag_area_m2,
            "creep_per_n": 0.0,
            "opening_s": 0.3,
            "headwind_mps": 0.0,
        }.items()
    }
    assert drive(Carts(**one)).time_to(60.0)[0] == pytest.approx(theirs, abs=0.06)


def test_fit_vehicle__wheels_are_as_they_are_given():
    """The build's power and its model take turning wheels from one place."""
    model = fit_vehicle(fit_pull([closed_form()] * 2), Body((150.0, 0.0), NO_LOAD, (9.0, 0.9)))
    assert np.mean(model.wheels_kg) == pytest.approx(9.0, abs=0.15)
    assert np.std(model.wheels_kg) == pytest.approx(0.9, rel=0.1)
    assert np.mean(model.engine_kg) == pytest.approx(150 * TURNING_SHARE, rel=0.1)


def test_changed__needs_no_luck():
    """The same input gives the same answer."""
    model = fit_vehicle(fit_pull([closed_form()] * 2), Body((150.0, 3.0), NO_LOAD))
    before = passage(model).value(GOAL)
    first, second = (changed(model, Change(mass_kg=5.0), GOAL, before) for _ in range(2))
    assert np.array_equal(first, second)
