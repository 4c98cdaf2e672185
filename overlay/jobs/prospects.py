"""What a clip will be good for, said before the day is over, and what to change on the next run."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from overlay.footage.model import ClipFacts, Sound
from overlay.logs.model import Log
from overlay.motion.model import MotionSignal
from overlay.motion.onset import motion_onset

REST_S = 2.0  # at rest in view before launch and after the stop, so that both are plain
LEAST_RATE_HZ = 23.0
LEAST_HEIGHT = 480
SILENT_PEAK = 0.003  # -50 dB of full scale: a connected microphone is never so still
CLIPPED, CLIPPED_SHARE = 0.985, 0.002
LEAST_TRACK_HZ = 4.0


@dataclass(frozen=True)
class Prospects:
    """What a clip holds for timing a run."""

    # Footage times at which the vehicle first and last moves, where the picture shows them.
    launch_s: float | None
    stop_s: float | None
    good_for: tuple[str, ...]  # what the clip can tell, one sentence each
    next_time: tuple[str, ...]  # what to change on the next run


def prospects(
    clip: ClipFacts, motion: MotionSignal | None, sound: Sound | None, track: Log | None
) -> Prospects:
    """Judge a clip by its motion (None where it was not watched), sound, and track inside."""
    good: list[str] = []
    change: list[str] = []
    launch_s = stop_s = None
    if motion is not None:
        launch_s, stop_s = launch_and_stop(motion)
        if motion.reason is None:
            _by_motion(clip, launch_s, stop_s, good, change)
        else:
            change.append(
                f"the picture shows no usable motion ({motion.reason}): fix the camera to the "
                "vehicle, looking along the way with the ground in view"
            )
    _by_sound(sound, good, change)
    _by_track(track, good, change)
    _by_picture(clip, change)
    return Prospects(launch_s, stop_s, tuple(good), tuple(change))


def launch_and_stop(motion: MotionSignal) -> tuple[float | None, float | None]:
    """First and last instant of motion; the last is the first of the clip played backwards."""
    first = motion_onset(motion)
    backward = replace(motion.rows(slice(None, None, -1)), t_s=-motion.t_s[::-1])
    last = motion_onset(backward)
    return (None if first is None else first.t_s), (None if last is None else -last.t_s)


def _by_motion(
    clip: ClipFacts,
    launch_s: float | None,
    stop_s: float | None,
    good: list[str],
    change: list[str],
) -> None:
    if launch_s is not None and stop_s is not None:
        good.append(
            f"launch at {launch_s:.2f} s and stop at {stop_s:.2f} s are both in view: best for the "
            "lag of a log, and a log of another run would be noticed"
        )
    elif launch_s is not None:
        good.append(
            f"launch at {launch_s:.2f} s is in view, no stop: the lag gets a wider interval"
        )
        change.append("keep filming until the vehicle stands, which narrows the interval")
    elif stop_s is not None:
        good.append(f"stop at {stop_s:.2f} s is in view, no launch: no splits from a start")
        change.append(f"start filming {REST_S:g} s before the launch, for splits")
    else:
        good.append("neither launch nor stop is in view: only changes of speed show the lag")
        change.append(
            f"start filming {REST_S:g} s before the launch and stop {REST_S:g} s after the stop"
        )
    for what, rest_s in (
        ("before the launch", launch_s),
        ("after the stop", None if stop_s is None else clip.duration_s - stop_s),
    ):
        if rest_s is not None and rest_s < REST_S:
            change.append(f"only {rest_s:.1f} s at rest {what}: let {REST_S:g} s pass")


def _by_sound(sound: Sound | None, good: list[str], change: list[str]) -> None:
    if sound is None or not sound.samples.size:
        change.append("there is no sound: switch it on, since the revs can be heard in it")
        return
    level = np.abs(sound.samples)
    share = float(np.mean(level > CLIPPED))
    if float(np.max(level)) < SILENT_PEAK:
        change.append("the sound is silent: connect the microphone or leave its hole open")
    elif share > CLIPPED_SHARE:
        change.append(
            f"the sound is overdriven ({share:.1%} of it at full scale): turn the gain down, and "
            "the microphone away from exhaust and wind"
        )
    else:
        good.append("there is sound, from which revs may be heard")


def _by_track(track: Log | None, good: list[str], change: list[str]) -> None:
    if track is None or track.speed is None:
        good.append("there is no track inside: give a log of the run")
        return
    rate_hz = 1 / track.speed.median_step_s if len(track.speed) > 1 else 0.0
    good.append(
        f"a track is inside, {rate_hz:.3g} speeds a second, on the clock of the pictures: its lag "
        "can be measured without a log"
    )
    if rate_hz < LEAST_TRACK_HZ:
        change.append("speeds come slowly: set the receiver to more a second where it can")


def _by_picture(clip: ClipFacts, change: list[str]) -> None:
    rate_hz = float(clip.frame_rate_hz)
    if rate_hz < LEAST_RATE_HZ:
        change.append(f"{rate_hz:.3g} frames a second are few: set 30 or more")
    if min(clip.width, clip.height) < LEAST_HEIGHT:
        change.append(f"{clip.width}×{clip.height} is small for gauges: film in 720p or more")
    if clip.is_interlaced:
        change.append("the pictures are interlaced: set progressive recording")
    if clip.is_cut_off:
        change.append("the file is cut off: let the camera finish before taking the card out")
