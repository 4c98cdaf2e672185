"""What stands beside the track, and how it is set into the picture; no real name, mark or face."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from overlay.demo.camera import Pose
from overlay.demo.paint import Colour, Easel, Picture, blend, odd, waves

FULL_TURN = 2 * math.pi


@dataclass(frozen=True, eq=False)
class Thing:
    """A flat picture that stands on the ground at (x, z) and always faces the camera."""

    # shape (h, w, 4), uint8: Premultiplied blue, green, red, alpha, each half the size of the one
    # before, so that far things do not shimmer.
    mips: tuple[Picture, ...]
    # Real size.
    width_m: float
    height_m: float
    # Where its foot is.
    x_m: float = 0.0
    z_m: float = 0.0
    # Its speed along z relative to the camera; None when it stands still.
    relative_mps: float | None = None

    def at(self, x_m: float, z_m: float) -> Thing:
        """The same thing in another place."""
        return Thing(self.mips, self.width_m, self.height_m, float(x_m), float(z_m))


def thing_from(easel: Easel, width_m: float, height_m: float) -> Thing:
    """What was painted, as a thing of a real size."""
    mips = [easel.premultiplied()]
    while min(mips[-1].shape[:2]) > 8:
        small = cv2.resize(mips[-1], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        mips.append(np.asarray(small, np.uint8))
    return Thing(tuple(mips), width_m, height_m)


@lru_cache(maxsize=1)
def roadside() -> list[Thing]:
    """All things along the track from 90 m behind the start to 330 m beyond it."""
    rng = np.random.default_rng([1, 21])
    cone, marshal, hangar = _cone(), _marshal(), _hangar()
    tufts, bushes, trees = ([make(rng) for _ in range(5)] for make in (_tuft, _bush, _tree))
    things = [hangar.at(-52, 175), hangar.at(60, -70)]
    things += [marshal.at(x, z) for x, z in ((-4.6, 3.4), (-9.3, 8.0), (8.9, 62.5))]
    for z in (0, 20, 40, 60, 80):
        things += [_board(str(z)).at(-6.4, z), cone.at(5.6, z), cone.at(-5.2, z)]
    for side in (-1, 1):
        things += [cone.at(side * 6.6, z) for z in range(10, 250, 20)]
        for kinds, (near, far), start, end, step in (
            (tufts, (7.4, 10.5), -60, 200, 2.6),
            (bushes, (26, 31), -85, 330, 11),
            (trees, (33, 75), -85, 330, 18),
        ):
            for row_m in np.arange(start, end, step):
                at = row_m + step * rng.uniform(-0.3, 0.3)
                things.append(kinds[rng.integers(5)].at(side * rng.uniform(near, far), at))
    return things


def draw_things(
    frame: Picture, things: Sequence[Thing], pose: Pose, focal_px: float, exposure_s: float
) -> None:
    """Set all things that can be seen into the picture, the farthest first."""
    if not things:
        return
    wide = frame.shape[1]
    facts = np.array([(t.x_m, 0.0, t.z_m, t.height_m, t.width_m) for t in things])
    feet = (facts[:, :3] - pose.place_m) @ pose.axes.T
    depth, tall = feet[:, 2], facts[:, 3]
    scale = focal_px / np.maximum(depth, 0.1)
    small = np.where(tall < 0.45, 8.0, 4.0) * min(1.0, wide / 900)
    seen = (depth > 0.7) & (depth < 50 + 60 * np.minimum(tall, 4.0)) & (tall * scale > small)
    seen &= (np.abs(feet[:, 0]) - facts[:, 4] / 2 - 0.3) * scale < wide / 2 + 40
    for i in sorted(np.flatnonzero(seen).tolist(), key=lambda i: -depth[i]):
        _draw(frame, things[i], feet[i], pose, focal_px, exposure_s)


def _draw(
    frame: Picture,
    thing: Thing,
    foot: np.ndarray[tuple[int], np.dtype[np.float64]],
    pose: Pose,
    focal_px: float,
    exposure_s: float,
) -> None:
    """One thing with its true perspective and the shutter's smear; `foot` in camera axes."""
    high, wide = frame.shape[:2]
    scale = focal_px / float(foot[2])
    u, v = (np.array((wide, high)) / 2 - 0.5 + scale * foot[:2]).tolist()
    tall, broad = thing.height_m * scale, thing.width_m * scale
    speed = -pose.speed_mps if thing.relative_mps is None else thing.relative_mps
    way = pose.axes @ (math.sin(pose.heading_rad), 0.0, math.cos(pose.heading_rad))
    moved = speed * exposure_s * way
    smear_x, smear_y = np.abs(scale * (moved - foot * moved[2] / foot[2]))[:2].tolist()
    lean = abs(float(pose.axes[0][1])) * tall
    left = max(0, math.floor(u - broad / 2 - 2 - smear_x - lean))
    right = min(wide, math.ceil(u + broad / 2 + 2 + smear_x + lean))
    top = max(0, math.floor(v - tall - 2 - smear_y))
    bottom = min(high, math.ceil(v + 2 + smear_y + lean))
    if right <= left or bottom <= top:
        return
    shrink = max(1.0, len(thing.mips[0]) / tall)
    mip = thing.mips[min(len(thing.mips) - 1, math.floor(math.log2(shrink) + 0.35))]
    # Where the world's up goes in the picture, scaled from the thing's to the frame's pixels.
    side, up = float(pose.axes[0][1]), float(pose.axes[1][1])
    zoom = -tall / len(mip) / math.hypot(side, up)
    cos, sin = up * zoom, side * zoom
    foot_x, foot_y = mip.shape[1] / 2 - 0.5, len(mip) - 0.5
    shift = u - left - cos * foot_x - sin * foot_y, v - top + sin * foot_x - cos * foot_y
    matrix = np.array(((cos, sin, shift[0]), (-sin, cos, shift[1])))
    part = cv2.warpAffine(mip, matrix, (right - left, bottom - top), flags=cv2.INTER_LINEAR)
    kernel = (odd(smear_x), odd(smear_y))
    if kernel != (1, 1):
        part = cv2.blur(part, kernel, borderType=cv2.BORDER_CONSTANT)
    blend(frame[top:bottom, left:right], np.asarray(part, np.uint8))


