"""What a signal among things beside the way may do widens the interval; clocks run true."""

from dataclasses import replace

import numpy as np
import pytest

from overlay.motion.model import AMONG_THINGS
from overlay.series import Series
from overlay.sync.estimate import _first_fit, _rough_fit, estimate_offset
from overlay.sync.refusal import ANY_PACE, OTHER_LOG, TOO_LITTLE
from overlay.sync.same_run import stretch_of
from tests.sync.scenes import log_of, motion_of, two_launches

Z95 = 1.959964


def test_interval__holds_what_springs_leave(rng) -> None:
    motion, log = motion_of(two_launches, rng), log_of(two_launches, rng)
    open_ground = estimate_offset(motion, log)
    among = estimate_offset(replace(motion, gain_errors=AMONG_THINGS), log)
    halves = [(found.interval_s[1] - found.interval_s[0]) / 2 for found in (open_ground, among)]
    assert halves[0] < 0.05
    assert halves[1] >= Z95 * AMONG_THINGS.lag_s
    assert abs(among.total_offset_s - open_ground.total_offset_s) < 0.03


@pytest.mark.parametrize("rate", [-0.04, 0.0, 0.04])
def test_stretch__rate_of_the_logs_time(rng, rate) -> None:
    """Positive where the log's clock runs fast: its events lie further apart."""
    motion, log = motion_of(two_launches, rng), log_of(two_launches, rng)
    middle_s = float(np.mean(motion.t_s))
    fast = Series(log.name, log.t_s + rate * (log.t_s - middle_s - 0.9), log.values)
    fit = _rough_fit(motion, fast, 0.9, _first_fit(motion, fast, 0.9))
    stretch = stretch_of(*fit)
    if not rate:
        assert abs(stretch.rate) < 0.004
        assert stretch.information < 3
        assert stretch.excluded > 20
    else:
        assert 0.6 * abs(rate) < stretch.rate * np.sign(rate) < 1.2 * abs(rate)
        assert stretch.information > 20
        assert stretch.excluded < -20
        assert not estimate_offset(motion, fast).determined


def test_support__too_little_in_common_is_said_as_that(rng) -> None:
    """A right log that fits, where more evidence is asked for than this run can give."""
    motion, log = motion_of(two_launches, rng), log_of(two_launches, rng)
    much = replace(motion, gain_errors=replace(motion.gain_errors, least_support=1e6))
    assert estimate_offset(motion, log).determined
    assert estimate_offset(much, log).reason == TOO_LITTLE


@pytest.mark.parametrize(("sigma_mps", "answered"), [(0.2, True), (0.8, False)])
def test_noise__more_than_a_receivers_is_another_log(rng, sigma_mps, answered) -> None:
    log = log_of(two_launches, rng, rate_hz=1.0, sigma_mps=sigma_mps)
    found = estimate_offset(motion_of(two_launches, rng), log)
    assert found.determined == answered
    assert answered or found.reason == OTHER_LOG


def test_pace__one_rise_in_view_may_be_of_a_slower_or_faster_run(rng) -> None:
    """At another pace it only comes a little earlier or later, as the gain's drift may have it."""

    def rise(t_s):
        return 7.0 + 2.0 * np.tanh((t_s - 7.0) / 2.0)

    motion, log = replace(motion_of(rise, rng), gain_errors=AMONG_THINGS), log_of(rise, rng)
    assert estimate_offset(motion, log).reason == ANY_PACE
    several = replace(motion_of(two_launches, rng), gain_errors=AMONG_THINGS)
    assert estimate_offset(several, log_of(two_launches, rng)).determined
