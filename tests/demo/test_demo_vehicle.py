"""The simulated cart obeys its own physics."""

import numpy as np
import pytest

from overlay.demo.scenario import BUILD_A, BUILD_B
from overlay.demo.vehicle import DemoVehicle, Drive, simulate
from overlay.errors import UsageError
from tests.simulation import motion_from_speed

MPH = 0.44704  # m/s, exact: NIST SP 811 (2008), appendix B.8


@pytest.fixture(scope="module")
def run():
    return simulate(BUILD_A.vehicle, Drive())


def test_motion__distance_is_integral_of_speed(run):
    from scipy.integrate import cumulative_trapezoid

    expected = cumulative_trapezoid(run.speed_mps, run.t_s, initial=0)
    np.testing.assert_allclose(run.distance_m, expected, atol=1e-9)


def test_motion__rests_before_launch_and_after_stop(run):
    assert np.all(run.speed_mps[run.t_s <= run.launch_s] == 0)
    assert run.speed_mps[np.searchsorted(run.t_s, run.launch_s + 0.002)] > 0
    assert run.speed_mps[-1] == 0
    assert np.all(run.speed_mps >= 0)


def test_motion__wheel_and_engine_agree_when_clutch_is_locked(run):
    late = (run.t_s > run.launch_s + 5) & (run.throttle == 1)
    driven = run.wheel_speed_mps / BUILD_A.vehicle.metres_per_turn * 60
    assert np.abs(run.engine_rpm[late] / driven[late] - 1).max() < 0.02


def test_motion__energy_at_the_top_does_not_exceed_the_engines(run):
    """Kinetic energy comes from the engine: E <= integral of torque times turning rate."""
    vehicle = BUILD_A.vehicle
    top = int(np.argmax(run.speed_mps))
    torque = np.interp(run.engine_rpm, vehicle.torque_rpm, vehicle.torque_nm)
    power = torque * run.engine_rpm / 60 * 2 * np.pi
    pulling = run.throttle[: top + 1] > 0
    given = np.sum(power[: top + 1][pulling]) * 0.001
    kinetic = 0.5 * vehicle.mass_kg * run.speed_mps[top] ** 2
    assert 0.3 * given < kinetic < given


def test_builds__differ_little_early_and_clearly_late():
    a, b = (simulate(build.vehicle, Drive()) for build in (BUILD_A, BUILD_B))
    assert abs(a.split_to_speed(20 * MPH) - b.split_to_speed(20 * MPH)) < 0.02
    assert a.split_to_distance(60) - b.split_to_distance(60) > 0.15
    assert b.speed_mps.max() - a.speed_mps.max() > 1.5


def test_builds__b_is_held_by_its_limiter_well_before_the_driver_lifts():
    """At 4400 rpm, 9.4 turns of the crank for one of a 0.28 m wheel: 13.7 m/s."""
    run = simulate(BUILD_B.vehicle, Drive())
    held = (run.engine_rpm > 4280) & (run.throttle == 1)
    assert np.sum(held) * 0.001 > 0.7
    assert run.engine_rpm.max() == pytest.approx(4400, abs=10)
    assert run.speed_mps.max() == pytest.approx(4400 / 60 / 9.4 * 2 * np.pi * 0.28, rel=0.005)


def test_loose_gravel__spins_the_wheels_and_costs_time(run):
    drive = Drive(loose_from_m=1.2, loose_to_m=6.5, loose_grip=0.24)
    spun = simulate(BUILD_A.vehicle, drive)
    assert (spun.wheel_speed_mps - spun.speed_mps).max() > 1
    assert np.all(spun.wheel_speed_mps >= spun.speed_mps - 1e-9)
    assert spun.split_to_distance(20) > run.split_to_distance(20) + 0.2
    assert (run.wheel_speed_mps - run.speed_mps).max() < 1e-9


def test_limiter__cuts_hold_the_revs_at_the_limit():
    vehicle = DemoVehicle(governor_rpm=9000, limiter_rpm=3500)
    run = simulate(vehicle, Drive())
    held = run.engine_rpm[(run.t_s > 9) & (run.throttle == 1)]
    assert held.max() < 3560
    assert held.min() > 3300
    assert np.ptp(held) > 60


def test_motion_from_speed__matches_the_handbook_ramp():
    """From rest at 3 m/s², 0.3048 m take sqrt(2 * 0.3048 / 3) = 0.451 s (elementary)."""
    run = motion_from_speed(np.array([0.0, 1.0, 4.0]), np.array([0.0, 0.0, 9.0]))
    assert run.launch_s == pytest.approx(1.0, abs=1e-9)
    assert run.split_to_distance(0.3048) == pytest.approx(0.4508, abs=5e-4)


def test_simulate__says_when_the_cart_cannot_move():
    with pytest.raises(UsageError, match="not back at rest"):
        simulate(DemoVehicle(), Drive(power=0.05, longest_s=6))
