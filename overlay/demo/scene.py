"""The scene: from true motion to the pictures that a camera on the cart would record.

Presentation time is the centre of the exposure: a picture with time t shows the world as the
shutter saw it from ``t - exposure_s / 2`` to ``t + exposure_s / 2``, and things that move evenly
stand, on average, where they are at t. The camera's place along the track is the true distance
itself; the ground is mapped through the exact pinhole projection, so what moves between two
pictures is the distance driven between their times.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
import numpy.typing as npt

from overlay.demo.backdrop import Backdrop, lens
from overlay.demo.bodywork import cart_front
from overlay.demo.camera import CameraPath, Pose, Ride
from overlay.demo.ground import GRASS_BGR, PERIOD_M, GroundStrip, taxiway
from overlay.demo.paint import Picture, blend, odd
from overlay.demo.things import Thing, draw_things, roadside
from overlay.demo.vehicle import Motion
from overlay.errors import UsageError
from overlay.timebase import FloatArray

Matrix = npt.NDArray[np.float64]
DRIFT = 0.03  # relative size of slow changes of brightness
GRAIN_CODES = 28  # standard deviation of the noise bank
SPARE_PX = 96  # by which the noise bank is larger than the picture


@dataclass(frozen=True)
class SceneSpec:
    """The camera and how it rides.

    Picture size in pixels, both even; pictures a second and shutter time, shorter than a step;
    the camera's height above the ground, looking down and to the right; focal length in picture
    widths (0.55: 85° across); sensor noise in 8-bit codes, and the seed that chooses it.
    """

    width: int = 1280
    height: int = 720
    frame_rate_hz: float = 30.0
    exposure_s: float = 1 / 120
    height_m: float = 0.82
    pitch_deg: float = 4.0
    yaw_deg: float = 0.6
    focal_widths: float = 0.55
    ride: Ride = field(default_factory=Ride)
    bodywork: bool = True
    noise_codes: float = 1.6
    rng_seed: int = 1

    def __post_init__(self) -> None:
        if self.width < 64 or self.height < 64 or self.width % 2 or self.height % 2:
            raise UsageError(
                f"picture size {self.width}×{self.height}: both sides must be even and at least 64"
            )

    @property
    def focal_px(self) -> float:
        """Focal length in pixels."""
        return self.focal_widths * self.width


def frame_times_s(spec: SceneSpec, duration_s: float) -> FloatArray:
    """Presentation times from 0 up to `duration_s`, in whole 1/90000 s.

    Examples
    --------
    >>> frame_times_s(SceneSpec(frame_rate_hz=25), 0.1).round(3).tolist()
    [0.0, 0.04, 0.08]
    """
    t_s = np.arange(int(duration_s * spec.frame_rate_hz) + 1) / spec.frame_rate_hz
    return np.asarray(np.round(t_s * 90000) / 90000)


def pictures(spec: SceneSpec, motion: Motion) -> Iterator[tuple[float, Picture]]:
    """Every frame of a run: presentation time in seconds and picture.

    Yields
    ------
    (float, ndarray of shape (height, width, 3), uint8)
        Blue, green, red. The same `spec` and `motion` always give the same pictures.
    """
    scene = DemoScene(spec, motion)
    for t_s in frame_times_s(spec, motion.duration_s).tolist():
        yield t_s, scene.picture(t_s)


class DemoScene:
    """One run, ready to be pictured.

    Parameters
    ----------
    strips : sequence of GroundStrip, optional
        The ground, the later over the earlier; the taxiway unless given.
    things : sequence of Thing, optional
        What stands on it; the taxiway's roadside unless given.
    backdrop : Backdrop, optional
        What is at infinity.
    """

    def __init__(
        self,
        spec: SceneSpec,
        motion: Motion,
        *,
        strips: Sequence[GroundStrip] | None = None,
        things: Sequence[Thing] | None = None,
        backdrop: Backdrop | None = None,
    ) -> None:
        cv2.setNumThreads(1)
        self.spec, self.motion = spec, motion
        self.path = CameraPath(
            motion,
            spec.ride,
            height_m=spec.height_m,
            pitch_deg=spec.pitch_deg,
            yaw_deg=spec.yaw_deg,
        )
        self._bands = _bands(spec, taxiway() if strips is None else strips)
        self._things = roadside() if things is None else things
        self._backdrop = backdrop or Backdrop(spec.focal_px, math.radians(spec.yaw_deg))
        self._noise = _noise_bank((spec.height + SPARE_PX, spec.width + SPARE_PX), spec.rng_seed)
        self._front = cart_front(spec.width, spec.height) if spec.bodywork else None

    def picture(self, t_s: float) -> Picture:
        """The picture whose exposure is centred on `t_s`; shape (height, width, 3)."""
        slow = math.sin(0.9 * t_s + self.spec.rng_seed) + 0.6 * math.sin(2.3 * t_s + 1.7)
        return self.exposed(self.view(t_s), t_s, 1 + DRIFT * slow / 1.2, self.spec.noise_codes)

    def view(self, t_s: float) -> Picture:
        """The picture before the sensor adds its noise."""
        spec, pose = self.spec, self.path.at(t_s)
        frame = np.empty((spec.height, spec.width, 3), np.uint8)
        tilt = abs(float(pose.axes[0][1])) * spec.width / 2
        sky = min(spec.height, max(0, math.ceil(self._row(pose, math.inf) + tilt) + 2))
        self._backdrop.draw(frame, pose.axes, sky)
        frame[sky:] = GRASS_BGR  # seen where strips leave a corner free, far away
        self._draw_ground(frame, pose, sky)
        draw_things(frame, self.things(t_s), pose, spec.focal_px, spec.exposure_s)
        self._smear(frame, pose, t_s)
        if self._front is not None:
            self._draw_front(frame, self._front, t_s)
        return frame

    def things(self, t_s: float) -> Sequence[Thing]:
        """What stands beside the track at an instant."""
        return self._things

    def exposed(self, frame: Picture, t_s: float, gain: float, noise_codes: float) -> Picture:
        """What the sensor makes of a view: a gain, and noise of its own at each instant."""
        high, wide = frame.shape[:2]
        rng = np.random.default_rng([self.spec.rng_seed, 4, round(t_s * 90000) + 2**20])
        y, x = rng.integers(0, SPARE_PX, 2).tolist()
        sigma = noise_codes / GRAIN_CODES
        noise = self._noise[y : y + high, x : x + wide]
        return np.asarray(cv2.addWeighted(frame, gain, noise, sigma, -128 * sigma), np.uint8)

    # -- ground ---------------------------------------------------------------------------

    def _draw_ground(self, frame: Picture, pose: Pose, sky: int) -> None:
        """Bands from far to near; the nearest fills the rest of the picture."""
        to_ground = self._to_ground(pose)
        for number, band in enumerate(self._bands, 1):
            last = number == len(self._bands)
            top = max(sky, math.floor(self._row(pose, band.far_m)))
            bottom = len(frame) if last else math.ceil(self._row(pose, band.near_m)) + 1
            rows = slice(top, min(len(frame), bottom))
            if rows.stop > rows.start:
                for strip in band.strips:
                    self._lay(frame[rows], rows.start, pose, strip, to_ground)

    def _lay(
        self, part: Picture, first: int, pose: Pose, strip: GroundStrip, to_ground: Matrix
    ) -> None:
        """One strip of ground into rows of the picture from `first` on, with the shutter's blur."""
        high, wide = part.shape[:2]
        cells, (step_x, step_z) = strip.picture, (strip.step_x_m, strip.step_z_m)
        columns = cells.shape[1]
        to_cells = np.array([[1 / step_x, 0, columns / 2 - 0.5], [0, 1 / step_z, -0.5], [0, 0, 1]])
        to_cells = to_cells @ to_ground @ np.array([[1, 0, 0], [0, 1, first], [0, 0, 1]])
        corners = np.array([[x, y, 1] for x in (-1, wide) for y in (-1, high)])
        spots = corners @ to_cells.T
        spots = spots[:, :2] / spots[:, 2:]
        smear_m = pose.speed_mps * self.spec.exposure_s
        blur_x = smear_m * abs(math.sin(pose.heading_rad)) / step_x
        blur_z = smear_m * abs(math.cos(pose.heading_rad)) / step_z
        spare = np.array((2, 2 + blur_z / 2))
        (x_low, z_low), (x_high, z_high) = spots.min(0) - spare, spots.max(0) + spare
        left, right = int(max(0, x_low)), int(min(columns, x_high + 1))
        if right - left < 2:
            return
        near, far = math.floor(z_low), math.ceil(z_high)
        cells = cells[:, left:right][np.arange(near, far) % len(cells)]
        if (kernel := (odd(blur_x), odd(blur_z))) != (1, 1):
            cells = np.asarray(cv2.blur(cells, kernel, borderType=cv2.BORDER_REPLICATE), np.uint8)
        whole = left > 0 and right < columns
        cv2.warpPerspective(
            cells,
            np.array([[1, 0, -left], [0, 1, -near], [0, 0, 1]]) @ to_cells,
            (wide, high),
            dst=part,
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE if whole else cv2.BORDER_TRANSPARENT,
        )

    def _row(self, pose: Pose, depth_m: float) -> float:
        """Picture row, in the middle column, of the ground at a depth."""
        below = math.asin(float(pose.axes[2][1])) + math.atan(float(pose.place_m[1]) / depth_m)
        return self.spec.height / 2 - 0.5 + self.spec.focal_px * math.tan(min(below, 1.55))

    def _to_ground(self, pose: Pose) -> Matrix:
        """Homography from pixel (u, v, 1) to ground (x w, z w, w), exact pinhole."""
        x, y, z = pose.place_m
        from_place = np.array([[1, 0, -x], [0, 0, -y], [0, 1, -z]])
        optics = lens(self.spec.focal_px, self.spec.width, self.spec.height)
        return np.asarray(np.linalg.inv(optics @ pose.axes @ from_place))

    # -- camera and bodywork ----------------------------------------------------------------

    def _draw_front(self, frame: Picture, front: Picture, t_s: float) -> None:
        """The own cart shakes a pixel or so with the engine."""
        rpm = float(self.motion.at("engine_rpm", t_s))
        size = self.spec.height / 720 * min(1.4, 2200 / max(rpm, 500))
        phase = 2 * math.pi * rpm / 60 * t_s
        aside, up = 0.5 * size * math.sin(phase / 2), size * math.sin(phase)
        moved, size_px = np.array([[1.0, 0.0, aside], [0.0, 1.0, up]]), front.shape[1::-1]
        part = cv2.warpAffine(front, moved, size_px, borderMode=cv2.BORDER_REPLICATE)
        blend(frame[len(frame) - len(front) :], np.asarray(part, np.uint8))

    def _smear(self, frame: Picture, pose: Pose, t_s: float) -> None:
        """Blur by the turning of the camera during the exposure."""
        half_s = self.spec.exposure_s / 2
        turned = self.path.at(t_s + half_s).axes[2] - self.path.at(t_s - half_s).axes[2]
        kernel = [odd(abs(float(axis @ turned)) * self.spec.focal_px) for axis in pose.axes[:2]]
        if kernel != [1, 1]:
            cv2.blur(frame, kernel, dst=frame, borderType=cv2.BORDER_REPLICATE)


