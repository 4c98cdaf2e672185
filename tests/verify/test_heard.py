"""The engine's sound in a clip against a speed of known lag."""

import numpy as np
import pytest

from overlay.series import Series
from overlay.verify.heard import check_sound
from tests.clips import make_clip
from tests.demo_runs import ready_runs

RUN = ready_runs()[0]


@pytest.mark.parametrize("late_s", [0.0, 0.25])
def test_check_sound__finds_the_lag_of_the_speed_shown(late_s):
    t_s = np.arange(0.5, float(RUN.truth.t_s[-1]) - 0.5, 1 / 30)
    shown = Series("speed_mps", t_s, np.interp(t_s - late_s, RUN.truth.t_s, RUN.truth.speed_mps))
    found = check_sound(RUN.clip, shown)
    assert found.independent
    assert found.interval_s is not None, found.reason
    low, high = found.interval_s
    assert low <= late_s <= high
    assert high - low < 0.12


def test_check_sound__says_why_it_cannot_tell(tmp_path):
    t_s = np.arange(0, 3, 0.1)
    shown = Series("speed_mps", t_s, 3 * t_s)
    silent = make_clip(tmp_path / "a.mp4", size=(128, 96), seconds=3.0, audio=0)
    assert check_sound(silent, shown).reason == "the clip has no sound"
    assert check_sound(RUN.clip, Series("speed_mps", t_s, np.full(len(t_s), 8.0))).reason
