"""No number where the evidence cannot tell."""

from dataclasses import replace

import numpy as np
import pytest

from overlay.series import Series
from overlay.sync.estimate import estimate_offset
from tests.sync.scenes import launch, log_of, motion_of, two_launches


def constant(t):
    return np.full(len(t), 10.0)


def still(t):
    return np.zeros(len(t))


def humming(t):
    return 6 + 3 * np.sin(2 * t)


def drive(t):
    return 8 + 4 * np.sin(t / 3) + 2 * np.sin(1.1 * t + 1) + 3 * np.cos(t / 7.3)


def other_drive(t):
    return 8 + 4 * np.sin(t / 2.6 + 1) + 2 * np.sin(0.9 * t + 2) + 3 * np.cos(t / 5.3)


def refused(motion, log, words):
    found = estimate_offset(motion, log)
    assert not found.determined
    assert found.total_offset_s is None
    assert found.interval_s is None
    assert found.readout_lag_s is None
    assert words in found.reason
    return True


def test_refuses__constant_speed_in_the_picture(rng):
    assert refused(motion_of(constant, rng), log_of(launch(), rng), "constant speed")


def test_refuses__constant_speed_in_the_log(rng):
    assert refused(motion_of(launch(), rng), log_of(constant, rng), "hardly changes")


def test_refuses__static_picture_with_a_moving_log(rng):
    assert refused(motion_of(still, rng), log_of(two_launches, rng), "")


def test_refuses__reason_of_the_motion_signal_comes_first(rng):
    motion = replace(motion_of(launch(), rng), reason="the picture never moves")
    assert refused(motion, log_of(launch(), rng), "the picture never moves")


def test_refuses__wrong_log(rng):
    assert refused(motion_of(two_launches, rng), log_of(launch(), rng), "right log")


@pytest.mark.parametrize("rises_s", [(3.0, 2.0), (2.0, 3.0), (3.0, 4.5), (3.0, 2.5), (2.5, 3.0)])
def test_refuses__launch_of_another_vehicle(rng, rises_s):
    ours, other = (launch(rise_s=rise_s) for rise_s in rises_s)
    assert refused(motion_of(ours, rng), log_of(other, rng), "right log")


def run(lift_s, top_mps=12.0):
    """A launch, and a stop that begins `lift_s` after it."""

    def speed(t):
        gone = np.maximum(t - 1.0, 0.0)
        pulled = top_mps * (1 - np.exp(-np.minimum(gone, lift_s) / 3))
        return np.maximum(pulled - 4 * np.maximum(gone - lift_s, 0.0), 0.0)

    return speed


@pytest.mark.parametrize("lift_s", [7.5, 7.8, 8.3, 9.0])
def test_refuses__run_of_the_same_vehicle_with_a_later_stop(rng, lift_s):
    motion = motion_of(run(7.0), rng, sigma_mps=0.15)
    assert refused(motion, log_of(run(lift_s), rng), "right log")


@pytest.mark.parametrize("rate_hz", [1.0, 10.0])
def test_accepts__run_with_its_own_log(rng, rate_hz):
    motion = motion_of(run(7.0), rng, sigma_mps=0.15)
    found = estimate_offset(motion, log_of(run(7.0), rng, rate_hz=rate_hz))
    assert found.interval_s[0] < 0.9 < found.interval_s[1]


def test_near_twin__answer_lies_in_its_interval(rng):
    # launch and stop tell offsets 30 ms apart, which no noise of this size lets anyone see
    motion = motion_of(run(7.0), rng, sigma_mps=0.15)
    found = estimate_offset(motion, log_of(run(7.03), rng))
    assert found.determined
    assert found.interval_s[0] < 0.9 + 0.03
    assert found.interval_s[1] > 0.9


def test_refuses__mirrored_log(rng):
    log = log_of(run(7.0), rng, start_s=-20.0, end_s=30.0)
    mirrored = Series("speed_mps", -log.t_s[::-1], log.values[::-1])
    assert refused(motion_of(run(7.0), rng), mirrored, "")


def test_refuses__log_with_a_constant_added(rng):
    log = log_of(run(7.0), rng)
    assert refused(motion_of(run(7.0), rng), replace(log, values=log.values + 3.0), "right log")


def test_refuses__drive_of_another_day(rng):
    motion = motion_of(drive, rng, length_s=30)
    assert refused(motion, log_of(other_drive, rng, start_s=-150, end_s=300), "right log")


def test_accepts__drive_of_this_day(rng):
    motion = motion_of(drive, rng, length_s=30)
    found = estimate_offset(motion, log_of(drive, rng, start_s=-150, end_s=300))
    assert found.total_offset_s == pytest.approx(0.9, abs=0.03)


def test_refuses__periodic_speed(rng):
    assert refused(motion_of(humming, rng), log_of(humming, rng), "equally well")


def test_refuses__no_overlap_in_the_search(rng):
    found = estimate_offset(
        motion_of(launch(), rng), log_of(launch(), rng), search_s=(500.0, 600.0)
    )
    assert not found.determined
    assert "overlap" in found.reason


def test_refuses__too_short(rng):
    assert refused(motion_of(launch(0.2), rng, length_s=1.0), log_of(launch(0.2), rng), "too short")
    assert refused(
        motion_of(launch(), rng), Series("speed_mps", np.arange(3.0), np.arange(3.0)), "too short"
    )