@dataclass(frozen=True, eq=False)
class _Band:
    """Part of the ground between two depths, with cells of about a pixel."""

    near_m: float
    far_m: float
    strips: tuple[GroundStrip, ...]


def _bands(spec: SceneSpec, strips: Sequence[GroundStrip]) -> list[_Band]:
    """Bands of doubling depth, far ones first; the camera looks along the track or across it."""
    focal, height = spec.focal_px, spec.height_m
    down = math.atan(spec.height / 2 / focal) + math.radians(spec.pitch_deg + 3)
    near = height / math.tan(min(down, 1.5)) * 0.9
    aside = abs(math.sin(math.radians(spec.yaw_deg))) > 0.7
    bands = []
    while near < height * focal / 2.5:
        middle = near * 1.2
        steps = middle / focal, min(PERIOD_M / 2, (middle**2 + height**2) / (height * focal))
        steps = steps[::-1] if aside else steps
        reach = 2 * near * (1.3 if aside else 0.6 / spec.focal_widths) + 1.5
        covers = [n for n, strip in enumerate(strips) if strip.half_width_m > reach]
        needed = strips[max(covers, default=0) :]
        averaged = tuple(strip.averaged(*steps) for strip in needed)
        bands.append(_Band(near, near * 2, averaged))
        near *= 2
    return bands[::-1]


def _noise_bank(shape: tuple[int, int], rng_seed: int) -> Picture:
    """Sensor noise around code 128: fine in brightness, coarser in colour."""
    rng = np.random.default_rng([rng_seed, 3])
    luma = rng.standard_normal(shape, dtype=np.float32)
    luma = 0.75 * luma + cv2.GaussianBlur(luma, (0, 0), 0.8)
    tint = rng.standard_normal((shape[0] // 2, shape[1] // 2, 3), dtype=np.float32)
    tint = cv2.resize(tint, shape[::-1], interpolation=cv2.INTER_LINEAR) * 0.45
    return np.asarray(np.clip(128 + GRAIN_CODES * (luma[:, :, None] + tint), 0, 255), np.uint8)
