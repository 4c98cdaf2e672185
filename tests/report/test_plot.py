"""The evidence plot: written whole for every state, and its misfit curve says what it should."""

import numpy as np
import pytest
from PIL import Image

from overlay.errors import UsageError
from overlay.motion.model import MotionSignal
from overlay.report.plot import misfit_over_offset, plot_evidence, residuals
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


def test_residuals__no_bend_where_the_receiver_rounds_off() -> None:
    """The log in closed form: a ramp through delay D and a pole tau lags by tau (1 - exp(-t/tau)).

    Ramps up and down at 2, 6, 8 and 10 s add up, the system being linear.
    """
    delay_s, tau_s = 7.0, 0.4
    t_s = np.arange(0.0, 40.0, 0.1)
    logged = np.zeros(len(t_s))
    for bend_s, change in ((2, 2.5), (6, -2.5), (8, -5.0), (10, 5.0)):
        since = np.maximum(t_s - delay_s - bend_s, 0)
        logged += change * (since - tau_s * (1 - np.exp(-since / tau_s)))
    seen_s = np.arange(0.0, 12.0, 1 / 30)
    one = np.ones(len(seen_s))
    clean = MotionSignal(seen_s, one / 30, speed(seen_s) / 8, one, one, 0.5)
    total_s = delay_s + tau_s
    found = Alignment(True, total_s, delay_s=delay_s, smoothing_s=tau_s)
    at_s, rest = residuals(clean, Series("speed_mps", t_s, logged), found)
    assert at_s == pytest.approx(t_s[(t_s >= 7.4) & (t_s <= 7.4 + seen_s[-1])] - total_s)
    assert np.abs(rest).max() < 0.02
    # 0.1 s more of delay at 5 m/s^2 is 0.5 m/s; the stop then comes late in the motion.
    late = Alignment(True, total_s + 0.1, delay_s=delay_s + 0.1, smoothing_s=tau_s)
    at_s, rest = residuals(clean, Series("speed_mps", t_s, logged), late)
    assert np.interp(9.3, at_s, rest) == pytest.approx(0.5, abs=0.05)


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
