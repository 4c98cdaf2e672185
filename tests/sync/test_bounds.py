"""Bounds against a table computed independently (numpy) for v = 15 (1 - exp(-t/3)) m/s.

Records run from 1 s before launch; samples at mid-steps. Derived: sigma / sqrt(sum vdot^2).
"""

import numpy as np
import pytest

from tests.bounds import (
    delay_bound_s,
    joint_lag_bound_s,
    projected_bound_s,
    total_lag_bound_s,
)


def launch(t):
    return 15 * (1 - np.exp(-np.maximum(t, 0) / 3))


def times(length_s, rate_hz):
    return np.arange(-1 + 0.5 / rate_hz, length_s - 1, 1 / rate_hz)


@pytest.mark.parametrize(
    ("rate_hz", "sigma", "length_s", "known_ms", "unknown_ms"),
    [
        (5, 0.05, 4, 3.9, 7.4),
        (5, 0.1, 4, 7.9, 14.8),
        (5, 0.05, 10, 3.7, 6.2),
        (5, 0.1, 10, 7.3, 12.3),
        (10, 0.05, 4, 2.8, 5.2),
        (10, 0.1, 4, 5.6, 10.4),
        (10, 0.05, 10, 2.6, 4.4),
        (10, 0.1, 10, 5.2, 8.7),
    ],
)
def test_delay_bound__table_to_its_printed_digits(rate_hz, sigma, length_s, known_ms, unknown_ms):
    t = times(length_s, rate_hz)
    assert 1000 * delay_bound_s(t, launch, sigma, known=True) == pytest.approx(known_ms, abs=0.051)
    # 14.75 is printed as 14.8 there; all others round to the digits shown
    assert 1000 * delay_bound_s(t, launch, sigma) == pytest.approx(unknown_ms, abs=0.055)


@pytest.mark.parametrize(("snr_db", "known_ms", "offset_ms"), [(10, 34, 61), (20, 10.7, 19)])
def test_projected_bound__motion_signal_of_a_short_launch(snr_db, known_ms, offset_ms):
    # The table's second figure is met with the level unknown and the gain known.
    t = times(4, 30)
    sigma = np.std(launch(t)) * 10 ** (-snr_db / 20)
    slope = np.where(t >= 0, 5 * np.exp(-t / 3), 0.0)
    assert 1000 * projected_bound_s(slope, [], sigma) == pytest.approx(known_ms, rel=0.01)
    level = 1000 * projected_bound_s(slope, [np.ones(len(t))], sigma)
    assert level == pytest.approx(offset_ms, abs=0.51)


def test_total_lag_bound__variances_add():
    m, g = times(10, 30), times(10, 10)
    both = total_lag_bound_s(m, 0.3, g, 0.1, launch, launch)
    one, two = delay_bound_s(m, launch, 0.3), delay_bound_s(g, launch, 0.1)
    assert both == pytest.approx(np.hypot(one, two))


def test_delay_bound__constant_speed_tells_nothing():
    assert delay_bound_s(times(4, 10), lambda t: np.full(len(t), 9.0), 0.1, known=True) == np.inf


def _bump(t):
    return np.exp(-((t - 1) ** 2))


def _joint(column, spread):
    return joint_lag_bound_s(
        (0.3, 30.0),
        times(10, 10),
        0.1,
        launch,
        shown_by_smoothing=lambda t: np.exp(-((t - 4) ** 2)),
        shown_by_pitch=column,
        pitch_sigma=spread,
    )


def test_joint_lag_bound__unknowns_cost_what_they_look_like_the_lag():
    plain = delay_bound_s(times(10, 10), launch, np.hypot(0.1, 0.3 / np.sqrt(3)))
    assert _joint(_bump, 0.0) > plain
    # gain and level are unknown anyway, so that more of them costs nothing; a bump does
    assert _joint(launch, 0.5) == pytest.approx(_joint(launch, 0.0), rel=1e-3)
    assert _joint(np.ones_like, 0.5) == pytest.approx(_joint(np.ones_like, 0.0), rel=1e-3)
    assert _joint(_bump, 0.5) > 1.05 * _joint(_bump, 0.0)
