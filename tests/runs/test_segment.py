"""Runs out of a long recording."""

from itertools import pairwise

import numpy as np
import pytest

from overlay.runs.segment import RunWindow, find_runs, match_runs
from overlay.series import Series


def afternoon(rng, launches_s, *, rate_hz=10.0, noise_mps=0.06):
    """Runs of 10 s at each launch, a slow drive back 30 s later, all with noise at rest."""
    t = np.arange(0.0, launches_s[-1] + 80.0, 1 / rate_hz)
    v = np.zeros(len(t))
    for launch in launches_s:
        u = t - launch
        v += np.where((u > 0) & (u < 7), 2.0 * u, 0) + np.where(
            (u >= 7) & (u < 10.5), 42 - 4 * u, 0
        )
        back = u - 30
        v += np.where((back > 0) & (back < 24), np.minimum(0.3 * back, 0.3 * (24 - back)), 0.0)
    return Series("speed_mps", t, np.abs(v + noise_mps * rng.standard_normal(len(t))))


def test_find_runs__launches_and_stops_without_the_drives_back(rng):
    launches = [12.0, 95.0, 170.0, 260.0]
    found = find_runs(afternoon(rng, launches))
    assert [round(run.launch_s) for run in found] == [12, 95, 170, 260]
    for run, launch in zip(found, launches, strict=True):
        assert run.from_rest
        assert run.start_s < launch < run.end_s
        assert abs(run.stop_s - (launch + 10.5)) < 0.5
        assert abs(run.peak_mps - 14) < 0.4


def test_find_runs__record_that_starts_and_ends_moving(rng):
    whole = afternoon(rng, [12.0])
    found = find_runs(whole.between(14.0, 19.0))
    assert len(found) == 1
    assert not found[0].from_rest
    assert found[0].stop_s is None
    assert found[0].start_s == found[0].launch_s == pytest.approx(14.0)
    assert found[0].end_s == pytest.approx(19.0)


def test_find_runs__nothing_at_rest(rng):
    t = np.arange(0, 60, 0.1)
    assert find_runs(Series("speed_mps", t, np.abs(0.08 * rng.standard_normal(len(t))))) == ()
    assert find_runs(Series("speed_mps", t[:2], t[:2])) == ()


def test_find_runs__a_long_gap_parts_two_runs(rng):
    log = afternoon(rng, [12.0, 95.0])
    keep = (log.t_s < 20) | (log.t_s > 96)
    found = find_runs(Series("speed_mps", log.t_s[keep], log.values[keep]))
    assert [run.from_rest for run in found] == [True, False]


def test_find_runs__windows_do_not_overlap(rng):
    found = find_runs(afternoon(rng, [10.0, 24.0, 80.0, 140.0]))
    for one, other in pairwise(found):
        assert one.end_s <= other.start_s


def window(launch_s):
    return RunWindow(launch_s - 3, launch_s + 10, launch_s, launch_s + 8, 12.0, True)


def test_match_runs__by_spacing_with_unknown_clock_and_a_run_missing():
    footage = tuple(window(s) for s in (10.0, 90.0, 200.0, 255.0))
    log = tuple(window(s + 3600.4) for s in (90.0, 200.3, 255.0, 400.0))
    assert match_runs(footage, log) == ((1, 0), (2, 1), (3, 2))
    assert match_runs(footage[:1], log[2:3]) == ((0, 0),)
    assert match_runs((), log) == match_runs(log, ()) == ()


def test_find_runs__hours_with_paddock_drives_and_a_receiver_switched_off(rng):
    """Three and a half hours at 10 Hz: nine runs, slow drives between them, 20 minutes missing."""
    launches = [float(600 + 1400 * i + rng.uniform(0, 300)) for i in range(9)]
    log = afternoon(rng, launches)
    v = log.values.copy()
    for start in (100.0, *(launch + 200 for launch in launches)):  # a drive through the paddock
        u = log.t_s - start
        v += np.where((u > 0) & (u < 90), 2.2 * np.sin(np.pi * np.clip(u / 90, 0, 1)) ** 2, 0)
    off = (log.t_s > launches[4] + 400) & (log.t_s < launches[4] + 900)
    log = Series("speed_mps", log.t_s[~off], v[~off])
    assert log.duration_s > 3.2 * 3600
    found = find_runs(log)
    assert [
        round(run.launch_s - launch, 0) for run, launch in zip(found, launches, strict=True)
    ] == ([0.0] * 9)
    assert all(run.from_rest and abs(run.peak_mps - 14) < 0.5 for run in found)


