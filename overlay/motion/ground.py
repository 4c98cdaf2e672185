"""The motion signal of the ground alone, by corners followed from picture to picture."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from overlay.footage.model import LumaFrame
from overlay.motion.model import (
    AMONG_THINGS,
    OPEN_GROUND,
    BoolArray,
    Box,
    GainErrors,
    MotionSignal,
)
from overlay.motion.odometry import Odometry, odometry
from overlay.motion.tracks import CornerTracker
from overlay.motion.trust import LEAST_BEND, honest_sigma
from overlay.timebase import FloatArray


@dataclass(frozen=True)
class GroundTuning:
    """Set by ``tests.benchmarks.accuracy.street`` and ``.cluttered``."""

    # Weights of corners that agree on the ground: with so many a pair is trusted, or not at all
    enough_ground: float = 6.0
    least_ground: float = 2.0
    most_lost: float = 0.85
    least_trusted: float = 0.5
    # Of the speed, as a share of its full scale: 0.008 to 0.014 on real streets, 0.07 to 0.16 on
    # rendered ground that shows too few corners
    largest_scatter: float = 0.04
    # Pitch, radians, for an acceleration of one camera height a second squared: 0.006 to 0.01 with
    # its uncertainty on real cars, 0.0003 to 0.0023 on rendered carts without springs
    soft_springs: float = 0.005
    stiff_lag_s: float = 0.015
    stiff_drift: float = 0.006
    resting: float = 0.02
    least_rest_s: float = 0.4
    smooth_s: float = 0.25


TUNING = GroundTuning()


def ground_signal(
    frames: Iterable[LumaFrame],
    cells: MotionSignal,
    *,
    ignore: Sequence[Box] = (),
    angle_deg: float | None = None,
) -> MotionSignal | None:
    """The signal of the ground alone, or None where too little of it can be followed.

    Parameters
    ----------
    frames : iterable of LumaFrame
        Of the same clip, about 640 x 360.
    cells : MotionSignal
        By the whole picture; cuts, flashes and frozen pictures are taken from it.
    ignore : sequence of Box
    angle_deg : float, optional
        Angle of view across the picture's longer side, where it is known.
    """
    tracker = CornerTracker(ignore)
    for frame in frames:
        tracker.add(frame.t_s, frame.luma)
    found = odometry(tracker.tracks(), angle_deg)
    return None if found is None else _signal(found, cells)


def _signal(found: Odometry, cells: MotionSignal) -> MotionSignal | None:
    span = found.end_s - found.start_s
    rate = found.distance / span
    quality = np.clip(found.ground / TUNING.enough_ground, 0.0, 1.0)
    quality[(found.ground < TUNING.least_ground) | (found.lost_share > TUNING.most_lost)] = 0.0
    bad_s = cells.t_s[cells.quality == 0]
    first, last = np.searchsorted(bad_s, found.start_s), np.searchsorted(bad_s, found.end_s)
    quality[last > first] = 0.0
    trusted = quality > 0
    if trusted.mean() < TUNING.least_trusted:
        return None
    middle = (found.start_s + found.end_s) / 2
    sigma = honest_sigma(middle, rate, found.sigma / span, trusted)
    top = max(float(np.percentile(np.abs(rate[trusted]), 98)), 1e-12)
    if float(np.median(sigma[trusted])) > TUNING.largest_scatter * top:
        return None
    sign = 1.0 if np.sum(found.distance[trusted]) >= 0 else -1.0
    return replace(
        cells,
        t_s=middle,
        span_s=span,
        forward=sign * rate / top,
        quality=quality,
        sigma=sigma / top,
        gain_bend=LEAST_BEND,
        camera=found.camera,
        gain_errors=_gain_errors(middle, sign * rate, found.attitude_rad[:, 0], trusted),
    )


def _gain_errors(
    t_s: FloatArray, rate: FloatArray, pitch: FloatArray, trusted: BoolArray
) -> GainErrors:
    """What springs may do: a vehicle that hardly pitches hardly lifts.

    Only where the vehicle also stands, so that it truly launches or stops; at an even drive its
    acceleration is too small to tell.
    """
    softness = pitch_response(t_s[trusted], rate[trusted], pitch[trusted])
    at_rest = np.abs(rate) < TUNING.resting * np.percentile(np.abs(rate), 98)
    step_s = np.gradient(t_s)
    if softness is None or float(np.sum(step_s[at_rest & trusted])) < TUNING.least_rest_s:
        return AMONG_THINGS
    share = min(float(np.hypot(*softness)) / TUNING.soft_springs, 1.0)  # its root mean square
    return replace(
        AMONG_THINGS,
        drift=max(share * AMONG_THINGS.drift, TUNING.stiff_drift),
        spread_s=max(share * AMONG_THINGS.spread_s, OPEN_GROUND.spread_s),
        lag_s=max(share * AMONG_THINGS.lag_s, TUNING.stiff_lag_s),
    )


def pitch_response(
    t_s: FloatArray, rate: FloatArray, pitch: FloatArray
) -> tuple[float, float] | None:
    """Pitch for each unit of acceleration, and its standard uncertainty.

    Parameters
    ----------
    t_s, rate, pitch : ndarrays, shape (n,)
        Footage times; speed in any unit; attitude, radians, nose up positive.

    Returns
    -------
    (float, float) or None
        By least squares; errors are taken to last a second. None on less than three seconds.

    Examples
    --------
    >>> t_s = np.arange(0, 10, 0.05)
    >>> found, sigma = pitch_response(t_s, np.sin(t_s), 0.01 * np.cos(t_s))
    >>> round(found, 3), sigma < 0.001
    (0.01, True)
    """
    from scipy.ndimage import gaussian_filter1d

    duration_s = float(t_s[-1] - t_s[0]) if len(t_s) else 0.0
    if duration_s < 3.0:
        return None
    width = max(TUNING.smooth_s * len(t_s) / duration_s, 1.0)
    accel = np.gradient(gaussian_filter1d(rate, width), t_s)
    tipped = gaussian_filter1d(pitch, width)
    accel, tipped = accel - accel.mean(), tipped - tipped.mean()
    power = float(accel @ accel)
    if power <= 0:
        return None
    found = float(accel @ tipped) / power
    rest = tipped - found * accel
    in_a_second = len(t_s) / duration_s
    return found, float(np.sqrt(rest @ rest / len(t_s) / power * in_a_second))
