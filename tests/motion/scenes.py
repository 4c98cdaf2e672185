"""A small camera-over-ground renderer with known speed, for the tests of the motion signal.

A pinhole camera rides over a flat, textured ground with posts beside the lane and distant
scenery on a cylinder at infinity. It is kept apart from the lifelike scene of ``overlay.demo`` on
purpose: two independent renderers do not share a mistake.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np
import numpy.typing as npt

from overlay.footage.model import LumaFrame

Array = npt.NDArray[np.float64]
Single = npt.NDArray[np.float32]
_TEXTURE_PX = 1024
_TEXEL_M = 0.012


@dataclass(frozen=True)
class Scene:
    """What the camera sees and how; angles in radians, lengths in metres."""

    speed_mps: Callable[[Array], Array]
    duration_s: float = 8.0
    rate_hz: float = 30.0
    size: tuple[int, int] = (320, 180)
    height_m: float = 0.8
    focal_px: float = 200.0
    pitch_rad: float = 0.12
    facing_rad: float = 0.0
    yaw_rate: Callable[[Array], Array] | None = None
    shake_rad: float = 0.002
    squat_rad_per_mps2: float = 0.0
    early_shake: tuple[float, float] | None = None
    exposure_share: float = 0.3
    noise: float = 2.0
    contrast: float = 40.0
    octave_fall: float = 0.75
    brightness: Callable[[float], float] | None = None
    bodywork: bool = False
    readout: bool = False
    passer: tuple[float, float] | None = None
    walker: bool = False
    posts: bool = True
    jitter: float = 0.0
    repeats: tuple[int, ...] = ()
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(5))


def launch_speed(
    start_s: float = 1.5, top: float = 15.0, tau: float = 3.0
) -> Callable[[Array], Array]:
    """A standing start that nears `top` m/s with the time constant `tau`."""

    def speed(t_s: Array) -> Array:
        return top * (1 - np.exp(-np.maximum(t_s - start_s, 0) / tau))

    return speed


def launch_and_stop(t_s: Array) -> Array:
    """A standing start at 1.5 s, and braking from 4 s to rest."""
    up = launch_speed()(t_s)
    top = float(launch_speed()(np.array([4.0]))[0])
    return np.where(t_s < 4.0, up, np.maximum(top - 6.0 * (t_s - 4.0), 0.0))


def noise_texture(rng: np.random.Generator, size: int, fall: float) -> npt.NDArray[np.float32]:
    """Periodic multi-octave noise with unit spread, shape (size, size)."""
    out = np.zeros((size, size), np.float32)
    for k in range(9):
        n = 4 << k
        if n > size:
            break
        coarse = rng.standard_normal((n, n)).astype(np.float32)
        padded = np.pad(coarse, 2, mode="wrap")
        scale = size // n
        big = cv2.resize(padded, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
        out += (fall**k) * big[2 * scale : -2 * scale, 2 * scale : -2 * scale]
    return (out - out.mean()) / out.std()


class Renderer:
    """Renders one picture of a scene at a time."""

    def __init__(self, scene: Scene) -> None:
        self.s = scene
        base = noise_texture(scene.rng, _TEXTURE_PX, scene.octave_fall)
        self.levels = [base]
        while self.levels[-1].shape[0] > 16:
            half = self.levels[-1].shape[0] // 2
            self.levels.append(
                cv2.resize(self.levels[-1], (half, half), interpolation=cv2.INTER_AREA)
            )
        self.wrapped = [np.pad(level, ((0, 1), (0, 1)), mode="wrap") for level in self.levels]
        self.far = noise_texture(scene.rng, 1024, 0.8)
        self.fine_t = np.arange(0, scene.duration_s + 0.5, 0.001)
        self.posts = scene.rng.uniform(-1, 1, (160, 4))
        self._path()
        self._shake()

    def _path(self) -> None:
        t, s = self.fine_t, self.s
        v = s.speed_mps(t)
        self.v = v
        yaw = np.zeros_like(t) if s.yaw_rate is None else np.cumsum(s.yaw_rate(t)) * 0.001
        self.yaw = yaw
        self.px = np.cumsum(v * np.sin(yaw)) * 0.001
        self.pz = np.cumsum(v * np.cos(yaw)) * 0.001

    def _shake(self) -> None:
        s, n = self.s, len(self.fine_t)
        raw = s.rng.standard_normal((3, n)).astype(np.float32)
        smooth = np.stack([cv2.GaussianBlur(r[None], (0, 0), 25)[0] for r in raw])
        smooth /= smooth.std(axis=1, keepdims=True)
        drive = s.shake_rad * np.minimum(1, self.v / 3)
        accel = cv2.GaussianBlur(np.gradient(self.v, 0.001)[None], (0, 0), 60)[0]
        # Looking down counts positive: the nose of a vehicle that pulls away goes up.
        self.squat = -s.squat_rad_per_mps2 * accel
        if s.early_shake is not None:
            until, size = s.early_shake
            slow = np.stack([cv2.GaussianBlur(r[None], (0, 0), 120)[0] for r in raw])
            slow /= slow.std(axis=1, keepdims=True)
            fade = np.clip((until - self.fine_t) / 0.3, 0, 1)
            self.shake = smooth * drive + slow * size * fade
        else:
            self.shake = smooth * drive

    def at(self, t_s: float) -> npt.NDArray[np.float32]:
        """The picture at one instant without blur or noise, about 0 to 255."""
        s = self.s
        i = int(np.clip(round(t_s * 1000), 0, len(self.fine_t) - 1))
        w, h = s.size
        yaw_s, pitch_s, roll_s = (float(x) for x in self.shake[:, i])
        heading = self.yaw[i] + s.facing_rad + yaw_s
        pitch = s.pitch_rad + pitch_s + self.squat[i]
        x, y = np.meshgrid(
            ((np.arange(w) - w / 2 + 0.5) / s.focal_px).astype(np.float32),
            ((np.arange(h) - h / 2 + 0.5) / s.focal_px).astype(np.float32),
        )
        heading, pitch = float(heading), float(pitch)
        c, n = float(np.cos(roll_s)), float(np.sin(roll_s))
        x, y = c * x - n * y, n * x + c * y
        sin_p, cos_p = math.sin(pitch), math.cos(pitch)
        sin_h, cos_h = math.sin(heading), math.cos(heading)
        down, ahead = sin_p + y * cos_p, cos_p - y * sin_p
        dx, dz = sin_h * ahead + cos_h * x, cos_h * ahead - sin_h * x
        azimuth = np.arctan2(dx, dz)
        elevation = -down / np.hypot(dx, dz)
        scenery = cv2.remap(
            self.far,
            ((azimuth * 1024 / (2 * np.pi) * 2) % 1024).astype(np.float32),
            np.clip(elevation * 300, 0, 1023).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_WRAP,
        )
        sky = np.where(elevation < 0.12, 120 + 25 * scenery, 205.0)
        image = sky.astype(np.float32)
        below = np.flatnonzero((down > 0.004).any(axis=1))
        if len(below):
            low = slice(int(below[0]), int(below[-1]) + 1)
            ground = self._ground(i, dx[low], dz[low], down[low])
            image[low] = np.where(down[low] > 0.004, ground, sky[low])
        if s.posts:
            self._draw_posts(image, i, heading, pitch)
        if s.passer is not None:
            self._draw_passer(image, t_s, i, heading, pitch)
        return image

    def _ground(self, i: int, dx: Single, dz: Single, down: Single) -> Single:
        s = self.s
        safe = np.maximum(down, 0.004)
        dist = s.height_m / safe
        gx, gz = float(self.px[i]) + dx * dist, float(self.pz[i]) + dz * dist
        # Footprint of a pixel: geometric mean of the across and along sizes.
        foot = dist / s.focal_px * np.sqrt(dist / s.height_m * 1.0)
        level = np.clip(np.log2(np.maximum(foot / _TEXEL_M, 1.0)), 0, len(self.levels) - 1.001)
        rows = np.median(level, axis=1)
        out = np.zeros(dx.shape, np.float32)
        for k, texture in enumerate(self.levels):
            weight = np.clip(1 - np.abs(rows - k), 0, 1).astype(np.float32)
            use = weight > 0
            if not use.any():
                continue
            n = texture.shape[0]
            per_m = n / (_TEXTURE_PX * _TEXEL_M)
            part = cv2.remap(
                self.wrapped[k],
                ((gx[use] * per_m) % n).astype(np.float32),
                ((gz[use] * per_m) % n).astype(np.float32),
                cv2.INTER_LINEAR,
            )
            out[use] += weight[use, None] * part
        return 110 + s.contrast * out

    def _project(
        self, gx: float, gy: float, gz: float, i: int, heading: float, pitch: float
    ) -> tuple[float, float, float]:
        x, z = gx - self.px[i], gz - self.pz[i]
        ahead = math.sin(heading) * x + math.cos(heading) * z
        right = math.cos(heading) * x - math.sin(heading) * z
        down = self.s.height_m - gy
        depth = ahead * math.cos(pitch) + down * math.sin(pitch)
        drop = -ahead * math.sin(pitch) + down * math.cos(pitch)
        w, h = self.s.size
        f = self.s.focal_px
        if depth < 0.5:
            return (0.0, 0.0, 0.0)
        return (f * right / depth + w / 2, f * drop / depth + h / 2, depth)

    def _draw_posts(
        self, image: npt.NDArray[np.float32], i: int, heading: float, pitch: float
    ) -> None:
        for k, (a, b, c, d) in enumerate(self.posts.tolist()):
            side = 1 if k % 2 else -1
            gx, gz = side * (4.5 + 3 * abs(a)), k * 2.0 + b - 30.0
            if np.hypot(gx - self.px[i], gz - self.pz[i]) > 62:
                continue
            foot = self._project(gx, 0.0, gz, i, heading, pitch)
            head = self._project(gx, 0.7 + 0.5 * abs(c), gz, i, heading, pitch)
            if foot[2] <= 0 or foot[2] > 60:
                continue
            thick = max(1.0, self.s.focal_px * 0.12 / foot[2])
            quad = np.array(
                [
                    (foot[0] - thick / 2, foot[1]),
                    (foot[0] + thick / 2, foot[1]),
                    (head[0] + thick / 2, head[1]),
                    (head[0] - thick / 2, head[1]),
                ]
            )
            if np.abs(quad).max() < 4000:
                cv2.fillConvexPoly(
                    image, np.round(quad * 16).astype(np.int32), 60 + 90 * (d + 1), cv2.LINE_AA, 4
                )

    def _draw_passer(
        self, image: npt.NDArray[np.float32], t_s: float, i: int, heading: float, pitch: float
    ) -> None:
        start, relative = self.s.passer or (0.0, 0.0)
        gap = -3.0 + relative * (t_s - start)
        if gap < 1.0 or gap > 60:
            return
        gx, gz = self.px[i] + 1.8, self.pz[i] + gap
        a = self._project(gx - 0.8, 0.1, gz, i, heading, pitch)
        b = self._project(gx + 0.8, 1.5, gz, i, heading, pitch)
        if a[2] <= 0:
            return
        cv2.rectangle(image, (int(a[0]), int(b[1])), (int(b[0]), int(a[1])), 45.0, -1)
        third = int((b[1] * 2 + a[1]) / 3)
        cv2.rectangle(image, (int(a[0]), third), (int(b[0]), third + 2), 200.0, -1)


def render(scene: Scene) -> tuple[list[LumaFrame], Array]:
    """All pictures of a scene, and the true speed in m/s at each picture's time, shape (n,)."""
    r = Renderer(scene)
    step = 1 / scene.rate_hz
    count = round(scene.duration_s * scene.rate_hz)
    t_s = np.arange(count) * step
    if scene.jitter:
        t_s[1:] += scene.rng.uniform(-scene.jitter, scene.jitter, count - 1) * step
    frames: list[LumaFrame] = []
    for k, t in enumerate(t_s):
        if k in scene.repeats and frames:
            frames.append(LumaFrame(float(t), frames[-1].luma.copy()))
            continue
        open_s = scene.exposure_share * step
        taps = 1 if r.v[min(int(t * 1000), len(r.v) - 1)] < 0.3 else 2
        # Exposure is centred on the stamp, so blur itself shifts nothing in time.
        offsets = (np.arange(taps) - (taps - 1) / 2) / taps * open_s
        image = np.mean([r.at(float(t + o)) for o in offsets], axis=0)
        frames.append(LumaFrame(float(t), _finish(scene, image, float(t))))
    return frames, scene.speed_mps(t_s)


