"""The lag of a shown speed behind a pace of unknown scale, and how far its interval holds."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.stats import multivariate_normal

from overlay.series import Series
from overlay.verify import check_motion
from overlay.verify.ground import Pace
from overlay.verify.lag import _lasting, _whitened, fit_lag, stray_of

RATE_HZ = 30.0


def course(t_s: np.ndarray) -> np.ndarray:
    """Rest, a launch, a top speed, a stop, rest; m/s, rounded as tyres and clutches do."""
    sharp = np.interp(t_s, [0, 2, 4, 6.5, 8, 10.2, 12], [0, 0, 7, 11, 11, 0, 0])
    return gaussian_filter1d(sharp, 0.1 / (t_s[1] - t_s[0]))


FINE_S = np.arange(-1, 13, 0.002)
TRUTH = course(FINE_S)


def pace_of_course(
    rng: np.random.Generator, *, until_s: float = 12.0, noise: float = 0.02, squat: float = 0.0
) -> Pace:
    """What a camera 0.8 m high measures: white noise and slow noise of a half of that."""
    t_s = np.arange(0.2, until_s, 1 / RATE_HZ)
    speed = np.interp(t_s, FINE_S, TRUTH)
    accel = np.interp(t_s, FINE_S, np.gradient(TRUTH, FINE_S))
    slow = gaussian_filter1d(rng.normal(size=len(t_s)), 8)
    slow *= noise / 4 / slow.std()
    rate = speed * (1 + squat * accel) + 11 * (noise * rng.normal(size=len(t_s)) + slow)
    return Pace(t_s, np.full(len(t_s), 1 / RATE_HZ), rate / 0.8, np.full(len(t_s), 0.1))


def shown_late(late_s: float, rng: np.random.Generator | None = None) -> Series:
    """The true speed, late, with the slow error of 0.03 m/s of a corrected one."""
    t_s = np.arange(0.0, 12.0, 1 / RATE_HZ)
    error = np.zeros(len(t_s))
    if rng is not None:
        error = gaussian_filter1d(rng.normal(size=len(t_s)), 7)
        error *= 0.03 / error.std()
    speed = np.interp(t_s - late_s, FINE_S, TRUTH)
    return Series("speed_mps", t_s, np.maximum(speed + error * (speed > 0), 0))


@pytest.mark.parametrize("late_s", [-0.5, -0.08, 0.0, 0.04, 0.95, 2.5])
def test_fit_lag__positive_is_late(rng, late_s):
    fitted = fit_lag(pace_of_course(rng, noise=0.005), shown_late(late_s))
    assert not fitted.reason
    assert fitted.lag_s == pytest.approx(late_s, abs=0.012)
    assert abs(fitted.lag_s - late_s) < fitted.half_s < 0.06


def test_fit_lag__whatever_the_scale(rng):
    pace = pace_of_course(rng)
    tall = Pace(pace.t_s, pace.span_s, 7 * pace.rate, 7 * pace.sigma)
    one, other = (fit_lag(p, shown_late(0.1)) for p in (pace, tall))
    assert one.lag_s == pytest.approx(other.lag_s, abs=1e-6)
    assert one.half_s == pytest.approx(other.half_s, rel=1e-6)


def test_fit_lag__interval_covers_as_often_as_it_says():
    """95 % meant; 24 draws of binomial spread leave 83 to 100 %."""
    holds = []
    for k in range(24):
        rng = np.random.default_rng([4, k])
        fitted = fit_lag(pace_of_course(rng), shown_late(0.03, rng))
        holds.append(abs(fitted.lag_s - 0.03) <= fitted.half_s)
    assert 0.83 <= np.mean(holds) <= 1.0


def test_fit_lag__a_lone_launch_allows_for_what_looks_like_a_lag(rng):
    """Of a launch alone, a gain that follows speed or acceleration cannot be told from a lag."""
    whole = fit_lag(pace_of_course(rng, noise=0.005), shown_late(0.0))
    alone = fit_lag(pace_of_course(rng, noise=0.005, until_s=6.0), shown_late(0.0))
    assert alone.half_s > 1.5 * whole.half_s


@pytest.mark.parametrize("squat", [0.0, 0.01, -0.03])
def test_fit_lag__springs_are_not_taken_for_a_lag(squat):
    """A gain that follows acceleration, as pitch leaves it, by 0.01 or 0.03 for each m/s²."""
    fits = [
        fit_lag(pace_of_course(rng, squat=squat, noise=0.005), shown_late(0.0, rng))
        for rng in map(np.random.default_rng, range(8))
    ]
    assert np.mean([fitted.squat for fitted in fits]) == pytest.approx(squat, abs=0.0015)
    assert abs(np.mean([fitted.lag_s for fitted in fits])) < 0.006
    assert sum(abs(fitted.lag_s) < fitted.half_s for fitted in fits) >= 7


def test_check_motion__refuses_what_alignment_refuses(rng):
    t_s = np.arange(0.0, 12.0, 1 / RATE_HZ)
    steady = Series("speed_mps", t_s, 8 + 0.5 * np.sin(t_s))
    other = Series("speed_mps", t_s, 5 + 4 * np.sin(2.1 * t_s))
    pace = pace_of_course(rng)
    still = Pace(pace.t_s, pace.span_s, 0.05 * rng.normal(size=len(pace.t_s)), pace.sigma)
    blind = Pace(pace.t_s, pace.span_s, pace.rate, pace.sigma, "too dark")
    for tried, shown, word in (
        (pace, steady, "stays between"),
        (pace, other, ""),
        (still, shown_late(0.0), ""),
        (blind, shown_late(0.0), "too dark"),
    ):
        check = check_motion(tried, shown, evidence="corners")
        assert check.residual_lag_s is None
        assert check.reason and word in check.reason
        assert check.outcome == "cannot tell"


def test_check_motion__episodes_of_wrong_motion_are_no_evidence(rng):
    """A car ahead that fills the picture for two seconds, as on a street."""
    pace = pace_of_course(rng)
    rate = np.where((pace.t_s > 5) & (pace.t_s < 7), 0.8, 1.0) * pace.rate
    check = check_motion(
        Pace(pace.t_s, pace.span_s, rate, pace.sigma), shown_late(0.0), evidence="corners"
    )
    assert check.outcome in ("cannot tell", "weak proof")


def test_stray__is_that_of_the_medians_of_half_seconds():
    """Half seconds at 0.03, -0.01 and 0.02, one value in each astray: rms of these three."""
    t_s = 7.0 + np.arange(45) / RATE_HZ
    share = np.repeat([0.03, -0.01, 0.02], 15)
    share[::15] = 5.0
    assert stray_of(t_s, share) == pytest.approx(np.sqrt((0.0009 + 0.0001 + 0.0004) / 3))


def test_whitened__is_the_inverse_of_the_whole_covariance(rng):
    """Against the dense covariance and scipy's normal density.

    What lasts is correlated as Wendland (1995, Adv. Comput. Math. 4:389) has it, (1 - r)^4 (4r + 1)
    of the time apart over 0.8 s for the speed shown and 0.5 s for the motion, scaled by the sizes
    at both instants.
    """
    t_s = np.cumsum(rng.uniform(0.03, 0.05, 60))
    sizes = 2.0 + rng.uniform(size=60), 5.0 + np.arange(60) / 10
    variance, drift = rng.uniform(0.5, 2.0, 60), (0.3, 0.05)
    dense = np.diag(variance)
    for length_s, size, sigma in zip((0.8, 0.5), sizes, drift, strict=True):
        r = np.minimum(np.abs(t_s[:, None] - t_s) / length_s, 1.0)
        dense += sigma**2 * np.outer(size, size) * (1 - r) ** 4 * (4 * r + 1)
    columns = rng.normal(size=(60, 3))
    white, told = _whitened(columns, variance, _lasting(t_s, sizes), drift)
    np.testing.assert_allclose(white.T @ white, columns.T @ np.linalg.solve(dense, columns))
    known = multivariate_normal(np.zeros(60), dense).logpdf(columns[:, -1])
    assert told == pytest.approx(-2 * known - 60 * np.log(2 * np.pi))


def test_fit_lag__measures_the_way_between_the_pictures(rng):
    """Pairs of pictures 0.4 s apart in a launch: a mean over the pair, laid at its middle."""
    t_s = np.arange(0.4, 11.6, 0.05)
    fine = np.cumsum(TRUTH) * 0.002
    ends = [np.interp(t_s + side, FINE_S, fine) for side in (-0.2, 0.2)]
    pace = Pace(t_s, np.full(len(t_s), 0.4), (ends[1] - ends[0]) / 0.4, np.full(len(t_s), 0.01))
    fitted = fit_lag(pace, shown_late(0.2))
    assert fitted.lag_s == pytest.approx(0.2, abs=0.004)
    assert (fitted.bend, fitted.squat) == (pytest.approx(0.0, abs=2e-3), pytest.approx(0, abs=1e-4))
    known_s, speed, accel, left = fitted.used
    np.testing.assert_allclose(known_s, t_s[: len(known_s)])
    np.testing.assert_allclose(speed, 0.4**-1 * (ends[1] - ends[0])[: len(known_s)], atol=0.02)
    slope = np.interp(t_s, FINE_S, gaussian_filter1d(np.gradient(TRUTH, FINE_S), 75))
    assert np.max(np.abs(accel - slope[: len(known_s)])) < 0.1
    assert np.max(np.abs(left)) < 2e-3
