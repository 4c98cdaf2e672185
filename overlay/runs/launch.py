"""The instant at which the vehicle starts to move.

It is the corner at which rest ends in the fitted motion, not the crossing of a threshold: a
threshold u is crossed u / a late, 33 ms at 0.1 m/s and 3 m/s^2, and a gentle start later still.
"""

from __future__ import annotations

import numpy as np

from overlay.runs.model import Kinematics, Launch
from overlay.runs.tuning import REST
from overlay.timebase import FloatArray
from overlay.units import ROLLOUT_M

_ONSET_SIGMA_S = 0.05
_CREEP_FACTOR = 2.0
_CREEP_MARGIN_S = 0.4


def find_launch(
    kinematics: Kinematics,
    *,
    motion_onset_s: float | None = None,
    motion_onset_sigma_s: float | None = None,
    motion_onset_soft_sigma_s: float = 0.0,
) -> Launch | None:
    """Find the launch, or nothing when the record starts while moving or never moves.

    Parameters
    ----------
    kinematics : Kinematics
        Corrected motion; the smoother's own end of rest is used where it has one, else the line
        ``v = a (t - t0)`` fitted to the first metres a second and carried back to v = 0.
    motion_onset_s, motion_onset_sigma_s : float, optional
        Footage time at which the picture starts to move, and its standard uncertainty (default
        0.05 s). It is combined by inverse variance (JCGM 100:2008, 4.2 and 5.1.2) where the two
        agree within three standard deviations, the lag's uncertainty included; otherwise the
        sigma is widened to span both.
    motion_onset_soft_sigma_s : float
        The part of the onset's uncertainty that is common to the vehicle's starts. That of the
        log's corner is common to them as a whole: on simulated carts the corner comes 0.02 s
        early to 0.24 s late as the throttle opens in 0.12 s to 1.0 s, and scatters by a tenth of
        its sigma about that (tests/benchmarks/accuracy/days.py).
    """
    corner = _corner(kinematics)
    if corner is None:
        return None
    at_s, sigma_s = corner
    share = 0.0
    soft_s = sigma_s  # the log's corner moves with how softly the vehicle sets off
    if motion_onset_s is not None:
        seen = max(motion_onset_sigma_s or _ONSET_SIGMA_S, 1e-4)
        logged = max(float(np.hypot(sigma_s, kinematics.timing_sigma_s)), 1e-4)
        share = logged**2 / (logged**2 + seen**2)
        apart = motion_onset_s - at_s
        at_s += share * apart
        sigma_s = float(np.hypot((1 - share) * sigma_s, share * seen))
        if abs(apart) > 3 * np.hypot(logged, seen):
            sigma_s = max(sigma_s, abs(apart) / 2)
        soft_s = min(
            float(np.hypot(share * motion_onset_soft_sigma_s, (1 - share) * soft_s)), sigma_s
        )
    covered = kinematics.distance_m - np.interp(at_s, kinematics.t_s, kinematics.distance_m)
    rollout_at_s = first_crossing(kinematics.t_s, covered, ROLLOUT_M, at_s)
    return Launch(at_s, sigma_s, rollout_at_s, share, soft_s)


def is_creeping(kinematics: Kinematics, launch: Launch) -> bool:
    """Whether the vehicle crept before it pulled away.

    It takes the rollout distance at the best acceleration of the next three seconds as what a
    clean start needs, sqrt(2 * 0.3048 / a); more than twice that and 0.4 s more is a creep
    (chosen so that an even acceleration and a clutch taking up over 0.5 s are none).
    """
    if launch.rollout_at_s is None:
        return False
    after = (kinematics.t_s >= launch.at_s) & (kinematics.t_s <= launch.rollout_at_s + 3.0)
    best = float(np.max(kinematics.accel_mps2[after], initial=0.0))
    if best <= 0:
        return False
    clean_s = float(np.sqrt(2 * ROLLOUT_M / best))
    taken_s = launch.rollout_at_s - launch.at_s
    return taken_s > _CREEP_FACTOR * clean_s + _CREEP_MARGIN_S


def _corner(kinematics: Kinematics) -> tuple[float, float] | None:
    """End of rest and its sigma: the smoother's, or that of the fitted line."""
    if kinematics.launch_s is not None:
        return kinematics.launch_s, kinematics.launch_sigma_s or 0.0
    t, v = kinematics.t_s, kinematics.speed_mps
    if len(v) < 3 or v[0] > REST.speed_mps:
        return None
    noise = float(np.median(kinematics.speed_sigma_mps))
    low, high = max(0.02, 2 * noise), max(1.0, 10 * noise)
    if float(np.max(v)) < high:
        return None
    top = int(np.argmax(v > high))
    below = np.flatnonzero(v[:top] <= low)
    if not len(below):
        return None
    first = int(below[-1]) + 1
    return _carried_back(t[first : top + 1], v[first : top + 1], noise)


def _carried_back(t: FloatArray, v: FloatArray, noise: float) -> tuple[float, float] | None:
    """Where the parabola t(v) = t0 + v / a + c v^2 meets v = 0, with its sigma."""
    if len(t) < 2:
        return float(t[0]), 0.0
    fit = np.polynomial.polynomial.polyfit(v, t, min(2, len(t) - 1))
    residual = np.std(t - np.polynomial.polynomial.polyval(v, fit))
    return float(fit[0]), float(np.hypot(noise * fit[1], residual))


def first_crossing(t: FloatArray, course: FloatArray, value: float, from_s: float) -> float | None:
    """First time from `from_s` on at which the course reaches the value, between grid points."""
    over = np.flatnonzero((t >= from_s) & (course >= value))
    if not len(over):
        return None
    i = int(over[0])
    if i == 0 or course[i] == value or course[i - 1] >= value:
        return float(t[i])
    share = (value - course[i - 1]) / (course[i] - course[i - 1])
    return float(t[i - 1] + share * (t[i] - t[i - 1]))
