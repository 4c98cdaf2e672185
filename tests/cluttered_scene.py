"""Rendered drives among things: hedges, walls, parked cars, trees, traffic, slopes and bends.

A renderer of its own that shares no code with the demo's: textured rectangles in space, each put
into the picture by its homography (Hartley and Zisserman 2004, eq. 8.1), far ones first. The camera
rides on soft springs or none, shakes at firing frequency, reads its rows one after the other, sits
on a head that looks about, or behind a stabiliser that crops.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d
from scipy.signal import lfilter

from overlay.demo.vehicle import STEP_S, Motion
from overlay.footage.model import LumaFrame

Array = npt.NDArray[np.float64]
Picture = npt.NDArray[np.uint8]
WIDTH, HEIGHT = 640, 360
STRIP_M, HALF_ROAD_M, AHEAD_M, BEHIND_M = 4.0, 14.0, 90.0, 12.0
TILE_M = 64.0
NEAR_M = 0.15
GRAIN_M = 0.015


@dataclass(frozen=True)
class Clutter:
    """A place, a vehicle and a camera; angles in degrees, lengths in metres.

    Attributes
    ----------
    beside : tuple of str
        ``hedges``, ``wall`` (close by on the right), ``cars``, ``trees``, ``posts``, ``yard``.
    hedge_at_m, wall_at_m : float
        From the middle of the way.
    surface : str
        ``asphalt``, ``gravel`` or ``grass``.
    shadows : bool
        Black shadows lie across the way.
    bend_m, crest_percent
        Radius of an S-bend (0 = none), and the change of slope over a crest (0 = flat).
    traffic : tuple of (float, float, float)
        Vehicles: lateral place, distance ahead at the start, speed in m/s along the way.
    yaw_deg, pitch_deg, height_m, focal_widths
        The camera.
    springs_deg, spring_hz, damping
        Pitch for each m/s² of acceleration, and the springs it goes through (0 Hz = rigid).
    shake_deg : float
        At firing frequency, largest at idle.
    readout_s : float
        Time from the first row to the last.
    looks_about_deg : float
        A head that turns slowly.
    stabilised : bool
        What the camera's stabiliser leaves of the turning: all slower than 0.7 Hz.
    frame_rate_hz, noise_codes
    """

    beside: tuple[str, ...] = ()
    hedge_at_m: float = 2.8
    wall_at_m: float = 1.6
    surface: str = "asphalt"
    shadows: bool = False
    bend_m: float = 0.0
    crest_percent: float = 0.0
    traffic: tuple[tuple[float, float, float], ...] = ()
    yaw_deg: float = 0.0
    pitch_deg: float = 8.0
    height_m: float = 0.9
    focal_widths: float = 0.75
    springs_deg: float = 0.08
    spring_hz: float = 2.2
    damping: float = 0.4
    shake_deg: float = 0.05
    readout_s: float = 0.0
    looks_about_deg: float = 0.0
    stabilised: bool = False
    frame_rate_hz: float = 30.0
    noise_codes: float = 2.0


@dataclass(frozen=True, eq=False)
class _Sheet:
    """A textured rectangle: a corner, two edges (rows of `edges`, metres), its textures."""

    corner: Array
    edges: Array
    textures: tuple[Picture, ...]

    @property
    def middle(self) -> Array:
        return np.asarray(self.corner + self.edges.sum(axis=0) / 2)


def cluttered_frames(
    place: Clutter, motion: Motion, rng: np.random.Generator
) -> Iterator[LumaFrame]:
    """Every picture of a run, 640 x 360, grey."""
    scene = _Scene(place, motion, rng)
    for k in range(int(motion.duration_s * place.frame_rate_hz)):
        t_s = k / place.frame_rate_hz
        yield LumaFrame(t_s, scene.picture(t_s))


def smaller(frames: list[LumaFrame]) -> list[LumaFrame]:
    """The same pictures, 320 x 180."""
    size = (WIDTH // 2, HEIGHT // 2)
    return [
        LumaFrame(f.t_s, cv2.resize(f.luma, size, interpolation=cv2.INTER_AREA)) for f in frames
    ]


class _Scene:
    def __init__(self, place: Clutter, motion: Motion, rng: np.random.Generator) -> None:
        self.place, self.motion, self.rng = place, motion, rng
        self.focal_px = place.focal_widths * WIDTH
        self._lay_way(float(motion.distance_m[-1]))
        self._ride()
        tile = _ground(place, rng)
        self.strips = [self._strip(k, tile) for k in range(len(self.way) - 1)]
        self.things = list(self._things())
        self.far = list(_skyline(rng))
        self.car = _pyramid(_car_side(rng))

    def _lay_way(self, length_m: float) -> None:
        """Points of the way every STRIP_M from behind the start, their headings and heights."""
        s = np.arange(-3 * STRIP_M, length_m + AHEAD_M + 2 * STRIP_M, STRIP_M)
        bend = np.zeros(len(s))
        if self.place.bend_m:
            turn = np.clip((s - 10) / 6, 0, 1) * np.clip((length_m + 10 - s) / 6, 0, 1)
            bend = turn * np.sin(2 * np.pi * (s - 10) / 60) / self.place.bend_m
        heading = np.cumsum(bend) * STRIP_M
        grade = self.place.crest_percent / 100 * (np.exp(-(((s - 30) / 12) ** 2)) - 0.5)
        steps = STRIP_M * np.stack([np.sin(heading), np.cos(heading), grade], axis=-1)
        self.s = s
        self.way = np.cumsum(steps, axis=0) - steps[:3].sum(axis=0)

    def _at(self, s_m: float, aside_m: float = 0.0) -> tuple[Array, Array, Array]:
        """A point on the way, the direction along it and that to the right."""
        point = np.array([np.interp(s_m, self.s, column) for column in self.way.T])
        ahead = np.array([np.interp(s_m + 1.5, self.s, column) for column in self.way.T])
        behind = np.array([np.interp(s_m - 1.5, self.s, column) for column in self.way.T])
        along = (ahead - behind) / np.linalg.norm(ahead - behind)
        right = np.cross(along, [0.0, 0.0, 1.0])
        right /= np.linalg.norm(right)
        return point + aside_m * right, along, right

    def _ride(self) -> None:
        """Yaw, pitch and roll against the way, radians on the motion's own grid."""
        place, motion, rng = self.place, self.motion, self.rng
        t, rolling = motion.t_s, np.clip(motion.speed_mps / 3, 0, 1)
        accel = gaussian_filter1d(motion.accel_mps2, 20)
        pitch = np.radians(place.springs_deg) * _sprung(accel, place.spring_hz, place.damping)
        turns = np.cumsum(motion.engine_rpm / 60) * STEP_S * 2 * np.pi
        shake = np.radians(place.shake_deg) * np.clip(2200 / motion.engine_rpm, 0.4, 1.3)
        slow = [_wander(t, rng, 0.9) for _ in range(3)]
        look = [_wander(t, rng, 0.25) for _ in range(2)]
        head = np.radians(place.looks_about_deg)
        bumps = np.interp(
            motion.distance_m, np.arange(0, 400, 0.7), 0.5 * rng.normal(size=572)
        ) * np.clip(motion.speed_mps / 12, 0, 1)
        angles = np.stack(
            [
                np.radians(0.4) * slow[0] * rolling + head * look[0],
                pitch + np.radians(0.2) * bumps + 0.3 * head * look[1],
                np.radians(0.4) * slow[1] * rolling + 0.2 * head * look[0],
            ]
        )
        buzz = shake * (np.sin(turns / 2) + 0.6 * np.sin(turns + 1.0))
        angles += np.stack([0.4 * buzz, buzz, 0.5 * buzz])
        if place.stabilised:
            angles = gaussian_filter1d(angles, 0.19 / 0.7 / STEP_S, axis=1)
        self.angles = angles

    def _angles(self, t_s: float | Array) -> Array:
        return np.stack([np.interp(t_s, self.motion.t_s, column) for column in self.angles])

    def picture(self, t_s: float) -> Picture:
        """The picture whose middle row is read at a footage time."""
        place = self.place
        s_m = float(self.motion.at("distance_m", t_s))
        point, along, _ = self._at(s_m)
        yaw, pitch, roll = self._angles(t_s)
        eye = point + np.array([0.0, 0.0, place.height_m])
        heading = math.atan2(along[0], along[1]) + yaw + math.radians(place.yaw_deg)
        slope = math.asin(along[2]) * math.cos(math.radians(place.yaw_deg))
        axes = _axes(heading, slope + pitch - math.radians(place.pitch_deg), roll)
        canvas = np.full((HEIGHT, WIDTH), 214, np.uint8)
        for sheet in self.far:
            self._put(canvas, sheet, np.zeros(3), axes)
        first = int((s_m - BEHIND_M - self.s[0]) // STRIP_M)
        if math.cos(math.radians(place.yaw_deg)) < 0.5:
            first -= int(AHEAD_M / STRIP_M)
        last = int((s_m + AHEAD_M - self.s[0]) // STRIP_M)
        near = self.strips[max(first, 0) : last]
        upright = [
            sheet for sheet in self.things if np.linalg.norm(sheet.middle - eye) < AHEAD_M
        ] + [side for each in place.traffic for side in self._vehicle(each, t_s)]
        for group in (near, upright):
            for sheet in sorted(group, key=lambda each: -float(np.linalg.norm(each.middle - eye))):
                self._put(canvas, sheet, eye, axes)
        if place.readout_s:
            canvas = self._rolled(canvas, t_s)
        noisy = canvas + self.rng.normal(0, place.noise_codes, canvas.shape)
        return np.clip(noisy, 0, 255).astype(np.uint8)

    def _put(self, canvas: Picture, sheet: _Sheet, eye: Array, axes: Array) -> None:
        """Paint one rectangle where it lies in the picture."""
        corners = sheet.corner + np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) @ sheet.edges - eye
        seen = _cut_off_near(corners @ axes.T)
        if len(seen) < 3:
            return
        image = seen[:, :2] / seen[:, 2:] * self.focal_px + [WIDTH / 2, HEIGHT / 2]
        low = np.maximum(np.floor(image.min(axis=0)), 0).astype(int)
        high = np.minimum(np.ceil(image.max(axis=0)) + 1, [WIDTH, HEIGHT]).astype(int)
        if (high - low < 1).any():
            return
        depth = float(np.median(seen[:, 2]))
        size_m = np.linalg.norm(sheet.edges, axis=1).max()
        pixel_m = depth / self.focal_px * (2.5 if sheet.edges[0, 2] == sheet.edges[1, 2] else 1.0)
        finest_m = size_m / max(sheet.textures[0].shape)
        level = int(
            np.clip(round(math.log2(max(pixel_m / finest_m, 1))), 0, len(sheet.textures) - 1)
        )
        texture = sheet.textures[level]
        rows, columns = texture.shape
        camera = np.array(
            [
                [self.focal_px, 0, WIDTH / 2 - low[0]],
                [0, self.focal_px, HEIGHT / 2 - low[1]],
                [0, 0, 1],
            ]
        )
        plane = np.stack(
            [sheet.edges[0] / columns, sheet.edges[1] / rows, sheet.corner - eye], axis=-1
        )
        wide, high_px = int(high[0] - low[0]), int(high[1] - low[1])
        painted = cv2.warpPerspective(
            texture, camera @ axes @ plane, (wide, high_px), borderMode=cv2.BORDER_REPLICATE
        )
        mask = np.zeros((high_px, wide), np.uint8)
        cv2.fillConvexPoly(mask, np.round((image - low) * 16).astype(np.int32), 255, shift=4)
        part = canvas[low[1] : high[1], low[0] : high[0]]
        np.copyto(part, painted, where=mask > 0)

    def _rolled(self, canvas: Picture, t_s: float) -> Picture:
        """Rows read one after the other: each as the camera looked at its own time."""
        row = np.arange(HEIGHT)
        yaw, pitch, roll = self._angles(t_s + (row / HEIGHT - 0.5) * self.place.readout_s)
        yaw, pitch, roll = (
            each - np.interp(t_s, self.motion.t_s, column)
            for each, column in zip((yaw, pitch, roll), self.angles, strict=True)
        )
        x, y = np.meshgrid(np.arange(WIDTH, dtype=np.float64), row.astype(np.float64))
        across, down = x - WIDTH / 2, y - HEIGHT / 2
        from_x = x + self.focal_px * yaw[:, None] - roll[:, None] * down
        from_y = y - self.focal_px * pitch[:, None] + roll[:, None] * across
        return cv2.remap(
            canvas,
            from_x.astype(np.float32),
            from_y.astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )

    def _strip(self, k: int, tile: Picture) -> _Sheet:
        """A stretch of the ground."""
        here, there = self.way[k], self.way[k + 1]
        along = there - here
        right = np.cross(along / np.linalg.norm(along), [0.0, 0.0, 1.0])
        each = tile.shape[0] * STRIP_M / TILE_M
        first = int((k * each) % (tile.shape[0] - each))
        texture = tile[first : first + int(each)]
        return _Sheet(
            here - HALF_ROAD_M * right,
            np.stack([2 * HALF_ROAD_M * right, along * 1.02]),
            _pyramid(texture),
        )

    def _upright(
        self,
        s_m: float,
        aside_m: float,
        long_m: float,
        high_m: float,
        textures: tuple[Picture, ...],
        *,
        across: bool = False,
    ) -> _Sheet:
        point, along, right = self._at(s_m, aside_m)
        edge = long_m * (right if across else along)
        return _Sheet(
            point + np.array([0, 0, high_m]), np.stack([edge, [0.0, 0.0, -high_m]]), textures
        )

    def _things(self) -> Iterator[_Sheet]:
        place, rng = self.place, self.rng
        end_m = float(self.s[-1]) - 2 * STRIP_M
        if "hedges" in place.beside:
            for side in (-1, 1):
                for s_m in np.arange(-8, end_m, STRIP_M):
                    if rng.random() < 0.85:
                        aside = side * (place.hedge_at_m + rng.normal(0, 0.15))
                        yield self._upright(
                            s_m, aside, STRIP_M, rng.uniform(1.3, 1.9), _leaves(rng)
                        )
        if "wall" in place.beside:
            for s_m in np.arange(-8, end_m, STRIP_M):
                yield self._upright(s_m, place.wall_at_m, STRIP_M, 2.2, _bricks(rng))
        for name, apart_m, share, out_m in (("cars", 6.5, 0.7, 2.6), ("trees", 9.0, 0.9, 4.0)):
            if name not in place.beside:
                continue
            for side in (-1, 1):
                for s_m in np.arange(rng.uniform(0, 5), end_m, apart_m):
                    if rng.random() > share:
                        continue
                    aside = side * (out_m + rng.uniform(0, 0.5))
                    if name == "cars":
                        yield from self._box(s_m, aside, side)
                    else:
                        yield self._upright(s_m, aside, 0.35, 4.0, _leaves(rng), across=True)
        if "posts" in place.beside:
            for s_m in np.arange(2, end_m, 12.0):
                yield self._upright(
                    s_m, 5.0, 0.1, 1.0, _pyramid(_noise(rng, (32, 8), 30, 230)), across=True
                )
        if "yard" in place.beside:
            stop_m = float(self.motion.distance_m[-1]) + 9
            for s_m in np.arange(-8, stop_m, STRIP_M):
                for side in (-1, 1):
                    yield self._upright(s_m, side * 7.0, STRIP_M, 5.0, _bricks(rng))
            for aside in np.arange(-8, 8, STRIP_M):
                yield self._upright(stop_m, aside, STRIP_M, 5.0, _bricks(rng), across=True)

    def _box(self, s_m: float, aside_m: float, side: int) -> Iterator[_Sheet]:
        """A parked car: its flank and its tail."""
        paint = _pyramid(_car_side(self.rng))
        yield self._upright(s_m, aside_m, 4.2, 1.45, paint)
        left = aside_m if side > 0 else aside_m - 1.7
        yield self._upright(s_m, left, 1.7, 1.45, paint, across=True)

    def _vehicle(self, each: tuple[float, float, float], t_s: float) -> Iterator[_Sheet]:
        """A vehicle that drives: its nose or tail, and its flank."""
        aside, ahead_m, speed = each
        s_m = ahead_m + speed * t_s
        if not self.s[2] < s_m < self.s[-3]:
            return
        yield self._upright(s_m, aside - 0.85, 1.7, 1.5, self.car, across=True)
        yield self._upright(s_m, aside - math.copysign(0.85, aside), 4.0, 1.5, self.car)


def _cut_off_near(corners: Array) -> Array:
    """The part of a polygon in camera axes that lies ahead."""
    kept = []
    for one, two in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if one[2] > NEAR_M:
            kept.append(one)
        if (one[2] > NEAR_M) != (two[2] > NEAR_M):
            share = (NEAR_M - one[2]) / (two[2] - one[2])
            kept.append(one + share * (two - one))
    return np.array(kept).reshape(-1, 3)


def _axes(heading: float, pitch: float, roll: float) -> Array:
    """Rows right, down, ahead of a camera; heading clockwise from the second axis, pitch up."""
    ahead = np.array(
        [math.sin(heading) * math.cos(pitch), math.cos(heading) * math.cos(pitch), math.sin(pitch)]
    )
    right = np.array([math.cos(heading), -math.sin(heading), 0.0])
    down = np.cross(ahead, right)
    cos, sin = math.cos(roll), math.sin(roll)
    return np.stack([cos * right + sin * down, cos * down - sin * right, ahead])


def _sprung(accel: Array, hz: float, damping: float) -> Array:
    """Acceleration through a spring and damper of second order, unit gain."""
    if not hz:
        return accel
    w = 2 * np.pi * hz
    a, b = 2 * damping * w * STEP_S, (w * STEP_S) ** 2
    return np.asarray(lfilter([b], [1 + a, -(2 + a - b), 1], accel))


def _wander(t_s: Array, rng: np.random.Generator, hz: float) -> Array:
    rates, phases = rng.uniform(0.2 * hz, hz, 4), rng.random(4)
    return np.asarray(math.sqrt(0.5) * np.sin(2 * np.pi * (np.outer(t_s, rates) + phases)).sum(1))


def _noise(
    rng: np.random.Generator,
    shape: tuple[int, int],
    low: float,
    high: float,
    weights: tuple[float, ...] = (1, 1.5, 2, 2.5),
) -> Picture:
    """Noise of several coarsenesses, finest first."""
    out = np.zeros(shape, np.float32)
    for k, weight in enumerate(weights):
        size = (max(2, shape[1] >> k), max(2, shape[0] >> k))
        field = rng.normal(size=size[::-1]).astype(np.float32)
        out += np.float32(weight) * cv2.resize(field, shape[::-1], interpolation=cv2.INTER_CUBIC)
    out = (out - out.mean()) / out.std()
    return np.clip(low + (high - low) * (0.5 + out / 4), 0, 255).astype(np.uint8)


def _pyramid(texture: Picture) -> tuple[Picture, ...]:
    out = [texture]
    while min(out[-1].shape) > 8 and len(out) < 6:
        out.append(cv2.resize(out[-1], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))
    return tuple(out)


def _ground(place: Clutter, rng: np.random.Generator) -> Picture:
    """One long tile of the ground, its length down the rows."""
    shape = (int(TILE_M / GRAIN_M), int(2 * HALF_ROAD_M / GRAIN_M))
    span = {"asphalt": (70, 130), "gravel": (60, 200), "grass": (50, 160)}[place.surface]
    weights = {
        "asphalt": (1.5, 1.5, 1, 1, 1, 1.5, 2, 2),
        "gravel": (1, 2, 2, 1, 1),
        "grass": (1, 1.5, 2, 2, 2, 1),
    }
    tile = _noise(rng, shape, *span, weights[place.surface])
    verge = _noise(rng, shape, 50, 150, (1, 2, 2, 2, 2))
    x = np.abs(np.arange(shape[1]) * GRAIN_M - HALF_ROAD_M)
    tile = np.where(x > 3.0, verge, tile)
    for _ in range(160 if place.surface == "asphalt" else 0):  # patches, cracks and leaves
        a, b = (rng.integers(0, size, 2) for size in shape[::-1])
        start = np.array([shape[1] / 2 + (a[0] - shape[1] / 2) * 0.2, b[0]]).astype(int)
        end = start + rng.integers(-60, 60, 2)
        shade = int(rng.integers(30, 170))
        cv2.line(tile, start.tolist(), end.tolist(), shade, int(rng.integers(1, 4)))
    if place.shadows:
        dark = cv2.GaussianBlur(rng.normal(size=shape).astype(np.float32), (0, 0), 60)
        tile = np.where(dark > 0, tile, tile * 0.35).astype(np.uint8)
    return np.asarray(tile, np.uint8)


def _leaves(rng: np.random.Generator) -> tuple[Picture, ...]:
    return _pyramid(_noise(rng, (96, 192), 20, 150, (1.5, 2, 2, 1)))


def _bricks(rng: np.random.Generator) -> tuple[Picture, ...]:
    wall = _noise(rng, (128, 256), 110, 180, (1, 1, 1)).copy()
    wall[::8] = 200
    for row in range(0, 128, 8):
        wall[row : row + 8, (row % 16) :: 16] = 200
    return _pyramid(wall)


def _car_side(rng: np.random.Generator) -> Picture:
    side = np.full((64, 160), rng.integers(40, 220), np.uint8)
    side[8:26, 25:130] = 30
    side[8:26, 75:80] = 120
    for middle in (32, 128):
        cv2.circle(side, (middle, 56), 12, 15, -1)
        cv2.circle(side, (middle, 56), 6, 170, -1)
    side[40:42] = int(rng.integers(20, 240))
    return np.clip(side + rng.normal(0, 4, side.shape), 0, 255).astype(np.uint8)


def _skyline(rng: np.random.Generator) -> Iterator[_Sheet]:
    """Hills and trees all around, far away."""
    for k in range(12):
        one, two = (2 * np.pi * (k + end) / 12 for end in (0, 1.002))
        a, b = (400 * np.array([math.sin(x), math.cos(x), 0.0]) for x in (one, two))
        texture = _pyramid(_noise(rng, (64, 256), 60, 150))
        yield _Sheet(a + np.array([0, 0, 16.0]), np.stack([b - a, [0.0, 0.0, -16.0]]), texture)
        below = _pyramid(_noise(rng, (64, 256), 80, 120))
        yield _Sheet(a, np.stack([b - a, [0.0, 0.0, -400.0]]), below)


SHAKING = Clutter(springs_deg=0.0, spring_hz=0.0, shake_deg=0.12, readout_s=0.022)
CLUTTERED: dict[str, Clutter] = {
    "open": Clutter(beside=("posts",)),
    "hedges": Clutter(beside=("hedges",)),
    "wall close by": Clutter(beside=("wall",)),
    "parked cars": Clutter(beside=("cars",)),
    "trees, black shadows": Clutter(beside=("trees",), shadows=True),
    "yard, gravel": Clutter(beside=("yard",), surface="gravel"),
    "grass, hedges": Clutter(beside=("hedges",), surface="grass", hedge_at_m=4.5),
    "traffic": Clutter(beside=("cars",), traffic=((-2.0, 70.0, -9.0), (2.2, -6.0, 9.0))),
    "behind another": Clutter(beside=("trees",), traffic=((0.0, 9.0, 7.0),)),
    "crest": Clutter(beside=("hedges",), crest_percent=8.0),
    "S-bend": Clutter(beside=("hedges",), bend_m=30.0),
    "soft springs, cars": Clutter(beside=("cars",), springs_deg=0.3, spring_hz=1.4, height_m=1.5),
    "shaking single": replace(SHAKING, beside=("posts",)),
    "shaking single, hedges": replace(SHAKING, beside=("hedges",)),
    "shaking violently": replace(SHAKING, beside=("posts",), shake_deg=0.35),
    "stabilised": Clutter(beside=("hedges",), stabilised=True, shake_deg=0.2),
    "helmet": Clutter(beside=("cars",), looks_about_deg=12.0, height_m=1.2, pitch_deg=4.0),
    "bumper": Clutter(beside=("hedges",), height_m=0.3, pitch_deg=3.0, focal_widths=0.6),
    "turned 70 degrees": Clutter(beside=("posts",), yaw_deg=70.0, pitch_deg=15.0),
    "turned 70 degrees, hedges": Clutter(
        beside=("hedges",), yaw_deg=70.0, pitch_deg=15.0, hedge_at_m=4.0
    ),
    "sideways, hedges": Clutter(beside=("hedges",), yaw_deg=90.0, pitch_deg=15.0, hedge_at_m=4.0),
    "backward, cars": Clutter(beside=("cars",), yaw_deg=180.0),
    "10 a second, cars": Clutter(beside=("cars",), frame_rate_hz=10.0),
    "120 a second, hedges": Clutter(beside=("hedges",), frame_rate_hz=120.0),
}
