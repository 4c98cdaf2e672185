"""The integrated model against closed forms and against integration by another library call."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from overlay.compare.power import RoadLoad
from overlay.errors import UsageError
from overlay.plan.course import Change, changed, passage
from overlay.plan.pull import Pull
from overlay.plan.vehicle import VehicleModel
from overlay.runs import parse_goal

MASS, WATTS = 170.0, 3000.0
NO_LOAD = RoadLoad(0.0, 0.0, 0.0, 0.0, 0.0, "sheet")


def model_of(force, *, mass=MASS, wheels=0.0, engine=0.0, rolling=0.0, drag=0.0):
    """A model that is known exactly: three draws alike, its force a function of speed."""
    v = 0.05 * np.arange(801)
    with np.errstate(divide="ignore"):
        row = np.minimum(force(v), 1e9)
    one = np.ones(3)
    pull = Pull(v[:3], np.ones((1, 3)), one[:1] * np.inf, one[:1], one[:1] * 0, one[:1] * 0, 20.0)
    return VehicleModel(
        v,
        np.tile(row, (3, 1)),
        mass * one,
        wheels * one,
        engine * one,
        rolling * one,
        drag * one,
        0 * one,
        0 * one,
        pull,
        NO_LOAD,
    )


def test_constant_power__closed_form():
    """170 kg, 3 kW at the wheels, 60 m from rest: (9 m s² / 8 P)^(1/3) = 6.122 s (derived)."""
    time = passage(model_of(lambda v: WATTS / v)).value(parse_goal("60 m"))
    assert time == pytest.approx((9 * MASS * 60**2 / (8 * WATTS)) ** (1 / 3), abs=0.002)
    assert time[0] == pytest.approx(6.122, abs=0.002)


def test_constant_power__speeds_and_trap():
    """Kinetic energy is power times time: 5 to 10 m/s takes m (10² - 5²) / 2 P."""
    run = passage(model_of(lambda v: WATTS / v))
    assert run.value(parse_goal("5 to 10 m/s")) == pytest.approx(MASS * 75 / (2 * WATTS), abs=1e-3)
    between = run.value(parse_goal("20 to 60 m"))
    assert run.value(parse_goal("trap 20 to 60 m")) == pytest.approx(40 / between)
    assert np.all(np.isnan(run.value(parse_goal("60 m/s"))))
    assert run.value(parse_goal("60 m rollout"))[0] == pytest.approx(
        6.122 * (1 - (0.3048 / 60) ** (2 / 3)), abs=0.003
    )


def engine_force(v, gearing=1.0, power=1.0):
    """A torque curve that falls to nothing at 13 m/s of the first gearing."""
    u = gearing * np.asarray(v)
    return power * gearing * 500 * np.clip(1 - (u / 13) ** 4, 0, None)


@pytest.mark.parametrize(
    "change",
    [
        Change(),
        Change(gearing=1.1),
        Change(gearing=0.9),
        Change(mass_kg=20.0),
        Change(power=(1.08, 1.08)),
        Change(1.05, -15.0, (0.95, 0.95)),
    ],
)
def test_change__agrees_with_an_ordinary_integration_over_time(change):
    model = model_of(engine_force, wheels=6.0, engine=7.0, rolling=0.2, drag=0.4)
    mass = MASS + change.mass_kg

    def slope(_t, state):
        v = state[0]
        push = engine_force(v, change.gearing, change.power[0])
        inert = mass + 6.0 + 7.0 * change.gearing**2
        return [(push - mass * 0.2 - 0.4 * v * v) / inert, v]

    def arrives(_t, state):
        return state[1] - 60.0

    arrives.terminal = True
    other = solve_ivp(slope, (0, 60), [0.0, 0.0], events=arrives, rtol=1e-9, atol=1e-9)
    goal = parse_goal("60 m")
    assert passage(model, change).value(goal) == pytest.approx(other.t[-1], abs=0.004)
    assert passage(model, change).speed_at(60.0) == pytest.approx(other.y[0, -1], abs=0.06)


def test_changed__a_third_of_the_relative_change_at_constant_power():
    """3 kg of 170 at 6.12 s: about 0.036 s; 1 % of power: 0.020 s (derived: t ~ (m/P)^(1/3))."""
    model, goal = model_of(lambda v: WATTS / v), parse_goal("60 m")
    before = passage(model).value(goal)
    heavier = np.median(changed(model, Change(mass_kg=3.0), goal, before))
    assert heavier == pytest.approx(6.122 * ((173 / 170) ** (1 / 3) - 1), abs=0.003)
    stronger = np.median(changed(model, Change(power=(1.01, 1.01)), goal, before))
    assert stronger == pytest.approx(6.122 * (1.01 ** (-1 / 3) - 1), abs=0.003)
    assert math.isclose(float(np.max(np.abs(changed(model, Change(), goal, before)))), 0.0)


def test_change__must_make_sense():
    with pytest.raises(UsageError, match="above 0"):
        Change(gearing=0.0)
