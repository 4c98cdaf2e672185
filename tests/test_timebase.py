"""Exact frame times, against the drop-frame relation of SMPTE ST 12-1."""

from fractions import Fraction

import numpy as np
import pytest

from overlay.errors import InputError
from overlay.timebase import FrameTimes


def drop_frame_label(frame: int) -> str:
    """SMPTE drop-frame label of a frame at 30000/1001 Hz (two labels skipped each minute)."""
    tens, rest = divmod(frame, 17982)
    frame += 18 * tens + 2 * max(0, (rest - 2) // 1798)
    seconds, frames = divmod(frame, 30)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours:02d}:{minutes:02d}:{seconds:02d};{frames:02d}"


@pytest.mark.parametrize(
    ("frame", "label"),
    [(1800, "00:01:00;02"), (17982, "00:10:00;00"), (107892, "01:00:00;00")],
)
def test_seconds__drop_frame_label_keeps_step_with_true_time(frame, label):
    assert drop_frame_label(frame) == label
    times = FrameTimes(np.array([0, frame * 1001]), Fraction(1, 30000)).seconds
    assert times[1] == pytest.approx(frame * 1001 / 30000, abs=1e-9)
    hours, minutes, rest = label.replace(";", ":").split(":", 2)
    seconds, frames = rest.split(":")
    shown_s = int(hours) * 3600 + int(minutes) * 60 + int(seconds) + int(frames) / 30
    # Two dropped labels a minute keep the label within two frames of true time.
    assert abs(times[1] - shown_s) < 0.11


def test_seconds__variable_frames_are_not_a_number_over_a_rate():
    times = FrameTimes(np.array([100, 140, 160, 260]), Fraction(1, 1000))
    assert times.seconds.tolist() == [0.0, 0.04, 0.06, 0.16]
    assert times.is_variable


def test_is_variable__one_tick_of_rounding_is_constant():
    pts = np.round(np.arange(90) * 1000 / 29.97).astype(np.int64)
    assert not FrameTimes(pts, Fraction(1, 1000)).is_variable


def test_frame_times__must_increase():
    with pytest.raises(InputError, match="increase"):
        FrameTimes(np.array([0, 2, 1]), Fraction(1, 30))
    with pytest.raises(InputError, match="positive"):
        FrameTimes(np.array([0, 1]), Fraction(0))
