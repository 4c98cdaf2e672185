"""Where the camera is and which way it looks at every instant of a run.

World axes: x right, y up, z along the track. The camera rides on the cart: heading follows the
steering, pitch follows throttle and brakes through the springy frame, the engine shakes it once
and half a time a turn, and the bumps of the ground belong to places, not times.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from overlay.demo.vehicle import STEP_S, Motion
from overlay.timebase import FloatArray

FRAME_HZ, FRAME_DAMPING = 2.2, 0.45  # of the cart's frame as a spring; our own figures
ARM_M = 1.2  # from the engine's shake to the camera's height


@dataclass(frozen=True)
class Ride:
    """How steady the ride is; angles in degrees, one standard deviation or amplitude."""

    # Slow steering corrections, roll, pitch of bumps at full speed, engine shake at idle.
    steering_deg: float = 0.45
    roll_deg: float = 0.35
    bump_deg: float = 0.22
    vibration_deg: float = 0.07
    # How far the nose lifts under acceleration. The cart has no springs: load transfer m h / L =
    # 170 kg * 0.5 m / 1.6 m = 53 N for each m/s² bends tyres of about 120 kN/m an axle by 0.4 mm at
    # each end (0.03°), and frame and camera mount give as much again (our own figures). A sprung
    # vehicle pitches 0.2° or more.
    pitch_deg_per_mps2: float = 0.06
    rng_seed: int = 1


@dataclass(frozen=True, eq=False)
class Pose:
    """The camera at one instant: place in metres; right, down and ahead as rows of `axes`."""

    place_m: npt.NDArray[np.float64]
    axes: npt.NDArray[np.float64]
    speed_mps: float
    heading_rad: float


class CameraPath:
    """Poses along one run, from arrays on the motion's own 1 kHz grid.

    Parameters
    ----------
    height_m, pitch_deg, yaw_deg : float
        Of the camera at rest: above the ground, looking down, looking to the right.
    """

    def __init__(
        self, motion: Motion, ride: Ride, *, height_m: float, pitch_deg: float, yaw_deg: float
    ) -> None:
        rng = np.random.default_rng([ride.rng_seed, 77])
        t, self._motion = motion.t_s, motion
        rolling = np.clip(motion.speed_mps / 3, 0, 1)
        speedy = np.clip(motion.speed_mps / 12, 0, 1.2)
        self.heading = np.radians(ride.steering_deg) * sway(t, rng, (0.13, 0.7)) * rolling
        self.aside = np.cumsum(motion.speed_mps * np.sin(self.heading)) * STEP_S
        self.along = motion.distance_m  # swaying adds parts in 10^5
        bumps, tilts = _bumps(motion.distance_m, rng), _bumps(motion.distance_m + 7, rng)
        turns = np.cumsum(motion.engine_rpm / 60) * STEP_S * 2 * np.pi
        shake = np.radians(ride.vibration_deg) * np.clip(2200 / motion.engine_rpm, 0.4, 1.3)
        buzz = 0.7 * np.sin(turns) + 0.5 * np.sin(turns / 2 + 1.0)
        lift = np.radians(ride.pitch_deg_per_mps2) * _springy(motion.accel_mps2)
        jolt = np.radians(ride.bump_deg) * bumps * speedy
        self.pitch = lift + jolt + shake * buzz - math.radians(pitch_deg)
        self.yaw = self.heading + 0.4 * shake * buzz + math.radians(yaw_deg)
        lean = 0.6 * sway(t, rng, (0.2, 1.1)) * rolling + 0.6 * tilts * speedy
        self.roll = np.radians(ride.roll_deg) * lean
        self.height = height_m + 0.006 * bumps * speedy + ARM_M * shake * buzz

    def at(self, t_s: float) -> Pose:
        """Pose at a footage time, held before the start and after the end."""
        where = min(max(t_s / STEP_S, 0.0), len(self.aside) - 1.0)
        i = min(int(where), len(self.aside) - 2)
        part = where - i

        def value(column: FloatArray) -> float:
            return float(column[i] + part * (column[i + 1] - column[i]))

        place = np.array([value(self.aside), value(self.height), value(self.along)])
        axes = camera_axes(value(self.yaw), value(self.pitch), value(self.roll))
        return Pose(place, axes, value(self._motion.speed_mps), value(self.heading))


def camera_axes(yaw: float, pitch: float, roll: float) -> npt.NDArray[np.float64]:
    """Rows right, down, ahead of a camera turned right by yaw, up by pitch, clockwise by roll."""
    ahead = np.array(
        [math.sin(yaw) * math.cos(pitch), math.sin(pitch), math.cos(yaw) * math.cos(pitch)]
    )
    right = np.array([math.cos(yaw), 0.0, -math.sin(yaw)])
    down = np.cross(right, ahead)
    cos, sin = math.cos(roll), math.sin(roll)
    return np.stack([cos * right + sin * down, cos * down - sin * right, ahead])


def sway(t_s: FloatArray, rng: np.random.Generator, band_hz: tuple[float, float]) -> FloatArray:
    """Sum of five sines in a band, standard deviation about 1."""
    rates, phases = rng.uniform(*band_hz, 5), rng.random(5)
    waves = np.sin(2 * np.pi * (np.outer(t_s, rates) + phases))
    return np.asarray(math.sqrt(2 / 5) * waves.sum(1))


def _bumps(distance_m: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Roughness by place: three octaves of smooth noise, standard deviation about 1."""
    total = np.zeros_like(distance_m)
    for wave_m in (4.0, 1.6, 0.7):
        heights = rng.standard_normal(512)
        i, part = np.divmod(distance_m / wave_m, 1)
        i, part = i.astype(int) % 512, part * part * (3 - 2 * part)
        total += 0.7 * (heights[i] * (1 - part) + heights[(i + 1) % 512] * part)
    return total


def _springy(accel_mps2: FloatArray) -> FloatArray:
    """Acceleration as the frame answers it: a damped spring, stepped by symplectic Euler."""
    omega = 2 * math.pi * FRAME_HZ
    keep, pull = 1 - 2 * FRAME_DAMPING * omega * STEP_S, (omega * STEP_S) ** 2
    change = lfilter([pull], [1, pull - 1 - keep, keep], accel_mps2 - accel_mps2[0])
    return np.asarray(accel_mps2[0] + change, np.float64)
