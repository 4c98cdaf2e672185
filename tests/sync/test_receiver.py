import numpy as np
import pytest
from scipy.signal import lfilter

from overlay.errors import UsageError
from overlay.sync.receiver import apply_receiver


def test_apply_receiver__steady_ramp_reads_a_times_total_low():
    # First-order system theory: the ramp error is a (D + tau); worked by hand for 3 m/s^2.
    t = np.linspace(0.0, 20.0, 401)
    shown = apply_receiver(t, 3 * t, delay_s=0.5, smoothing_s=0.3, at_s=np.array([18.0]))
    assert 3 * 18.0 - shown[0] == pytest.approx(2.40, abs=1e-9)


def test_apply_receiver__step_reaches_63_percent_after_tau():
    # 1 - 1/e after one time constant: any control handbook.
    t = np.array([0.0, 1.0, 1.0 + 1e-9, 5.0])
    at = np.array([1.0 + 0.2 + 0.3])
    shown = apply_receiver(t, np.array([0.0, 0.0, 1.0, 1.0]), delay_s=0.2, smoothing_s=0.3, at_s=at)
    assert shown[0] == pytest.approx(1 - np.exp(-1), abs=1e-6)


def test_apply_receiver__equals_its_discrete_one_pole_on_held_input():
    step, tau = 0.1, 0.3
    alpha = 1 - np.exp(-step / tau)  # the impulse-invariant equivalent of the pole
    x = np.concatenate([np.zeros(5), np.ones(40)])
    t = np.arange(len(x)) * step
    held_t = np.stack([t, t + step - 1e-9], axis=1).ravel()
    held_x = np.repeat(x, 2)
    shown = apply_receiver(held_t, held_x, delay_s=0.0, smoothing_s=tau, at_s=t[1:])
    discrete = lfilter([alpha], [1, -(1 - alpha)], x)  # scipy as the outside reference
    assert np.allclose(shown, discrete[:-1], atol=1e-6)


def test_apply_receiver__no_smoothing_is_a_pure_delay():
    t = np.linspace(0, 10, 101)
    shown = apply_receiver(t, np.sin(t), delay_s=1.5, smoothing_s=0.0, at_s=np.array([5.0]))
    assert shown[0] == pytest.approx(np.sin(3.5), abs=1e-3)


def test_apply_receiver__denser_samples_of_a_line_change_nothing():
    coarse, dense = np.array([0.0, 4.0, 9.0]), np.linspace(0, 9, 91)
    values = np.array([0.0, 8.0, 3.0])
    at = np.linspace(0, 10, 37)
    options = {"delay_s": 0.3, "smoothing_s": 0.5, "at_s": at}
    one = apply_receiver(coarse, values, **options)
    two = apply_receiver(dense, np.interp(dense, coarse, values), **options)
    assert np.allclose(one, two, atol=1e-12)


def test_apply_receiver__negative_smoothing_refused():
    with pytest.raises(UsageError, match="negative"):
        apply_receiver(np.zeros(1), np.zeros(1), delay_s=0, smoothing_s=-1, at_s=np.zeros(1))
