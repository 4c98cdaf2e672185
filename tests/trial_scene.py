"""The demo's scene with everything that can go wrong with a picture, for tests and benchmarks."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import cv2
import numpy as np

from overlay.demo.backdrop import Backdrop
from overlay.demo.camera import CameraPath, Ride, sway
from overlay.demo.ground import (
    PERIOD_M,
    SLAB_BGR,
    SLAB_WEIGHTS,
    GroundStrip,
    texture,
)
from overlay.demo.paint import Easel, Picture
from overlay.demo.scene import DemoScene, SceneSpec, frame_times_s
from overlay.demo.things import Thing, roadside, thing_from
from overlay.demo.vehicle import STEP_S, Motion
from overlay.timebase import FloatArray

MOUNT_YAW_DEG = {"forward": 0.0, "right": 90.0, "backward": 180.0, "left": -90.0}
SURFACES = {
    "asphalt": ((98, 98, 97), (2.0, 2.5, 2.5, 3.0, 4.0, 6.0, 8.0, 9.0)),
    "smooth": ((134, 138, 139), (2.0, 2.0, 1.5, 1.5, 1.5, 1.5, 2.0, 2.0)),
    "apron": (SLAB_BGR, SLAB_WEIGHTS),
}
PLAIN_CELL_M, PLAIN_HALF_M = 0.025, 75.0


@dataclass(frozen=True)
class TrialRide(Ride):
    """A ride that starts in a moving hand, or turns to the right.

    The camera is in the hand until `handheld_until_s`; the path bends by `turn_deg` over
    `turn_length_m` from `turn_at_m` on.
    """

    handheld_until_s: float = 0.0
    turn_deg: float = 0.0
    turn_at_m: float = 25.0
    turn_length_m: float = 18.0


@dataclass(frozen=True)
class TrialSpec(SceneSpec):
    """A camera and place of which things can be wrong.

    Attributes
    ----------
    vfr_jitter, duplicate_share : float
        Standard deviation of a frame's time as a share of a step; share of frames that repeat the
        one before.
    facing : str
        ``forward``, ``backward``, ``left`` or ``right``.
    surface : str
        ``taxiway``, or ``asphalt``, ``smooth`` or ``apron`` without marks to all sides.
    contrast : float
        Factor on the texture of a surface without marks.
    roadside : bool
        Whether things stand beside the track.
    light : float
        1 in daylight; 0.15 at dusk. Less light means more noise.
    exposure_drift : float
        Relative size of slow brightness changes.
    passing_at_s : float or None
        Footage time at which another cart draws level, faster by `passing_mps`.
    readout_lag_s : float or None
        A speed in digits, late by so much, burnt into the corner by the camera.
    cuts_s, cut_facing
        Times at which the picture cuts to another facing and back again.
    flashes_s : tuple of float
        Times of single frames that are far too bright.
    dark : bool
        The lens is covered: noise only.
    """

    ride: Ride = TrialRide()
    vfr_jitter: float = 0.0
    duplicate_share: float = 0.0
    facing: str = "forward"
    surface: str = "taxiway"
    contrast: float = 1.0
    roadside: bool = True
    light: float = 1.0
    exposure_drift: float = 0.03
    passing_at_s: float | None = None
    passing_mps: float = 3.0
    readout_lag_s: float | None = None
    cuts_s: tuple[float, ...] = ()
    cut_facing: str = "left"
    flashes_s: tuple[float, ...] = ()
    dark: bool = False


def trial_times_s(spec: TrialSpec, duration_s: float) -> FloatArray:
    """Frame times, strictly increasing, uneven where the camera's are."""
    t_s = frame_times_s(spec, duration_s)
    if spec.vfr_jitter:
        rng = np.random.default_rng([spec.rng_seed, 5])
        shift = rng.normal(0, spec.vfr_jitter, len(t_s)).clip(-0.45, 0.45) / spec.frame_rate_hz
        shift[0] = 0
        t_s = np.round((t_s + shift) * 90000) / 90000
    return t_s


