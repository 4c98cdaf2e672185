"""Everything that spoiled part of a run, as marks with a sentence each."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from overlay.engine.driveline import Driveline
from overlay.engine.events import Event, Ground, lifts, limiter_cuts, wheel_events
from overlay.runs.launch import is_creeping
from overlay.runs.model import Kinematics, Launch, Mark
from overlay.series import Series, stretches

_LATE_S = 1.0
_BRAKE_MPS2 = 0.8
_STILL_FAST = 0.8  # of the top speed: below it a foot off the brake is no pull any more


def find_marks(
    kinematics: Kinematics,
    launch: Launch | None,
    *,
    rpm: Series | None = None,
    driveline: Driveline | None = None,
) -> tuple[Mark, ...]:
    """Find what spoiled a run, in order of time.

    Parameters
    ----------
    launch : Launch or None
        Without one only gaps are looked for.
    rpm : Series, optional
        Engine speed on footage time.
    driveline : Driveline, optional
        Needed for wheelspin and clutch slip; its limiter is used where it has one.
    """
    start_s = float(kinematics.t_s[0]) if launch is None else launch.at_s
    end_s = run_end_s(kinematics, start_s)
    marks = _gaps(kinematics, start_s, end_s)
    if launch is not None:
        if is_creeping(kinematics, launch) and launch.rollout_at_s is not None:
            text = f"Creeps: the first 0.3048 m take {launch.rollout_at_s - start_s:.2f} s."
            marks.append(Mark("creeping launch", start_s, launch.rollout_at_s, text))
        ground = _ground(kinematics)
        events: list[Event] = list(lifts(ground, launch_s=start_s, end_s=end_s, rpm=rpm))
        if rpm is not None and len(rpm) >= 8:
            limit = None if driveline is None else driveline.limiter_rpm
            events += limiter_cuts(rpm, launch_s=start_s, end_s=end_s, limiter_rpm=limit)
            if driveline is not None:
                events += wheel_events(ground, rpm, driveline, launch_s=start_s, end_s=end_s)
        marks += [_mark(event) for event in events]
    return tuple(sorted(marks, key=lambda mark: (mark.start_s, mark.kind)))


def find_heard_cuts(
    kinematics: Kinematics, launch: Launch | None, heard: Series
) -> tuple[Mark, ...]:
    """Limiter cuts in engine speed that was heard in the clip's sound.

    The limit is taken from the run itself: what is heard of a bounce's upper end lies a little
    below the level at which the ignition cuts. Without a launch nothing is looked for.
    """
    if launch is None or len(heard) < 8:
        return ()
    end_s = run_end_s(kinematics, launch.at_s)
    cuts = limiter_cuts(heard, launch_s=launch.at_s, end_s=end_s)
    return tuple(
        replace(mark, detail=mark.detail.replace("revs", "revs heard")) for mark in map(_mark, cuts)
    )


def run_end_s(kinematics: Kinematics, from_s: float) -> float:
    """Footage time at which the run is over: the driver brakes or rolls out for good.

    It is the last instant from which the speed falls to less than half without recovering;
    the end of the record where it never does.
    """
    k = kinematics
    after = np.flatnonzero(k.t_s >= from_s)
    if not len(after):
        return from_s
    top = int(after[np.argmax(k.speed_mps[after])])
    slow = np.flatnonzero((np.arange(len(k.t_s)) > top) & (k.speed_mps < 0.5 * k.speed_mps[top]))
    last = int(slow[0]) if len(slow) else len(k.t_s) - 1
    part = k.accel_mps2[top : last + 1]
    if not np.any(part <= -_BRAKE_MPS2):
        return float(k.t_s[last])
    # A cut of the limiter slows as a light brake does, but the speed comes back.
    fast = k.speed_mps[top : last + 1] >= _STILL_FAST * k.speed_mps[top]
    pulling = np.flatnonzero((part > -_BRAKE_MPS2 / 2) & fast)
    return float(k.t_s[top + (int(pulling[-1]) if len(pulling) else 0)])


def _ground(k: Kinematics) -> Ground:
    return Ground(
        k.t_s,
        k.speed_mps,
        k.speed_sigma_mps,
        k.accel_mps2,
        k.accel_sigma_mps2,
        k.known,
        k.timing_sigma_s,
    )


def _gaps(k: Kinematics, start_s: float, end_s: float) -> list[Mark]:
    """A mark for each stretch of the run without readings."""
    blind = ~k.known & (k.t_s >= start_s) & (k.t_s <= end_s)
    marks = []
    for a, b in stretches(blind):
        low, high = float(k.t_s[a]), float(k.t_s[b - 1])
        marks.append(Mark("gap", low, high, f"The log has no speed for {high - low:.1f} s."))
    return marks


def late_launch(launch: Launch, signal_s: float) -> Mark | None:
    """A mark where the vehicle moves over a second after the starting signal.

    Examples
    --------
    >>> late_launch(Launch(3.5, 0.05, None), 2.0).detail
    'Moves 1.50 s after the signal.'
    """
    late_s = launch.at_s - signal_s
    if late_s <= _LATE_S:
        return None
    return Mark("late launch", signal_s, launch.at_s, f"Moves {late_s:.2f} s after the signal.")


def _mark(event: Event) -> Mark:
    lasts = f"for {event.end_s - event.start_s:.2f} s"
    text = {
        "wheelspin": f"The wheel runs up to {event.size:.1f} m/s ahead of the ground {lasts}.",
        "clutch slip": f"The clutch slips by up to {event.size:.1f} m/s of wheel speed {lasts}.",
        "limiter cut": f"The revs bounce at {event.size:.0f} rpm {lasts}.",
        "lift": f"The speed falls by {event.size:.1f} m/s {lasts} and rises again.",
    }[event.kind]
    size = event.size if event.kind == "limiter cut" else None
    return Mark(event.kind, event.start_s, event.end_s, text, size)
