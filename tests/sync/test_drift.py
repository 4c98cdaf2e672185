"""A logger's clock that runs fast: found, and taken out at both ends of a long clip."""

from __future__ import annotations

import numpy as np

from overlay.series import Series
from overlay.sync.estimate import estimate_offset
from overlay.sync.model import Alignment
from tests.sync.scenes import log_of, motion_of

# Twice what crystal clocks are usually within (common practice, no source).
DRIFT_PPM = 80.0
LENGTH_S = 600.0


# Launches at uneven intervals: even ones would fit one place as well as another.
STARTS_S = np.cumsum(np.tile([5.0, 33.0, 24.0, 41.0, 37.0, 21.0, 38.0, 23.0], 3))[:21]


def launches(t: np.ndarray) -> np.ndarray:
    """Launches to about 10 m/s, each with a stop."""
    speed = np.zeros(np.shape(t))
    for start_s in STARTS_S:
        gone = np.asarray(t) - start_s
        pulling = 11 * (1 - np.exp(-np.clip(gone, 0, None) / 3))
        speed += pulling * np.clip(1 - (gone - 10) / 3, 0, 1)
    return speed


def test_drift__of_a_fast_clock_is_found_and_taken_out() -> None:
    rng = np.random.default_rng(8)
    motion = motion_of(launches, rng, length_s=LENGTH_S)
    true = log_of(launches, rng, start_s=-20, end_s=LENGTH_S + 20, delay_s=0.6, smoothing_s=0.3)
    # The clock agrees with the footage's in the middle of the clip.
    fast = Series(true.name, true.t_s + 1e-6 * DRIFT_PPM * (true.t_s - LENGTH_S / 2), true.values)

    found = estimate_offset(motion, fast, same_clock=False)

    assert found.determined
    assert abs(found.drift_ppm - DRIFT_PPM) < 40  # the clocks are held to agree within about 40
    left = found.steadied(fast).t_s - found.total_offset_s - (true.t_s - 0.9)
    # Untreated, each end would be wrong by 80e-6 * 300 s = 24 ms.
    assert np.abs(left).max() < 0.012


def test_steadied__leaves_a_log_alone_when_no_drift_was_estimated() -> None:
    log = Series("speed_mps", np.arange(5.0), np.arange(5.0))
    assert Alignment(True, 0.5, (0.4, 0.6)).steadied(log) is log