def trial_pictures(spec: TrialSpec, motion: Motion) -> Iterator[tuple[float, Picture]]:
    """Every frame of a run, as `overlay.demo.scene.pictures` gives them."""
    scene = TrialScene(spec, motion)
    rng = np.random.default_rng([spec.rng_seed, 9])
    last: Picture | None = None
    for t_s in trial_times_s(spec, motion.duration_s).tolist():
        repeated = rng.random() < spec.duplicate_share
        if last is None or not repeated:
            last = scene.picture(t_s)
        yield t_s, last


class TrialScene(DemoScene):
    """One run with what is wrong with it, ready to be pictured."""

    def __init__(self, spec: TrialSpec, motion: Motion) -> None:
        ahead = spec.facing == "forward"
        turned = replace(spec, yaw_deg=spec.yaw_deg + MOUNT_YAW_DEG[spec.facing])
        turned = replace(turned, bodywork=spec.bodywork and ahead)
        strips = None if spec.surface == "taxiway" else _plain(spec.surface, spec.contrast)
        things = None if spec.roadside else ()
        round_about = isinstance(spec.ride, TrialRide) and spec.ride.turn_deg != 0.0
        if round_about and spec.roadside:
            things = _far_off()
        backdrop = RoundBackdrop(spec.focal_px) if round_about else None
        super().__init__(turned, motion, strips=strips, things=things, backdrop=backdrop)
        self.trial = spec
        if isinstance(spec.ride, TrialRide):
            _upset(self.path, spec.ride, motion)
        self._other = None
        if spec.cuts_s:
            self._other = TrialScene(replace(spec, facing=spec.cut_facing, cuts_s=()), motion)

    def picture(self, t_s: float) -> Picture:
        """The picture whose exposure is centred on `t_s`."""
        spec = self.trial
        if self._other is not None and sum(t_s >= cut for cut in spec.cuts_s) % 2:
            return self._other.picture(t_s)
        slow = math.sin(0.9 * t_s + spec.rng_seed) + 0.6 * math.sin(2.3 * t_s + 1.7)
        gain = (1 + spec.exposure_drift * slow / 1.2) * (0.25 + 0.75 * spec.light)
        if any(abs(t_s - flash) <= 0.5 / spec.frame_rate_hz for flash in spec.flashes_s):
            gain *= 2.6
        covered = np.full((spec.height, spec.width, 3), 3, np.uint8)
        view = covered if spec.dark else self.view(t_s)
        noise = spec.noise_codes / math.sqrt(max(spec.light, 0.02))
        frame = self.exposed(view, t_s, gain, noise)
        if spec.readout_lag_s is not None:
            self._burn_readout(frame, float(self.motion.at("speed_mps", t_s - spec.readout_lag_s)))
        return frame

    def things(self, t_s: float) -> Sequence[Thing]:
        """What stands beside the track, and the cart that passes."""
        spec = self.trial
        things = super().things(t_s)
        if spec.passing_at_s is None:
            return things
        gained = spec.passing_mps * (t_s - spec.passing_at_s)
        place = float(self.motion.at("distance_m", t_s)) + gained + 0.6
        return [*things, replace(_other_cart().at(2.3, place), relative_mps=spec.passing_mps)]

    def _burn_readout(self, frame: Picture, late_mps: float) -> None:
        size = self.trial.height / 360
        at = (int(0.04 * self.trial.width), int(0.13 * self.trial.height))
        text, thick = f"{late_mps * 3.6:3.0f} km/h", max(1, round(2 * size))
        for colour, extra in (((0, 0, 0), thick + 2), ((255, 255, 255), thick)):
            cv2.putText(frame, text, at, cv2.FONT_HERSHEY_SIMPLEX, size, colour, extra, cv2.LINE_AA)


