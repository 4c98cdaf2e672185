"""Where the clip could lie in the log: every placing against numpy's own correlation."""

import numpy as np
import pytest

from overlay.motion.model import MotionSignal
from overlay.series import Series
from overlay.sync.seed import APART_S, GRID_S, _correlations, binned_motion, candidates, on_grid
from tests.sync.scenes import log_of, motion_of, two_launches


def test_correlations__of_every_placing_with_gaps(rng):
    a, b = np.cumsum(rng.normal(size=40)), np.cumsum(rng.normal(size=65))
    a[[3, 4, 20]] = np.nan
    b[30:37] = np.nan
    found, count = _correlations(a, b)
    assert len(found) == len(count) == 40 + 65 - 1
    for k in range(len(count)):
        ahead = k - (len(a) - 1)
        i = np.arange(len(a))
        i = i[(i + ahead >= 0) & (i + ahead < len(b))]
        both = np.isfinite(a[i]) & np.isfinite(b[i + ahead])
        assert count[k] == np.count_nonzero(both)
        if count[k] > 5:
            known = np.corrcoef(a[i][both], b[i + ahead][both])[0, 1]
            assert found[k] == pytest.approx(known, abs=1e-9)


def test_on_grid__between_readings_and_not_across_gaps():
    t_s = np.array([1.0, 1.25, 1.5, 2.5, 2.75, 3.0])
    out = on_grid(t_s, 4 * t_s, 0.8, 0.45)
    grid = 0.8 + GRID_S * np.arange(len(out))
    assert grid[-1] == pytest.approx(3.0)
    known = ((grid > 0.99) & (grid < 1.51)) | (grid > 2.5)
    assert np.array_equal(np.isfinite(out), known)
    assert out[known] == pytest.approx(4 * grid[known])
    longer = on_grid(t_s, 4 * t_s, 0.8, 1.0)  # a gap is longer than that, not as long
    assert np.count_nonzero(np.isfinite(longer)) == 21


def signal(t_s, forward, quality, span_s):
    n = len(t_s)
    return MotionSignal(t_s, np.full(n, span_s), forward, quality, np.full(n, 0.1), 0.9)


def test_binned__means_by_quality_with_short_holes_bridged():
    t_s = np.array([2.0, 2.03, 2.1, 2.13, 2.3, 2.9])
    forward = np.array([1.0, 2.0, 3.0, 5.0, 7.0, 9.0])
    quality = np.array([1.0, 0.5, 1.0, 1.0, 1.0, 1.0])
    start, fine = binned_motion(signal(t_s, forward, quality, 0.03))
    assert start == 2.0
    expected = [4 / 3, 4.0, np.nan, 7.0, *[np.nan] * 5, 9.0]
    np.testing.assert_allclose(fine, expected)
    # Pictures that are further apart than half a bin leave bins out, which are bridged: 0.3 s.
    _, coarse = binned_motion(signal(t_s, forward, quality, 0.06))
    np.testing.assert_allclose(coarse, [4 / 3, 4, 5.5, 7, *(7 + 2 / 6 * np.arange(1, 6)), 9])


@pytest.mark.parametrize("delay_s", [-3.2, 0.0, 1.7])
def test_candidates__shift_is_log_time_less_footage_time(rng, delay_s):
    motion = motion_of(two_launches, rng, sigma_mps=0.1)
    log = log_of(two_launches, rng, delay_s=delay_s, smoothing_s=0.0)
    best, *others = candidates(motion, log)
    assert best.shift_s == pytest.approx(delay_s, abs=0.06)
    assert best.correlation > 0.99
    assert best.overlap_s == pytest.approx(15.0, abs=0.25)
    # The log likelihood gain of a correlation r over none, of n values: -n/2 ln(1 - r^2).
    n = best.overlap_s / GRID_S
    assert best.score == pytest.approx(-0.5 * n * np.log1p(-(min(best.correlation, 0.9995) ** 2)))
    assert all(other.score <= best.score for other in others)
    shifts = np.sort([place.shift_s for place in (best, *others)])
    assert np.all(np.diff(shifts) >= APART_S - 1e-9)
    assert len(candidates(motion, log, at_most=1)) == 1
    within = candidates(motion, log, search_s=(delay_s + 1.0, delay_s + 6.0))
    assert all(delay_s + 0.9 - 1e-9 <= place.shift_s <= delay_s + 6.1 + 1e-9 for place in within)


def test_candidates__need_three_seconds_and_a_third_in_common(rng):
    motion = motion_of(two_launches, rng, sigma_mps=0.1)
    log = log_of(two_launches, rng, delay_s=0.0, smoothing_s=0.0, start_s=-20, end_s=40)
    assert candidates(motion, log.between(0.0, 0.5)) == []
    part = Series(log.name, log.t_s, log.values).between(1.0, 5.0)
    assert all(place.overlap_s >= 3.0 for place in candidates(motion, part))
    assert all(place.overlap_s >= 0.3 * 14.9 for place in candidates(motion, log))
