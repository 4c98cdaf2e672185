"""The engine's sound against a speed: counted only where the drive holds one ratio."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from overlay.series import Series
from overlay.verify.heard import _why_slipping, check_heard, check_sound
from overlay.verify.lag import Fitted
from tests.clips import make_clip
from tests.demo_runs import ready_runs
from tests.verify.test_lag import FINE_S, TRUTH, shown_late

STEP_S = 0.02
T_S = np.arange(0.5, 11.5, STEP_S)
SPEED = np.interp(T_S, FINE_S, TRUTH)
ACCEL = np.interp(T_S, FINE_S, np.gradient(TRUTH, FINE_S))


def heard(revs: np.ndarray, rng: np.random.Generator) -> Series:
    """Engine speed with an idle below, and hearing to 0.3 %."""
    noisy = np.maximum(revs, 900.0) * (1 + 0.003 * rng.normal(size=len(T_S)))
    return Series("engine_rpm", T_S, noisy, np.full(len(T_S), 12.0))


@pytest.mark.parametrize("octave", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("late_s", [0.0, 0.25])
def test_check_heard__finds_the_lag_in_any_octave(rng, late_s, octave):
    check = check_heard(heard(octave * 450 * SPEED, rng), shown_late(late_s, rng))
    assert check.interval_s is not None, check.reason
    assert check.interval_s[0] <= late_s <= check.interval_s[1]
    assert check.half_s < 0.1


SLIPPING = {
    "torque converter": np.hypot(450 * SPEED, 2200 * np.sqrt(np.maximum(ACCEL + 0.5, 0) / 4)),
    "slipping clutch": 450 * SPEED * (1 + 0.12 * np.clip(ACCEL, 0, 3) / 3),
    "belt of changing ratio": 5000 * (SPEED / SPEED.max()) ** 0.5,
    "belt that shifts back late": 450 * SPEED * (1 + 0.08 * gaussian_filter1d(np.sign(ACCEL), 15)),
    "octave that jumps": 450 * SPEED * np.where((T_S // 1.7).astype(int) % 2, 1.0, 0.5),
    "music": np.repeat([1760.0, 2640.0, 2200.0, 1980.0, 2640.0], 110),
}


@pytest.mark.parametrize("drive", SLIPPING)
def test_check_heard__a_sliding_ratio_has_no_vote(rng, drive):
    check = check_heard(heard(SLIPPING[drive], rng), shown_late(0.0, rng))
    assert check.residual_lag_s is None
    assert "slips" in check.reason


def test_check_heard__never_accuses_by_itself(rng):
    """A sound track may be late itself."""
    check = check_heard(heard(450 * SPEED, rng), shown_late(0.9, rng))
    assert check.residual_lag_s == pytest.approx(0.9, abs=0.05)
    assert check.outcome == "weak proof"


def test_check_heard__speeding_up_alone_is_not_enough(rng):
    revs = np.where(T_S < 8.2, 450 * SPEED, 900.0)
    assert check_heard(heard(revs, rng), shown_late(0.0, rng)).residual_lag_s is None


def test_check_sound__says_why_it_cannot_tell(tmp_path):
    t_s = np.arange(0, 3, 0.1)
    shown = Series("speed_mps", t_s, 3 * t_s)
    silent = make_clip(tmp_path / "a.mp4", size=(128, 96), seconds=3.0, audio=0)
    assert check_sound(silent, shown).reason == "the clip has no sound"
    steady = Series("speed_mps", t_s, np.full(len(t_s), 8.0))
    assert check_sound(ready_runs()[0].clip, steady).reason


def used(stray: np.ndarray, *, n_up: int = 100, n_down: int = 60, accel: float = 2.0) -> np.ndarray:
    """Values of 50 a second: time, speed and acceleration shown, and what the fit leaves.

    `stray` is the relative one, half of the values at half of the top speed.
    """
    n = n_up + n_down
    speed = np.where(np.arange(n) % 2, 10.0, 5.0)
    rates = np.r_[np.full(n_up, accel), np.full(n_down, -accel)]
    return np.stack([np.arange(n) * STEP_S, speed, rates, stray * speed / 10.0])


@pytest.mark.parametrize(
    ("fitted", "said"),
    [
        (Fitted(used=used(np.zeros(160))), ""),
        # Every fourth value strays by 6 %; every third by 4 %, which is no slip.
        (Fitted(used=used(0.06 * (np.arange(160) % 4 == 0))), "for 75 % of the time only"),
        (Fitted(used=used(0.04 * (np.arange(160) % 3 == 0))), ""),
        (Fitted(used=used(np.zeros(160), n_up=140, n_down=20)), "holds for 0.4 s of slowing down"),
        (Fitted(used=used(np.zeros(160), n_up=24, n_down=136)), "0.5 s of speeding up: too short"),
        (Fitted(used=used(np.zeros(160), n_up=135, n_down=25)), ""),
        (Fitted(used=used(np.zeros(160), accel=0.29)), "0.0 s of speeding up"),
        # A ratio that bends by 4 %; 0.006 for each m/s² over 4 m/s² are 2.4 %, 0.004 are 1.6 %.
        (Fitted(bend=-0.04, used=used(np.zeros(160))), "by 4 % between slow and fast, by 0 %"),
        (Fitted(squat=-0.006, used=used(np.zeros(160))), "by 2 % between push and braking"),
        (Fitted(bend=0.029, squat=0.0049, used=used(np.zeros(160))), ""),
        (Fitted(used=used(np.repeat([0.009, -0.009], 80))), "its ratio varies by 0.9 %"),
        (Fitted(used=used(np.repeat([0.007, -0.007], 80))), ""),
    ],
)
def test_why_slipping__by_its_limits(fitted, said):
    found = _why_slipping(fitted, STEP_S)
    assert said in found
    assert bool(found) == bool(said)
