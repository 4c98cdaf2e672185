"""The scene: from true motion to the pictures that a camera on the cart would record.

Presentation time is the centre of the exposure: a picture with time t shows the world as the
shutter saw it from ``t - exposure_s / 2`` to ``t + exposure_s / 2``, and things that move evenly
stand, on average, where they are at t. The camera's place along the track is the true distance
itself; the ground is mapped through the exact pinhole projection, so what moves between two
pictures is the distance driven between their times.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from overlay.demo.backdrop import Backdrop
from overlay.demo.bodywork import cart_front
from overlay.demo.camera import MOUNT_YAW_DEG, CameraPath, Pose
from overlay.demo.ground import Ground, GroundKind, Level
from overlay.demo.roadside import Thing, blend, draw_thing, in_view, odd, roadside
from overlay.demo.spec import Facing, SceneSpec, frame_times_s
from overlay.demo.sprites import other_cart
from overlay.demo.vehicle import Motion

Picture = npt.NDArray[np.uint8]
MOST_TILT_PX = 12  # across one strip of ground


def pictures(spec: SceneSpec, motion: Motion) -> Iterator[tuple[float, Picture]]:
    """Every frame of a run: presentation time in seconds and picture.

    Yields
    ------
    (float, ndarray of shape (height, width, 3), uint8)
        Blue, green, red. The same `spec` and `motion` always give the same pictures.
    """
    scene = _scene(spec)
    rng = np.random.default_rng([spec.rng_seed, 9])
    last: Picture | None = None
    for t_s in frame_times_s(spec, motion.duration_s).tolist():
        repeated = rng.random() < spec.duplicate_share
        if last is None or not repeated:
            last = scene.picture(motion, t_s)
        yield t_s, last


def render_picture(spec: SceneSpec, motion: Motion, t_s: float) -> Picture:
    """The one picture whose exposure is centred on footage time `t_s`."""
    return _scene(spec).picture(motion, t_s)


@lru_cache(maxsize=2)
def _scene(spec: SceneSpec) -> Scene:
    return Scene(spec)


@dataclass(frozen=True, eq=False)
class _Band:
    """Part of the ground between two depths, with the level that suits it."""

    near_m: float
    far_m: float
    level: Level


class Scene:
    """Textures and things of one `SceneSpec`, ready to be pictured."""

    def __init__(self, spec: SceneSpec) -> None:
        cv2.setNumThreads(1)
        self.spec = spec
        self._views = {spec.facing: self._bands(spec.facing)}
        if spec.cuts_s:
            self._views[spec.cut_facing] = self._bands(spec.cut_facing)
        self._things = roadside(spec.ground) if spec.roadside else []
        self._backdrop = Backdrop(spec.focal_px, spec.ground)
        self._noise = self._noise_bank()
        self._front = None
        if spec.bodywork:
            front = cart_front(spec.width, spec.height)
            self._front_top = int(np.flatnonzero(front[:, :, 3].any(1))[0])
            self._front = np.ascontiguousarray(front[self._front_top :])
        self._paths: dict[tuple[int, str], CameraPath] = {}
        self._motion: Motion | None = None

    def picture(self, motion: Motion, t_s: float) -> Picture:
        """The picture whose exposure is centred on `t_s`; shape (height, width, 3)."""
        spec = self.spec
        facing = spec.facing
        if sum(t_s >= cut for cut in spec.cuts_s) % 2:
            facing = spec.cut_facing
        frame = np.empty((spec.height, spec.width, 3), np.uint8)
        if spec.dark:
            frame[:] = 3
            return self._exposed(frame, t_s)
        path = self._path(motion, facing)
        pose = path.at(t_s)
        self._backdrop.draw(frame, pose.axes, pose.place_m[1])
        for band in self._views[facing]:
            self._draw_band(frame, pose, band)
        self._draw_things(frame, pose, motion, t_s)
        self._smear(frame, path, t_s)
        if self._front is not None and facing == "forward":
            self._draw_front(frame, motion, t_s)
        frame = self._exposed(frame, t_s)
        if spec.readout_lag_s is not None:
            self._burn_readout(frame, motion, t_s)
        return frame

    # -- camera ---------------------------------------------------------------------------

    def _path(self, motion: Motion, facing: Facing) -> CameraPath:
        if self._motion is not motion:
            self._paths.clear()
            self._motion = motion
        key = (id(motion), facing)
        if key not in self._paths:
            yaw = MOUNT_YAW_DEG[facing] + self.spec.yaw_deg
            self._paths[key] = CameraPath(
                motion,
                self.spec.ride,
                height_m=self.spec.height_m,
                pitch_deg=self.spec.pitch_deg,
                yaw_deg=yaw,
            )
        return self._paths[key]

    # -- ground ---------------------------------------------------------------------------

    def _bands(self, facing: Facing) -> list[_Band]:
        """Bands of doubling depth, far ones first; each level has about a pixel's cells."""
        spec = self.spec
        focal, height = spec.focal_px, spec.height_m
        down = math.atan(spec.height / 2 / focal) + math.radians(spec.pitch_deg + 3)
        near = height / math.tan(min(down, 1.5)) * 0.9
        last = height * focal / 2.5
        finest = max(0.008, 0.8 * near / focal)
        ground = _ground(spec.ground, finest)
        loose = 1.15 if not spec.ride.handheld_until_s else 1.5
        bands = []
        while near < last:
            far = near * 2
            middle = near * 1.2
            across = max(finest, middle / focal)
            along = max(finest, (middle**2 + height**2) / (height * focal))
            side = far * 0.5 / spec.focal_widths * loose + 1.2
            box = (-side, side, across, along)
            if spec.ground.endless:
                both = math.sqrt(across * along)
                box = (0.0, 0.0, both, both)
            elif facing in ("left", "right"):
                sign = 1 if facing == "right" else -1
                ends = sorted((sign * (near * 0.7 - 2), sign * (far * 1.3 + 2)))
                box = (ends[0], ends[1], along, across)
            overlap = 2 * side + 2 * far
            bands.append(_Band(near, far, ground.level(*box, overlap)))
            near = far
        return bands[::-1]

    def _draw_band(self, frame: Picture, pose: Pose, band: _Band) -> None:
        """One band; under a strong roll in strips, so that its edges follow the horizon."""
        wide = frame.shape[1]
        slope = float(pose.axes[0][1]) / max(0.2, math.hypot(*pose.axes[0][::2]))
        strips = max(1, math.ceil(abs(slope) * wide / MOST_TILT_PX))
        edges = np.linspace(0, wide, strips + 1).astype(int).tolist()
        for left, right in itertools.pairwise(edges):
            shift = slope * ((left + right) / 2 - wide / 2)
            tilt = abs(slope) * (right - left) / 2
            self._draw_strip(frame, pose, band, left, right, shift, tilt)

    def _draw_strip(
        self,
        frame: Picture,
        pose: Pose,
        band: _Band,
        left: int,
        right: int,
        shift: float,
        tilt: float,
    ) -> None:
        """Columns left to right of a band whose rows are moved by `shift` there."""
        high = frame.shape[0]
        top, bottom = self._row(pose, band.far_m) + shift, self._row(pose, band.near_m) + shift
        top = max(top, self._row(pose, math.inf) + shift + tilt + 2)
        first, last = max(0, math.floor(top)), min(high, math.ceil(bottom + tilt) + 1)
        if last - first < 1:
            return
        to_ground = self._to_ground(pose)
        corners = np.array(
            [[left, first, 1], [right, first, 1], [left, last, 1], [right, last, 1]], np.float64
        )
        spots = corners @ to_ground.T
        spots = spots[:, :2] / spots[:, 2:]
        level = band.level
        smear = pose.speed_mps * self.spec.exposure_s
        pad = 2 + smear / 2
        x_low = math.floor((spots[:, 0].min() - level.x0_m) / level.step_x_m) - 2
        x_high = math.ceil((spots[:, 0].max() - level.x0_m) / level.step_x_m) + 2
        z_low = math.floor((spots[:, 1].min() - pad) / level.step_z_m)
        z_high = math.ceil((spots[:, 1].max() + pad) / level.step_z_m)
        start_z = z_low % level.rows
        if self.spec.ground.endless:
            start_x = x_low % level.columns
        else:
            x_low, x_high = max(0, x_low), min(level.picture.shape[1], x_high)
            start_x = x_low
        part = level.picture[
            start_z : start_z + z_high - z_low, start_x : start_x + max(2, x_high - x_low)
        ]
        if part.shape[0] < 2 or part.shape[1] < 2:
            return
        cells_z = smear * abs(math.cos(pose.heading_rad)) / level.step_z_m
        cells_x = smear * abs(math.sin(pose.heading_rad)) / level.step_x_m
        kernel = (odd(cells_x), odd(cells_z))
        if kernel != (1, 1):
            part = np.asarray(cv2.blur(part, kernel, borderType=cv2.BORDER_REPLICATE), np.uint8)
        to_part = np.array(
            [
                [1 / level.step_x_m, 0, -level.x0_m / level.step_x_m - 0.5 - x_low],
                [0, 1 / level.step_z_m, -0.5 - z_low],
                [0, 0, 1],
            ]
        )
        from_corner = np.array([[1, 0, left], [0, 1, first], [0, 0, 1]], np.float64)
        frame[first:last, left:right] = cv2.warpPerspective(
            part,
            to_part @ to_ground @ from_corner,
            (right - left, last - first),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )

    def _row(self, pose: Pose, depth_m: float) -> float:
        """Picture row, in the middle column, of the ground at a depth."""
        below = math.asin(max(-1.0, min(1.0, float(pose.axes[2][1]))))
        below += math.atan(float(pose.place_m[1]) / depth_m) if depth_m < math.inf else 0.0
        return self.spec.height / 2 - 0.5 + self.spec.focal_px * math.tan(min(below, 1.55))

    def _to_ground(self, pose: Pose) -> npt.NDArray[np.float64]:
        """Homography from pixel (u, v, 1) to ground (x w, z w, w), exact pinhole."""
        spec = self.spec
        focal = spec.focal_px
        right, down, ahead = pose.axes
        ahead = ahead - right * ((spec.width / 2 - 0.5) / focal)
        ahead = ahead - down * ((spec.height / 2 - 0.5) / focal)
        ray = np.stack([right / focal, down / focal, ahead], 1)  # world = ray @ (u, v, 1)
        weight = -ray[1] / pose.place_m[1]
        return np.stack(
            [ray[0] + pose.place_m[0] * weight, ray[2] + pose.place_m[2] * weight, weight]
        )

    # -- things, bodywork -------------------------------------------------------------------

    def _draw_things(self, frame: Picture, pose: Pose, motion: Motion, t_s: float) -> None:
        spec = self.spec
        things = list(self._things)
        if spec.passing_at_s is not None:
            gained = spec.passing_mps * (t_s - spec.passing_at_s)
            place = float(motion.at("distance_m", t_s)) + gained + 0.6
            things.append(Thing(other_cart(), 2.3, place, spec.passing_mps))
        for seen in in_view(things, pose, spec.width, spec.focal_px):
            draw_thing(frame, seen, pose, spec.focal_px, spec.exposure_s)

    def _draw_front(self, frame: Picture, motion: Motion, t_s: float) -> None:
        """The own cart shakes a pixel or so with the engine."""
        assert self._front is not None
        rpm = float(motion.at("engine_rpm", t_s))
        size = self.spec.height / 720 * min(1.4, 2200 / max(rpm, 500))
        phase = 2 * math.pi * rpm / 60 * t_s
        matrix = np.array(
            [[1.0, 0.0, 0.5 * size * math.sin(phase / 2)], [0.0, 1.0, size * math.sin(phase)]]
        )
        part = cv2.warpAffine(
            self._front,
            matrix,
            (self.spec.width, self._front.shape[0]),
            flags=cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        blend(frame[self._front_top :], np.asarray(part, np.uint8))

    # -- sensor -----------------------------------------------------------------------------

    def _smear(self, frame: Picture, path: CameraPath, t_s: float) -> None:
        """Blur by the turning of the camera during the exposure."""
        half = self.spec.exposure_s / 2
        before, after = path.at(t_s - half).axes[2], path.at(t_s + half).axes[2]
        now = path.at(t_s).axes
        moved = (after - before) * self.spec.focal_px
        kernel = (odd(abs(float(now[0] @ moved))), odd(abs(float(now[1] @ moved))))
        if kernel != (1, 1):
            cv2.blur(frame, kernel, dst=frame, borderType=cv2.BORDER_REPLICATE)

    def _noise_bank(self) -> Picture:
        spec = self.spec
        rng = np.random.default_rng([spec.rng_seed, 3])
        shape = (spec.height + 96, spec.width + 96)
        luma = rng.standard_normal(shape, dtype=np.float32)
        luma = 0.75 * luma + 0.5 * cv2.GaussianBlur(luma, (0, 0), 0.8) * 2
        tint = rng.standard_normal((shape[0] // 2, shape[1] // 2, 3), dtype=np.float32)
        tint = cv2.resize(tint, shape[::-1], interpolation=cv2.INTER_LINEAR) * 0.45
        bank = 128 + 28 * (luma[:, :, None] + tint)
        return np.asarray(np.clip(bank, 0, 255), np.uint8)

    def _exposed(self, frame: Picture, t_s: float) -> Picture:
        spec = self.spec
        rng = np.random.default_rng([spec.rng_seed, 4, round(t_s * 90000) + 2**20])
        y, x = (int(v) for v in rng.integers(0, 96, 2))
        noise = self._noise[y : y + spec.height, x : x + spec.width]
        sigma = spec.noise_codes / math.sqrt(max(spec.light, 0.02)) / 28
        slow = math.sin(0.9 * t_s + spec.rng_seed) + 0.6 * math.sin(2.3 * t_s + 1.7)
        gain = (1 + spec.exposure_drift * slow / 1.2) * (0.25 + 0.75 * spec.light)
        step = 0.5 / spec.frame_rate_hz
        if any(abs(t_s - flash) <= step for flash in spec.flashes_s):
            gain *= 2.6
        out = cv2.addWeighted(frame, gain, noise, sigma, -128 * sigma)
        return np.asarray(out, np.uint8)

    def _burn_readout(self, frame: Picture, motion: Motion, t_s: float) -> None:
        late = float(motion.at("speed_mps", t_s - (self.spec.readout_lag_s or 0.0)))
        size = self.spec.height / 360
        at = (int(0.04 * self.spec.width), int(0.13 * self.spec.height))
        text = f"{late * 3.6:3.0f} km/h"
        thick = max(1, round(2 * size))
        for colour, extra in (((0, 0, 0), thick + 2), ((255, 255, 255), thick)):
            cv2.putText(frame, text, at, cv2.FONT_HERSHEY_SIMPLEX, size, colour, extra, cv2.LINE_AA)


@lru_cache(maxsize=2)
def _ground(kind: GroundKind, finest_m: float) -> Ground:
    return Ground(kind, finest_m)
