"""The engine's sound in a finished clip against the speed shown: evidence without any picture.

While the clutch holds, engine speed is a constant times ground speed. So the course of the engine
speed that is heard tells when the vehicle went how fast, whatever the ratio, the number of
cylinders or the octave.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from overlay.gauges.imprint import SlowedPart
from overlay.series import Series
from overlay.verify.verdict import Check

EVIDENCE = "engine sound while the clutch holds"
SEARCH_S = (-2.0, 4.0)
EDGE_S = 0.3  # a stretched piece of sound smears into its neighbours


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
    from overlay.engine.clock_speed import rpm_clock_offset_from_speed
    from overlay.engine.sound_rpm import rpm_from_sound
    from overlay.footage import read_sound

    sound = read_sound(path, mono=True)
    if sound is None:
        return Check(EVIDENCE, True, reason="the clip has no sound")
    found = rpm_from_sound(sound)
    heard = found.series()
    if heard is None:
        return Check(EVIDENCE, True, reason=found.note or "no engine is heard")
    if slowed is not None:
        heard = _unslowed(heard, slowed)
    clock = rpm_clock_offset_from_speed(shown.t_s, shown.values, heard)
    if not clock.determined or clock.offset_s is None or clock.interval_s is None:
        return Check(EVIDENCE, True, reason=clock.reason)
    # What is heard at t + offset belongs to what is shown at t.
    lag_s, (low, high) = -clock.offset_s, clock.interval_s
    if not SEARCH_S[0] <= lag_s <= SEARCH_S[1]:
        reason = f"the engine heard follows the shown speed only {lag_s:+.1f} s apart"
        return Check(EVIDENCE, True, reason=reason)
    return Check(EVIDENCE, True, lag_s, (-high, -low))


def _unslowed(heard: Series, slowed: SlowedPart) -> Series:
    """Engine speed on footage time, without the section whose sound was stretched or muted."""
    t_s = np.array([slowed.footage_s(float(t)) for t in heard.t_s])
    keep = (t_s < slowed.start_s - EDGE_S) | (t_s > slowed.end_s + EDGE_S)
    sigma = None if heard.sigma is None else heard.sigma[keep]
    return replace(heard, t_s=t_s[keep], values=heard.values[keep], sigma=sigma)