class RoundBackdrop(Backdrop):
    """The same view on a cylinder, mirrored at its ends, for a camera that turns right round."""

    def draw(self, frame: Picture, axes: np.ndarray, end: int) -> None:
        high, wide = frame.shape[:2]
        u, v = np.arange(wide) - (wide - 1) / 2, np.arange(end)[:, None] - (high - 1) / 2
        ray = axes[2] + u[None, :, None] * axes[0] / self._focal
        ray = ray + v[:, :, None] * axes[1] / self._focal
        azimuth = np.arctan2(ray[..., 0], ray[..., 2])
        elevation = np.arctan2(ray[..., 1], np.hypot(ray[..., 0], ray[..., 2]))
        across = self._from_world[0, 2] + azimuth * self._focal
        down = self._from_world[1, 2] - elevation * self._focal
        maps = across.astype(np.float32), down.astype(np.float32)
        frame[:end] = cv2.remap(
            self._view, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101
        )


def _upset(path: CameraPath, ride: TrialRide, motion: Motion) -> None:
    """Bend the path, and shake the camera while it is held in a hand."""
    rng, t_s = np.random.default_rng([ride.rng_seed, 78]), motion.t_s
    if ride.turn_deg:
        part = np.clip((motion.distance_m - ride.turn_at_m) / ride.turn_length_m, 0, 1)
        bend = np.radians(ride.turn_deg) * part * part * (3 - 2 * part)
        path.heading = path.heading + bend
        path.yaw = path.yaw + bend
        path.aside = np.cumsum(motion.speed_mps * np.sin(path.heading)) * STEP_S
        path.along = np.cumsum(motion.speed_mps * np.cos(path.heading)) * STEP_S
    hand = np.clip((ride.handheld_until_s - t_s) / 0.3, 0, 1)
    path.pitch = path.pitch + np.radians(5.0) * hand * sway(t_s, rng, (0.5, 2.5))
    path.yaw = path.yaw + np.radians(8.0) * hand * sway(t_s, rng, (0.4, 2.0))
    path.roll = path.roll + np.radians(4.0) * hand * sway(t_s, rng, (0.4, 1.5))


@lru_cache(maxsize=3)
def _plain(surface: str, contrast: float) -> tuple[GroundStrip]:
    """Ground to all sides without marks."""
    tint, weights = SURFACES[surface]
    shape = round(PERIOD_M / PLAIN_CELL_M), round(2 * PLAIN_HALF_M / PLAIN_CELL_M)
    rough = contrast * texture(shape, PLAIN_CELL_M, weights, np.random.default_rng(2))
    planes = [np.clip(code + rough, 4, 251).astype(np.uint8) for code in tint]
    return (GroundStrip(np.asarray(cv2.merge(planes), np.uint8), PLAIN_CELL_M, PLAIN_CELL_M),)


@lru_cache(maxsize=1)
def _far_off() -> tuple[Thing, ...]:
    """Hedge and trees round a wide apron, taken from the roadside's."""
    rng = np.random.default_rng(21)
    tall = [thing for thing in roadside() if 2 < thing.height_m < 9]
    angles = np.arange(0, 2 * math.pi, 0.05)
    reach = rng.uniform(95, 120, len(angles))
    return tuple(
        tall[rng.integers(len(tall))].at(20 + r * math.sin(a), 30 + r * math.cos(a))
        for a, r in zip(angles, reach, strict=True)
    )


@lru_cache(maxsize=1)
def _other_cart() -> Thing:
    """Another cyclekart from behind: a narrow body, two wire wheels, a driver's back."""
    easel = Easel((300, 230))
    for x in (40, 260):
        easel.oval((x, 160), (15, 66), (38, 38, 40))
        easel.oval((x, 160), (5, 46), (96, 96, 98))
    easel.box(40, 152, 260, 164, (60, 60, 64))
    easel.area([(112, 92), (188, 92), (206, 190), (94, 190)], (44, 40, 150))
    easel.oval((150, 84), (36, 48), (86, 66, 58))
    easel.oval((150, 32), (22, 22), (206, 212, 214))
    return thing_from(easel, 1.5, 1.15)
