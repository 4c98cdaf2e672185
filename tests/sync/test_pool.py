import numpy as np
import pytest
import scipy.stats

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


def test_pool__runs_that_differ_as_statsmodels():
    """DerSimonian and Laird's variance, Hartung and Knapp's error, unlike sigmas."""
    meta = pytest.importorskip("statsmodels.stats.meta_analysis")
    lags, sigmas = np.array([1.36, 1.50, 1.88]), np.array([0.03, 0.06, 0.04])
    known = meta.combine_effects(lags, sigmas**2, method_re="chi2")
    found = pool([run(*one) for one in zip(lags, sigmas, strict=True)])
    assert (found.runs, found.constant) == (3, False)
    assert found.chi_square == pytest.approx(known.q)
    assert found.p_value == pytest.approx(scipy.stats.chi2.sf(known.q, 2))
    assert found.spread_s == pytest.approx(np.sqrt(known.tau2))
    assert found.lag_s == pytest.approx(known.mean_effect_re)
    half = scipy.stats.t.ppf(0.975, 2) * known.sd_eff_w_re_hksj
    assert found.interval_s == pytest.approx((found.lag_s - half, found.lag_s + half))
    assert f"(p < 0.001, {np.sqrt(known.tau2):.3f} s from run to run)" in found.note


def test_pool__runs_that_agree_are_weighted_by_their_information():
    """By hand: weights 1/0.02² and 1/0.04² are 4 to 1, so 1.00 and 1.05 give 1.01."""
    found = pool([run(1.00, 0.02), run(1.05, 0.04)])
    assert found.lag_s == pytest.approx(1.01)
    half = 1.959964 * 0.02 / np.sqrt(1.25)
    assert found.interval_s == pytest.approx((1.01 - half, 1.01 + half))
    # Q is 0.05² / (0.02² + 0.04²) = 1.25 with one degree of freedom.
    assert (found.chi_square, found.spread_s) == (pytest.approx(1.25), 0.0)
    assert found.note == "2 runs agree on one lag (p = 0.26)"


def test_pool__takes_the_lag_only_where_every_run_has_one():
    half = 1.959964 * 0.02
    lag = Alignment(
        True,
        3.0,
        (2.9, 3.1),
        None,
        readout_lag_s=1.0,
        readout_lag_interval_s=(1.0 - half, 1.0 + half),
    )
    assert pool([lag]).lag_s == 1.0
    assert pool([lag]).interval_s == pytest.approx((1.0 - half, 1.0 + half))
    assert (pool([lag]).chi_square, pool([lag]).p_value, pool([lag]).note) == (0, 1, "one run only")
    assert pool([lag, run(3.0, 0.05)]).lag_s == pytest.approx(3.0)


def test_separate__each_side_takes_the_other_side_of_the_clock():
    """A lag is early where the total is early or the clock late: hypot(0.06, 0.08), hypot(3, 4)."""
    total = Alignment(determined=True, total_offset_s=3.2, interval_s=(3.14, 3.23))
    told = separate(total, 2.1, (2.06, 2.18), "engine sound")
    assert told.readout_lag_interval_s == pytest.approx((1.1 - 0.10, 1.1 + 0.05))
    assert told.clock_offset_s == 2.1
    assert not told.notes
    again = separate(told, 2.0, (1.9, 2.1), "another", channel="speed")
    assert [c.channel for c in again.channels] == ["engine_rpm", "speed"]
    assert [c.channel for c in separate(told, 2.0, (1.9, 2.1), "x").channels] == ["engine_rpm"]


@pytest.mark.parametrize(("clock_s", "said"), [(3.30, ()), (3.40, ("0.200 s ahead of time",))])
def test_separate__a_lag_surely_below_zero_is_said(clock_s, said):
    told = separate(run(3.2, 0.03), clock_s, (clock_s - 0.1, clock_s + 0.1), "engine sound")
    assert told.readout_lag_s == pytest.approx(3.2 - clock_s)
    assert len(told.notes) == len(said)
    assert all(words in note for words, note in zip(said, told.notes, strict=True))
