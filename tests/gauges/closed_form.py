"""Runs whose every figure follows from a formula, as the stages before the gauges give them."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from overlay.runs import parse_goal, splits
from overlay.runs.course import Course
from overlay.runs.model import Kinematics, Launch, Mark
from overlay.series import Series

Curve = Callable[[npt.NDArray[np.float64]], npt.NDArray[np.float64]]
LAUNCH_S = 2.0
SPEED_SIGMA, ACCEL_SIGMA, TIMING_SIGMA_S = 0.05, 0.2, 0.02
RPM_PER_MPS = 250.0


def course_of(
    speed: Curve,
    accel: Curve,
    distance: Curve,
    *,
    launch_s: float = LAUNCH_S,
    length_s: float = 12.0,
    goals: Sequence[str] = (),
    marks: Sequence[Mark] = (),
    rpm: Series | None = None,
    gap_s: tuple[float, float] | None = None,
) -> Course:
    """A run at rest until its launch; the curves take seconds from then on."""
    t_s = np.arange(0, length_s, 0.01)
    since = np.maximum(0.0, t_s - launch_s)
    moving = t_s >= launch_s
    gone_s = t_s - launch_s
    known = np.ones(len(t_s), bool)
    if gap_s is not None:
        known &= (t_s < gap_s[0]) | (t_s > gap_s[1])
    k = Kinematics(
        t_s=t_s,
        speed_mps=np.where(moving, speed(since), 0.0),
        accel_mps2=np.where(moving, accel(since), 0.0),
        distance_m=7.0 + np.where(moving, distance(since), 0.0),  # it counts from anywhere
        speed_sigma_mps=np.full(len(t_s), SPEED_SIGMA),
        accel_sigma_mps2=np.full(len(t_s), ACCEL_SIGMA),
        distance_sigma_m=0.01 * np.maximum(0.0, gone_s),
        timing_sigma_s=TIMING_SIGMA_S,
        known=known,
    )
    launch = Launch(launch_s, 0.03, None)
    timed = splits(k, launch, [parse_goal(goal) for goal in goals])
    return Course(k, launch=launch, splits=timed, marks=marks, rpm=rpm, rpm_per_mps=RPM_PER_MPS)


def steady_pull(accel_mps2: float, **more: object) -> Course:
    """v = a t, s = a t² / 2 (OpenStax *College Physics*, 2.5)."""
    return course_of(
        lambda t: accel_mps2 * t,
        lambda t: np.full_like(t, accel_mps2),
        lambda t: accel_mps2 * t**2 / 2,
        **more,  # type: ignore[arg-type]
    )


def approach(top_mps: float, tau_s: float, **more: object) -> Course:
    """v = V (1 - e^(-t/T)), s = V (t - T (1 - e^(-t/T))): linear drag, same book, 5.2."""
    return course_of(
        lambda t: top_mps * -np.expm1(-t / tau_s),
        lambda t: top_mps / tau_s * np.exp(-t / tau_s),
        lambda t: top_mps * (t + tau_s * np.expm1(-t / tau_s)),
        **more,  # type: ignore[arg-type]
    )


def pull_and_brake(accel_mps2: float, pull_s: float, brake_mps2: float, **more: object) -> Course:
    """A steady pull, then steady braking to rest."""
    top = accel_mps2 * pull_s
    stop_s = pull_s + top / brake_mps2

    def braking(t: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return np.clip(t, pull_s, stop_s) - pull_s

    return course_of(
        lambda t: np.where(t < pull_s, accel_mps2 * t, top - brake_mps2 * braking(t)),
        lambda t: np.where(t < pull_s, accel_mps2, np.where(t < stop_s, -brake_mps2, 0.0)),
        lambda t: (
            accel_mps2 * np.minimum(t, pull_s) ** 2 / 2
            + top * braking(t)
            - brake_mps2 * braking(t) ** 2 / 2
        ),
        **more,  # type: ignore[arg-type]
    )