def shaped(*knots):
    """A log at 10 Hz through (time, speed) knots, without noise."""
    t = np.arange(knots[0][0], knots[-1][0] + 0.05, 0.1)
    return Series("speed_mps", t, np.interp(t, *zip(*knots, strict=True)))


RUN = ((0, 0), (20, 0), (25, 10), (28, 0), (60, 0))


def test_window__holds_three_seconds_of_rest_before_and_two_after():
    (run,) = find_runs(shaped(*RUN))
    assert run.launch_s == pytest.approx(20.1)  # the last reading at rest
    assert run.stop_s == pytest.approx(28.0)
    assert run.start_s == pytest.approx(20.1 - 3)
    assert run.end_s == pytest.approx(28.0 + 2)
    assert run.peak_mps == pytest.approx(10.0)


def test_window__shares_a_short_rest_and_takes_all_of_a_short_first_and_last_one():
    first, second = find_runs(
        shaped((0, 0), (1, 0), (6, 10), (9, 0), (11, 0), (16, 10), (19, 0), (20, 0))
    )
    assert first.start_s == pytest.approx(0.0)
    assert first.end_s == second.start_s == pytest.approx((first.stop_s + second.launch_s) / 2)
    assert second.end_s == pytest.approx(20.0)


@pytest.mark.parametrize(("peak_mps", "found"), [(2.9, 0), (3.0, 1)])
def test_runs__reach_three_metres_a_second(peak_mps, found):
    log = shaped((0, 0), (10, 0), (12, peak_mps), (16, 0), (20, 0))
    assert len(find_runs(log)) == found
    assert len(find_runs(log, min_peak_mps=peak_mps + 0.05)) == 0


@pytest.mark.parametrize(("accel_mps2", "found"), [(0.46, 0), (0.54, 1)])
def test_runs__pull_away_to_seven_tenths_of_the_peak(accel_mps2, found):
    """The rest of the way to the peak may be slow: 7 m/s at once, 10 m/s half a minute later."""
    half_s = 7 / accel_mps2
    log = shaped((0, 0), (10, 0), (10 + half_s, 7), (60, 10), (64, 0), (70, 0))
    assert len(find_runs(log)) == found
    assert len(find_runs(log, min_accel_mps2=accel_mps2 + 0.06)) == 0


@pytest.mark.parametrize(("gap_s", "launches"), [(4.5, 1), (5.5, 2)])
def test_runs__end_at_a_gap_of_over_five_seconds(gap_s, launches):
    log = shaped((0, 0), (10, 0), (14, 12), (40, 14), (44, 0), (60, 0))
    keep = (log.t_s < 20) | (log.t_s > 20 + gap_s)
    runs = find_runs(Series("speed_mps", log.t_s[keep], log.values[keep]), min_accel_mps2=0.0)
    assert len(runs) == launches
    if launches == 2:
        assert runs[0].stop_s is None
        assert runs[0].end_s == pytest.approx(19.9)
        assert not runs[1].from_rest


def test_match__prefers_more_pairs_and_then_the_closer_fit():
    footage = tuple(window(s) for s in (0.0, 50.0, 100.0))
    closer = tuple(window(s) for s in (7.0, 57.0, 107.2, 156.0))
    assert match_runs(footage, closer) == ((0, 0), (1, 1), (2, 2))
    apart = tuple(window(s) for s in (0.0, 53.0, 106.5))
    assert len(match_runs(footage, apart)) == 1
    assert len(match_runs(footage, apart, tolerance_s=3.6)) > 1
    edge = tuple(window(s) for s in (0.0, 52.0))
    assert match_runs(footage[:2], edge) == ((0, 0), (1, 1))


def test_match__uses_each_run_once():
    pair = (window(0.0), window(1.0))
    assert match_runs(pair, (window(30.0),)) == ((0, 0),)