# -- what they look like --------------------------------------------------------------------------


def _cone() -> Thing:
    """An orange traffic cone with two white bands."""
    easel = Easel((150, 200))
    easel.area([(66, 8), (84, 8), (118, 182), (32, 182)], (28, 92, 232))
    for top, bottom in ((48, 78), (108, 138)):
        a, b = (66 - (y - 8) * 0.195 for y in (top, bottom))
        easel.area([(a, top), (150 - a, top), (150 - b, bottom), (b, bottom)], (226, 230, 232))
    easel.box(18, 178, 132, 194, (24, 70, 190))
    easel.light(np.interp(np.arange(150), (75, 149), (1, 0.66))[None, :])
    return thing_from(easel, 0.375, 0.5)


def _board(text: str) -> Thing:
    """A painted marker board on two legs."""
    easel = Easel((260, 260))
    for x in (60, 194):
        easel.box(x, 120, x + 8, 252, (60, 84, 104))
    easel.box(12, 10, 248, 172, (60, 60, 150))
    easel.box(21, 19, 239, 163, (222, 228, 230))
    (wide, high), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_DUPLEX, 3.0, 6)
    at, ink = (130 - wide // 2, 91 + high // 2), (40, 36, 36, 255)
    cv2.putText(easel.image, text, at, cv2.FONT_HERSHEY_DUPLEX, 3.0, ink, 6, cv2.LINE_AA)
    return thing_from(easel, 1.1, 1.1)


def _tuft(rng: np.random.Generator) -> Thing:
    """A tuft of long grass."""
    easel = Easel((160, 120))
    for _ in range(190):
        x = 80 + rng.normal(0, 26)
        shade = rng.uniform(0.55, 1.25)
        colour = (62 * shade, 128 * shade, shade * rng.uniform(118, 158))
        tip = (x + rng.normal(0, 18), 118 - abs(rng.normal(62, 26)))
        easel.line([(x, 119), tip], colour, 2)
    return thing_from(easel, 0.55, 0.42)


def _leaf(easel: Easel, at: tuple[float, float], lit: float, rng: np.random.Generator) -> None:
    colour: Colour = (52 * lit, 104 * lit, 84 * lit)
    easel.oval(at, (rng.uniform(9, 28), rng.uniform(8, 21)), colour)


def _tree(rng: np.random.Generator) -> Thing:
    """A field tree: a trunk and clumps of leaves, lit from the upper right."""
    easel = Easel((320, 360))
    easel.box(151, 230, 169, 356, (50, 66, 78))
    for _ in range(150):
        angle, reach = rng.uniform(0, FULL_TURN), math.sqrt(rng.random())
        x, y = 160 + 120 * reach * math.cos(angle), 150 + 115 * reach * math.sin(angle)
        _leaf(easel, (x, y), 0.62 + 0.30 * (x - y + 90) / 300 + rng.normal(0, 0.07), rng)
    easel.light(1 + 0.13 * waves((360, 320), 70, rng))
    return thing_from(easel, 7.2, 8.1)


def _bush(rng: np.random.Generator) -> Thing:
    """A length of hedge."""
    easel = Easel((420, 110))
    for _ in range(240):
        x, y = rng.uniform(16, 404), rng.uniform(34, 108)
        _leaf(easel, (x, y), 0.53 + 0.35 * (110 - y) / 80 + rng.normal(0, 0.07), rng)
    easel.light(1 + 0.15 * waves((110, 420), 110, rng))
    return thing_from(easel, 9.0, 2.3)


def _hangar() -> Thing:
    """An old arched hangar of corrugated iron."""
    easel = Easel((800, 260))
    easel.oval((400, 236), (380, 215), (118, 126, 122))
    easel.image[258:] = 0
    ribs = 0.93 + 0.09 * np.sin(np.arange(800) * FULL_TURN / 11)
    easel.light(ribs * np.clip(1 + 0.08 * waves((260, 800), 24, np.random.default_rng(14)), 0.7, 2))
    for x in range(190, 600, 29):
        easel.box(x, 96, x + 27, 256, (74, 84, 80))
    return thing_from(easel, 34.0, 11.0)


def _marshal() -> Thing:
    """A marshal seen as a plain figure in an orange vest."""
    easel = Easel((130, 300))
    for x, hand in ((50, 24), (68, 108)):
        easel.box(x, 170, x + 14, 292, (70, 58, 52))
        easel.line([(66, 86), (hand, 150)], (40, 110, 210), 13)
    easel.oval((66, 122), (27, 60), (30, 120, 236))
    easel.box(44, 128, 89, 136, (210, 232, 232))
    easel.oval((66, 40), (18, 20), (120, 150, 182))
    easel.oval((66, 30), (19, 12), (70, 70, 76))
    return thing_from(easel, 0.78, 1.8)