def _finish(scene: Scene, image: npt.NDArray[np.float32], t: float) -> npt.NDArray[np.uint8]:
    w, h = scene.size
    if scene.walker:
        x = int((t * 25) % (w + 20)) - 20
        swing = int(4 * np.sin(t * 9))
        cv2.rectangle(image, (x, h // 3), (x + 12, h * 2 // 3), 50.0, -1)
        cv2.line(image, (x + 6, h * 2 // 3), (x + 6 + swing, h * 5 // 6), 40.0, 4)
        cv2.line(image, (x + 6, h * 2 // 3), (x + 6 - swing, h * 5 // 6), 45.0, 4)
    gain = 1.0 if scene.brightness is None else scene.brightness(t)
    image = image * gain
    if scene.bodywork:
        hull = np.array([(0, h), (w * 0.12, h * 0.72), (w * 0.88, h * 0.72), (w, h)])
        cv2.fillConvexPoly(image, hull.astype(np.int32), 70.0, cv2.LINE_AA)
        for k in range(8):
            cv2.circle(image, (int(w * (0.17 + 0.095 * k)), int(h * 0.86)), 4, 170.0, -1)
        cv2.line(image, (w // 2, h), (w // 2, int(h * 0.74)), 150.0, 3)
    if scene.readout:
        plate = np.full((26, 92), 20, np.uint8)
        cv2.putText(plate, f"{t * 7.31:06.2f}", (4, 21), 0, 0.6, 240, 2)
        image[8:34, 8:100] = plate
    noisy = image + scene.noise * scene.rng.standard_normal((h, w))
    return np.clip(np.round(noisy), 0, 255).astype(np.uint8)
