"""Real streets: a right log is answered truly, a wrong one refused.

The drive is KITTI odometry sequence 03 (Geiger, Lenz and Urtasun, CVPR 2012), its speed from RTK
GPS and inertial poses.
"""

import numpy as np
import pytest

from overlay.sync.estimate import estimate_offset
from tests.benchmarks.accuracy.street import CLOCK_S, Window, clip_of, film_of, log_of, truth

pytestmark = pytest.mark.skipif(
    not clip_of("street").is_file(), reason="needs ../shared/data/street"
)
WINDOW = Window("street", 4.0, 24.0)


@pytest.fixture(scope="module")
def motion():
    return film_of(WINDOW).motion


def test_street__motion_is_in_proportion_to_speed(motion) -> None:
    t_s, speed = truth("street")
    good = motion.quality > 0
    gain = motion.forward[good] / np.interp(motion.t_s[good], t_s, speed)
    assert good.mean() > 0.9
    # The truth itself scatters by 1.3 % from picture to picture.
    assert np.std(gain) / np.mean(gain) < 0.035
    assert np.corrcoef(motion.forward[good], np.interp(motion.t_s[good], t_s, speed))[0, 1] > 0.98


def test_street__camera_as_calibrated(motion) -> None:
    """Focal length 718.9 pixels of 1242 (calibration of the data, from memory): 81.6 degrees."""
    value, low, high = motion.camera.angle_of_view_deg()
    assert low < 81.6 < high
    assert high - low < 20
    assert value == pytest.approx(81.6, abs=7)
    # It is mounted level, looking ahead.
    assert abs(motion.camera.down_deg) < 2
    assert abs(motion.camera.left_deg) < 2


def test_street__right_log(motion) -> None:
    log = log_of(WINDOW, lag_s=(0.6, 0.3), rate_hz=10.0, rng=np.random.default_rng(1))
    found = estimate_offset(motion, log)
    assert found.determined
    low, high = found.interval_s
    assert low < CLOCK_S + 0.9 < high
    assert high - low < 0.4
    assert abs(found.total_offset_s - CLOCK_S - 0.9) < 0.1


def test_street__backward_log_is_refused(motion) -> None:
    log = log_of(
        WINDOW,
        lag_s=(0.6, 0.3),
        rate_hz=10.0,
        rng=np.random.default_rng(2),
        when=lambda t: 28.0 - t,
    )
    assert not estimate_offset(motion, log).determined


def test_street__short_log_is_refused_for_what_it_lacks(motion) -> None:
    log = log_of(
        Window("street", 5.5, 5.6), lag_s=(0.3, 0.0), rate_hz=10.0, rng=np.random.default_rng(3)
    )
    found = estimate_offset(motion, log)
    assert not found.determined
    assert "covers only" in (found.reason or "")


def test_street__log_whose_clock_runs_fast_is_refused(motion) -> None:
    log = log_of(
        WINDOW,
        lag_s=(0.6, 0.3),
        rate_hz=10.0,
        rng=np.random.default_rng(4),
        when=lambda t: 14.0 + 1.05 * (t - 14.0),
    )
    assert not estimate_offset(motion, log).determined
