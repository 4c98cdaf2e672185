"""The evidence plot: written whole for every state, and its misfit curve says what it should."""

import numpy as np
import pytest
from PIL import Image

from overlay.errors import UsageError
from overlay.motion.model import MotionSignal
from overlay.report.plot import misfit_over_offset, plot_evidence
from overlay.series import Series
from overlay.sync.model import Alignment

LATE_S = 7.3


def speed(t_s: np.ndarray) -> np.ndarray:
    return np.interp(t_s, [2, 6, 8, 10], [0, 10, 10, 0])


def motion(rng: np.random.Generator) -> MotionSignal:
    t_s = np.arange(0.0, 12.0, 1 / 30)
    seen = speed(t_s) / 10 + rng.normal(0, 0.02, len(t_s))
    one = np.ones(len(t_s))
    return MotionSignal(t_s, one / 30, seen, one, 0.02 * one, 0.5)


def log() -> Series:
    t_s = np.arange(0.0, 40.0, 0.1)
    return Series("speed_mps", t_s, speed(t_s - LATE_S))


FOUND = Alignment(True, LATE_S, (LATE_S - 0.02, LATE_S + 0.02), gain_mps=10.0)
SAME_CLOCK = Alignment(True, LATE_S, (7.28, 7.32), 0.0, LATE_S, (7.28, 7.32), gain_mps=10.0)
REFUSED = Alignment(False, reason="the picture never moves")


@pytest.mark.parametrize("alignment", [FOUND, SAME_CLOCK, REFUSED])
def test_plot_evidence__every_state_is_drawn(tmp_path, rng, alignment):
    target = tmp_path / "evidence.png"
    plot_evidence(motion(rng), log(), alignment, target)
    with Image.open(target) as picture:
        pixels = np.asarray(picture.convert("L"))
    assert pixels.shape[1] > 1000
    # The lowest quarter holds the likelihood; it is empty only where there is no answer.
    assert (pixels[-pixels.shape[0] // 4 :] < 128).any() == alignment.determined


def test_plot_evidence__other_suffixes_are_refused(tmp_path, rng):
    with pytest.raises(UsageError, match=r"\.png, \.svg, \.pdf"):
        plot_evidence(motion(rng), log(), FOUND, tmp_path / "evidence.gif")
    assert not list(tmp_path.iterdir())


def test_misfit_over_offset__is_least_at_the_true_offset(rng):
    offsets = np.arange(-30.0, 50.0, 0.1)
    misfit = misfit_over_offset(motion(rng), log(), offsets)
    assert offsets[np.nanargmin(misfit)] == pytest.approx(LATE_S, abs=0.11)
    assert np.nanmin(misfit) < 0.01
    assert misfit[np.argmin(np.abs(offsets - LATE_S - 6))] > 0.5
    # Fewer than half of the pictures within the log: nothing is said.
    assert np.isnan(misfit[offsets < -6.1]).all()
    assert np.isnan(misfit[offsets > 34.1]).all()
