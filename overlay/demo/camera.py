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

from overlay.demo.vehicle import STEP_S, Motion
from overlay.timebase import FloatArray

MOUNT_YAW_DEG = {"forward": 0.0, "right": 90.0, "backward": 180.0, "left": -90.0}


@dataclass(frozen=True)
class Ride:
    """How steady the ride is; angles in degrees, one standard deviation or amplitude.

    Attributes
    ----------
    steering_deg, roll_deg, bump_deg, vibration_deg : float
        Slow steering corrections, roll, pitch of bumps at full speed, engine shake at idle.
    pitch_deg_per_mps2 : float
        How far the nose lifts under acceleration. The cart has no springs: load transfer
        m h / L = 170 kg * 0.5 m / 1.6 m = 53 N for each m/s² bends tyres of about 120 kN/m an
        axle by 0.4 mm at each end (0.03°), and frame and camera mount give as much again (our
        own figures). A sprung vehicle pitches 0.2° or more.
    handheld_until_s : float
        Until then the camera is held in a moving hand.
    turn_deg, turn_at_m, turn_length_m : float
        A bend of the path to the right, from a distance on, over a length.
    rng_seed : int
    """

    steering_deg: float = 0.45
    roll_deg: float = 0.35
    bump_deg: float = 0.22
    vibration_deg: float = 0.07
    pitch_deg_per_mps2: float = 0.06
    handheld_until_s: float = 0.0
    turn_deg: float = 0.0
    turn_at_m: float = 25.0
    turn_length_m: float = 18.0
    rng_seed: int = 1


@dataclass(frozen=True, eq=False)
class Pose:
    """The camera at one instant: place in metres; right, down and ahead as rows of `axes`."""

    place_m: npt.NDArray[np.float64]
    axes: npt.NDArray[np.float64]
    speed_mps: float
    heading_rad: float


class CameraPath:
    """Poses along one run, from arrays on the motion's own 1 kHz grid."""

    def __init__(
        self,
        motion: Motion,
        ride: Ride,
        *,
        height_m: float,
        pitch_deg: float,
        yaw_deg: float,
    ) -> None:
        rng = np.random.default_rng([ride.rng_seed, 77])
        t = motion.t_s
        rolling = np.clip(motion.speed_mps / 3, 0, 1)
        bend = _smooth_step((motion.distance_m - ride.turn_at_m) / ride.turn_length_m)
        steer = np.radians(ride.steering_deg) * _waves(t, rng, (0.13, 0.7)) * rolling
        self.heading = np.radians(ride.turn_deg) * bend + steer
        sway = np.cumsum(motion.speed_mps * np.sin(self.heading)) * STEP_S
        along = np.cumsum(motion.speed_mps * np.cos(self.heading)) * STEP_S
        if not ride.turn_deg:
            sway, along = _exact_along(sway, motion)
        bumps = _bumps(motion.distance_m, rng)
        speedy = np.clip(motion.speed_mps / 12, 0, 1.2)
        turns = np.cumsum(motion.engine_rpm / 60) * STEP_S * 2 * np.pi
        shake = np.radians(ride.vibration_deg) * np.clip(2200 / motion.engine_rpm, 0.4, 1.3)
        buzz = shake * (0.7 * np.sin(turns) + 0.5 * np.sin(turns / 2 + 1.0))
        lift = np.radians(ride.pitch_deg_per_mps2) * _springy(motion.accel_mps2)
        hand = np.clip((ride.handheld_until_s - t) / 0.3, 0, 1)
        self.pitch = lift + np.radians(ride.bump_deg) * bumps * speedy + buzz
        self.pitch += np.radians(5.0) * hand * _waves(t, rng, (0.5, 2.5)) - math.radians(pitch_deg)
        self.yaw = self.heading + math.radians(yaw_deg)
        self.yaw += 0.4 * buzz + np.radians(8.0) * hand * _waves(t, rng, (0.4, 2.0))
        self.roll = np.radians(ride.roll_deg) * (
            0.6 * _waves(t, rng, (0.2, 1.1)) * rolling
            + 0.6 * _bumps(motion.distance_m + 7, rng) * speedy
        )
        self.roll += np.radians(4.0) * hand * _waves(t, rng, (0.4, 1.5))
        self.height = height_m + 0.006 * bumps * speedy + 0.0015 * buzz / (shake + 1e-12)
        self.sway, self.along, self.motion = sway, along, motion

    def at(self, t_s: float) -> Pose:
        """Pose at a footage time, held before the start and after the end."""
        where = min(max(t_s / STEP_S, 0.0), len(self.sway) - 1.0)
        i = min(int(where), len(self.sway) - 2)
        part = where - i

        def value(column: FloatArray) -> float:
            return float(column[i] + part * (column[i + 1] - column[i]))

        yaw, pitch, roll = value(self.yaw), value(self.pitch), value(self.roll)
        place = np.array([value(self.sway), value(self.height), value(self.along)])
        speed = value(self.motion.speed_mps)
        return Pose(place, camera_axes(yaw, pitch, roll), speed, value(self.heading))


def camera_axes(yaw: float, pitch: float, roll: float) -> npt.NDArray[np.float64]:
    """Rows right, down, ahead of a camera turned right by yaw, up by pitch, clockwise by roll."""
    ahead = np.array(
        [math.sin(yaw) * math.cos(pitch), math.sin(pitch), math.cos(yaw) * math.cos(pitch)]
    )
    right = np.array([math.cos(yaw), 0.0, -math.sin(yaw)])
    down = np.cross(right, ahead)
    cos, sin = math.cos(roll), math.sin(roll)
    return np.stack([cos * right + sin * down, cos * down - sin * right, ahead])


def _exact_along(sway: FloatArray, motion: Motion) -> tuple[FloatArray, FloatArray]:
    """On a straight track the way along it is the true distance; swaying adds parts in 10^5."""
    return sway, motion.distance_m


def _waves(t_s: FloatArray, rng: np.random.Generator, band_hz: tuple[float, float]) -> FloatArray:
    """Sum of five sines in a band, standard deviation about 1."""
    total = np.zeros_like(t_s)
    for _ in range(5):
        rate = rng.uniform(*band_hz)
        total += math.sqrt(2 / 5) * np.sin(2 * np.pi * (rate * t_s + rng.random()))
    return total


def _bumps(distance_m: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Roughness by place: three octaves of smooth noise, standard deviation about 1."""
    total = np.zeros_like(distance_m)
    for wave_m in (4.0, 1.6, 0.7):
        heights = rng.standard_normal(512)
        at = distance_m / wave_m
        i = np.floor(at).astype(int)
        part = _smooth_step(at - i)
        total += 0.7 * (heights[i % 512] * (1 - part) + heights[(i + 1) % 512] * part)
    return total


def _smooth_step(x: FloatArray) -> FloatArray:
    x = np.clip(x, 0, 1)
    return np.asarray(x * x * (3 - 2 * x))


def _springy(accel_mps2: FloatArray) -> FloatArray:
    """Acceleration as the frame answers it: a damped spring at 2.2 Hz."""
    omega, damping = 2 * math.pi * 2.2, 0.45
    out = np.empty_like(accel_mps2)
    place, rate = float(accel_mps2[0]), 0.0
    for i, target in enumerate(accel_mps2.tolist()):
        rate += (omega * omega * (target - place) - 2 * damping * omega * rate) * STEP_S
        place += rate * STEP_S
        out[i] = place
    return out
