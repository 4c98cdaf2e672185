"""Logs carry the lag, noise and clock that they are meant to carry."""

import numpy as np
import pytest

from overlay.demo.recorder import (
    Receiver,
    RevCounter,
    late_speed,
    record_revs,
    record_speed,
    write_gpx,
    write_revs_table,
)
from overlay.demo.vehicle import DemoVehicle, Drive, simulate
from tests.simulation import motion_from_speed, write_nmea, write_speed_table


@pytest.fixture(scope="module")
def run():
    return simulate(DemoVehicle(), Drive())


def test_late_speed__ramp_reads_low_by_lag_times_acceleration():
    """Steady state of a ramp through the model: a (D + tau) = 3 * 0.8 = 2.40 m/s low."""
    ramp = motion_from_speed(np.array([0.0, 8.0]), np.array([0.0, 24.0]))
    late = late_speed(ramp, np.array([7.0]), 0.5, 0.3)
    assert 21.0 - late[0] == pytest.approx(2.40, abs=1e-3)


def test_late_speed__agrees_with_scipys_linear_system(run):
    from scipy.signal import lsim

    tau = 0.3
    _, expected, _ = lsim(([1.0], [tau, 1.0]), run.speed_mps, run.t_s)
    late = late_speed(run, run.t_s + 0.5, 0.5, tau)
    np.testing.assert_allclose(late, expected, atol=1e-6)


def test_record__lag_found_by_independent_fit(run):
    """The centre of the impulse answer is D + tau: compare areas of speed drop and rise."""
    from scipy.optimize import minimize_scalar
    from scipy.signal import lfilter

    receiver = Receiver(delay_s=0.7, smoothing_s=0.25, noise_mps=0.07, rng_seed=5)
    record = record_speed(run, receiver)
    keep = 1 - np.exp(-0.001 / 0.25)
    smooth = lfilter([keep], [1, keep - 1], run.speed_mps)

    def misfit(shift):
        return np.sum((record.speed_mps - np.interp(record.log_s - shift, run.t_s, smooth)) ** 2)

    found = minimize_scalar(misfit, bounds=(15, 22), method="bounded").x
    assert found + 0.25 == pytest.approx(record.total_offset_s, abs=0.02)
    assert record.total_offset_s == pytest.approx(18.0 + 0.95)


def test_record__is_the_same_for_the_same_seed_and_differs_for_another(run):
    one, two = (record_speed(run, Receiver(rng_seed=3)) for _ in range(2))
    np.testing.assert_array_equal(one.speed_mps, two.speed_mps)
    other = record_speed(run, Receiver(rng_seed=4))
    assert np.std(other.speed_mps - one.speed_mps) == pytest.approx(0.07 * 2**0.5, rel=0.35)


def test_revs__are_on_the_counters_own_clock(run):
    record = record_revs(run, RevCounter(clock_offset_s=33.0, noise_rpm=0))
    np.testing.assert_allclose(
        record.engine_rpm, run.at("engine_rpm", record.log_s - 33.0), atol=0.51
    )


def test_gpx__is_read_back_by_gpxpy(run, tmp_path):
    import gpxpy

    record = record_speed(run, Receiver())
    write_gpx(tmp_path / "a.gpx", record)
    with open(tmp_path / "a.gpx", encoding="utf-8") as file:
        points = gpxpy.parse(file).tracks[0].segments[0].points
    assert len(points) == len(record.log_s)
    np.testing.assert_allclose([p.speed for p in points], record.speed_mps, atol=6e-4)
    seconds = [(p.time - points[0].time).total_seconds() for p in points]
    np.testing.assert_allclose(seconds, record.log_s, atol=1e-3)


def test_nmea__is_read_back_by_pynmea2_with_good_checksums(run, tmp_path):
    import pynmea2

    record = record_speed(run, Receiver())
    write_nmea(tmp_path / "a.nmea", record)
    text = (tmp_path / "a.nmea").read_text(encoding="ascii").splitlines()
    rmc = [pynmea2.parse(line, check=True) for line in text if "RMC" in line]
    knots = np.array([float(s.spd_over_grnd) for s in rmc])
    np.testing.assert_allclose(knots * 1852 / 3600, record.speed_mps, atol=6e-4)
    np.testing.assert_allclose([s.latitude for s in rmc], record.latitude_deg, atol=1e-6)
    seconds = [(s.datetime - rmc[0].datetime).total_seconds() for s in rmc]
    np.testing.assert_allclose(seconds, record.log_s, atol=0.006)


def test_project_readers__get_the_same_offsets(run, tmp_path):
    from overlay.logs import read_log

    record = record_speed(run, Receiver())
    write_gpx(tmp_path / "a.gpx", record)
    write_speed_table(tmp_path / "a.csv", record, unit="mph", decimals=0, time_from_s=100.0)
    write_revs_table(tmp_path / "r.csv", record_revs(run, RevCounter()))
    gpx, table, revs = (read_log(tmp_path / name) for name in ("a.gpx", "a.csv", "r.csv"))
    np.testing.assert_allclose(gpx.speed.t_s, record.log_s, atol=2e-3)
    np.testing.assert_allclose(table.speed.t_s, record.log_s + 100, atol=2e-3)
    np.testing.assert_allclose(table.speed.values, record.speed_mps, atol=0.2236)
    assert revs.rpm.values.max() > 3500
