"""The engine's sound in a finished clip against the speed shown: evidence without any picture.

While the drive holds, engine speed is a constant times ground speed. So the course of the engine
speed that is heard tells when the vehicle went how fast, whatever the ratio, the number of
cylinders or the octave. A torque converter, a belt of changing ratio and a slipping clutch break
that, and what they do looks like a lag. So sound counts only where this very clip shows one ratio
for slow and fast, speeding up and slowing down.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from overlay.gauges.imprint import SlowedPart
from overlay.series import Series
from overlay.verify.ground import Pace
from overlay.verify.lag import Fitted, fit_lag, stray_of
from overlay.verify.verdict import Check

EVIDENCE = "engine sound while the drive holds"
EDGE_S = 0.3  # a stretched piece of sound smears into its neighbours
# Of the top engine speed, below which a clutch may slip: the first that shows a drive that holds.
ENGAGED_SHARES = (0.45, 0.7)
ENGAGED_SPEED = 0.35  # of the top speed, likewise
HOLDS = 0.05  # relative stray from one ratio, beyond which the drive does not hold
LEAST_HOLDING, LEAST_BRANCH_S, LEAST_ACCEL_MPS2 = 0.8, 0.5, 0.3
# How much the ratio may differ between slow and fast, and between the strongest push and the
# strongest braking; and how far half a second of it may stray.
MOST_BEND, MOST_SLIP, MOST_STRAY = 0.03, 0.02, 0.008
FREE_BEND, FREE_SQUAT = 0.1, 0.05  # so that a sliding ratio shows as that, not as a lag


def check_sound(path: str | Path, shown: Series, *, slowed: SlowedPart | None = None) -> Check:
    """How late the shown speed is behind the engine heard in the clip.

    Parameters
    ----------
    path : path
        The finished clip.
    shown : Series
        Speed that its ribbon shows, m/s on footage time.
    slowed : SlowedPart, optional
        The section that is shown slower; its sound is left out.
    """
    from overlay.engine.sound_rpm import rpm_from_sound
    from overlay.footage import read_sound

    sound = read_sound(path, mono=True)
    if sound is None:
        return Check(EVIDENCE, reason="the clip has no sound")
    found = rpm_from_sound(sound)
    heard = found.series()
    if heard is None:
        return Check(EVIDENCE, reason=found.note or "no engine is heard")
    if slowed is not None:
        t_s = np.array([slowed.footage_s(float(t)) for t in heard.t_s])
        keep = (t_s < slowed.start_s - EDGE_S) | (t_s > slowed.end_s + EDGE_S)
        sigma = None if heard.sigma is None else heard.sigma[keep]
        heard = Series(heard.name, t_s[keep], heard.values[keep], sigma)
    return check_heard(heard, shown)


def check_heard(heard: Series, shown: Series) -> Check:
    """How late the shown speed is behind an engine speed heard.

    Parameters
    ----------
    heard : Series
        Engine speed, revolutions a minute on footage time, in any octave.
    shown : Series
        Speed shown, m/s on footage time.
    """
    checks = [_checked(heard, shown, share) for share in ENGAGED_SHARES]
    return next((check for check in checks if not check.reason), checks[0])


def _checked(heard: Series, shown: Series, share: float) -> Check:
    """What the engine tells from a share of its top speed on."""
    sigma = np.zeros(len(heard)) if heard.sigma is None else heard.sigma
    span_s = np.full(len(heard), heard.median_step_s)
    fast = heard.values > share * float(np.percentile(heard.values, 98))
    pace = Pace(heard.t_s, span_s, heard.values, sigma).part(fast)
    fitted = Fitted()
    for _ in range(2):
        if len(pace.t_s) * span_s[0] < 2 * LEAST_BRANCH_S:
            return Check(EVIDENCE, reason="the engine is heard for too short a time")
        fitted = fit_lag(pace, shown, bend=FREE_BEND, squat=FREE_SQUAT)
        if fitted.reason:
            return Check(
                EVIDENCE, reason=f"the drive slips, or more than it is heard: {fitted.reason}"
            )
        speed = np.interp(pace.t_s + fitted.lag_s, shown.t_s, shown.values)
        pace = pace.part(speed > ENGAGED_SPEED * float(np.percentile(shown.values, 98)))
    reason = _why_slipping(fitted, float(span_s[0]))
    if reason:
        return Check(EVIDENCE, reason=reason)
    return fitted.check(EVIDENCE, accuses=False)


def _why_slipping(fitted: Fitted, step_s: float) -> str:
    """Why engine and ground speed are not proportional in this clip; empty when they are."""
    t_s, speed, accel, residual = fitted.used
    stray = residual * np.percentile(speed, 98) / np.maximum(speed, 0.1)
    holds = np.abs(stray) < HOLDS
    if holds.mean() < LEAST_HOLDING:
        return (
            f"the drive slips: it holds one ratio for {100 * holds.mean():.0f} % of the time only"
        )
    seconds = [
        step_s * float(np.count_nonzero(holds & (side * accel > LEAST_ACCEL_MPS2)))
        for side in (1, -1)
    ]
    if min(seconds) < LEAST_BRANCH_S:
        what = ("speeding up", "slowing down")[int(np.argmin(seconds))]
        return f"the drive holds for {min(seconds):.1f} s of {what}: too short to rule out slip"
    slip = abs(fitted.squat) * float(np.ptp(np.percentile(accel[holds], [5, 95])))
    if abs(fitted.bend) > MOST_BEND or slip > MOST_SLIP:
        return (
            "the drive slips: its ratio differs by "
            f"{100 * abs(fitted.bend):.0f} % between slow and fast, by {100 * slip:.0f} % "
            "between push and braking"
        )
    wander = stray_of(t_s[holds], stray[holds])
    if wander > MOST_STRAY:
        return f"the drive slips: its ratio varies by {100 * wander:.1f} %"
    return ""
