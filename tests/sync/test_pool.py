import numpy as np
import pytest

from overlay.errors import UsageError
from overlay.sync.model import Alignment
from overlay.sync.pool import pool
from overlay.sync.separate import separate


def run(lag_s, sigma_s):
    half = 1.959964 * sigma_s
    return Alignment(determined=True, total_offset_s=lag_s, interval_s=(lag_s - half, lag_s + half))


def test_pool__equal_runs_shrink_by_the_root_of_their_number():
    found = pool([run(1.0, 0.02)] * 4)
    assert found.constant
    assert found.lag_s == pytest.approx(1.0)
    assert np.diff(found.interval_s)[0] == pytest.approx(2 * 1.959964 * 0.01)


def test_pool__lag_that_changes_is_found_and_widened():
    # A real phone log: 1.36 s in one half, 1.88 s in the other.
    found = pool([run(1.36, 0.03), run(1.88, 0.03)])
    assert not found.constant
    assert found.p_value < 1e-6
    assert found.interval_s[0] < 1.36
    assert found.interval_s[1] > 1.88


def test_pool__false_alarms_at_the_stated_rate(rng):
    alarms = [
        not pool([run(v, 0.02) for v in rng.normal(1.0, 0.02, 5)]).constant for _ in range(800)
    ]
    assert 0.03 < np.mean(alarms) < 0.075


def test_pool__undetermined_runs_do_not_count():
    assert pool([Alignment(determined=False, reason="constant speed")]) is None
    assert pool([run(1.0, 0.1), Alignment(determined=False)]).runs == 1


def test_separate__lag_is_the_remainder_and_variances_add():
    told = separate(run(3.2, 0.03), 2.1, (2.1 - 0.0784, 2.1 + 0.0784), "engine sound")
    assert told.readout_lag_s == pytest.approx(1.1)
    half = np.diff(told.readout_lag_interval_s)[0] / 2
    assert half == pytest.approx(1.959964 * np.hypot(0.03, 0.04), rel=1e-3)  # 3-4-5
    assert told.channels[0].offset_s == 2.1
    assert told.reason is None


def test_separate__undetermined_keeps_no_lag():
    told = separate(Alignment(determined=False, reason="why"), 2.1, (2.0, 2.2), "engine sound")
    assert told.readout_lag_s is None
    assert told.clock_offset_s == 2.1
    assert told.reason == "why"


def test_separate__offset_outside_its_interval_refused():
    with pytest.raises(UsageError, match="outside its own interval"):
        separate(run(1.0, 0.1), 2.1, (3.0, 4.0), "engine sound")
