"""What stands beside the track, and how it is set into the picture."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from overlay.demo import sprites
from overlay.demo.camera import Pose
from overlay.demo.ground import GroundKind
from overlay.demo.sprites import Sprite

Picture = npt.NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Thing:
    """A sprite standing on the ground at (x, z).

    `relative_mps` is its speed along z relative to the camera; None when it stands still.
    """

    sprite: Sprite
    x_m: float
    z_m: float
    relative_mps: float | None = None


def roadside(kind: GroundKind) -> list[Thing]:
    """All things along the track from 90 m behind the start to 330 m beyond it."""
    rng = np.random.default_rng([kind.rng_seed, 21])
    if kind.endless:
        return _around_apron(rng)
    things = [
        Thing(sprites.hangar(), -52.0, 175.0),
        Thing(sprites.hangar(), 60.0, -70.0),
        Thing(sprites.tent(), -11.5, 9.0),
        Thing(sprites.marshal(), -4.6, 3.4),
        Thing(sprites.marshal(), -9.3, 8.0),
        Thing(sprites.marshal(), 8.9, 62.5),
    ]
    for z, text in ((0.0, "0"), (20.0, "20"), (40.0, "40"), (60.0, "60"), (80.0, "80")):
        things.append(Thing(sprites.board(text), -6.4, z))
        things.append(Thing(sprites.cone(), 5.6, z))
        things.append(Thing(sprites.cone(), -5.2, z))
    things += [Thing(sprites.cone(), s * 6.6, z + 10.0) for z in range(0, 240, 20) for s in (-1, 1)]
    things += [Thing(sprites.bale(), x, 128.0) for x in np.arange(-6.0, 6.1, 1.1).tolist()]
    for z in np.arange(-60, 200, 2.6).tolist():
        for side in (-1, 1):
            x = side * rng.uniform(7.4, 10.5)
            things.append(Thing(sprites.tuft(int(rng.integers(6))), x, z + rng.uniform(-1, 1)))
    for z in np.arange(-85, 330, 11).tolist():
        for side in (-1, 1):
            x = side * rng.uniform(26, 31)
            things.append(Thing(sprites.bush(int(rng.integers(5))), x, z + rng.uniform(-3, 3)))
            if rng.random() < 0.6:
                x = side * rng.uniform(33, 75)
                things.append(Thing(sprites.tree(int(rng.integers(5))), x, z))
    return things


def _around_apron(rng: np.random.Generator) -> list[Thing]:
    """Hedge, trees and hangars round a wide apron, and a few cones on it."""
    things = [
        Thing(sprites.hangar(), -70.0, 150.0),
        Thing(sprites.hangar(), 130.0, 20.0),
        Thing(sprites.tent(), -16.0, 12.0),
        Thing(sprites.board("0"), -6.4, 0.0),
    ]
    for angle in np.arange(0, 2 * np.pi, 0.09).tolist():
        reach = rng.uniform(100, 112)
        x, z = 20 + reach * math.sin(angle), 30 + reach * math.cos(angle)
        things.append(Thing(sprites.bush(int(rng.integers(5))), x, z))
        if rng.random() < 0.5:
            things.append(Thing(sprites.tree(int(rng.integers(5))), x * 1.1, z * 1.1))
    for _ in range(40):
        x, z = rng.uniform(-40, 80), rng.uniform(-20, 100)
        if abs(x) > 4 and not 28 < z < 50:
            things.append(Thing(sprites.cone(), float(x), float(z)))
    return things


@dataclass(frozen=True, eq=False)
class Seen:
    """A thing as the camera sees it: the place of its foot in camera axes, metres."""

    sprite: Sprite
    right_m: float
    down_m: float
    depth_m: float
    relative_mps: float | None


def in_view(things: list[Thing], pose: Pose, width_px: int, focal_px: float) -> list[Seen]:
    """All things that can be seen, the farthest first; small and low far ones are left out."""
    if not things:
        return []
    facts = np.array([(t.x_m, t.z_m, t.sprite.height_m, t.sprite.width_m) for t in things])
    offset = np.zeros((len(things), 3))
    offset[:, 0], offset[:, 2] = facts[:, 0], facts[:, 1]
    at = (offset - pose.place_m) @ pose.axes.T
    depth, tall = at[:, 2], facts[:, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = focal_px / depth
        aside = np.abs(at[:, 0]) - facts[:, 3] / 2 - 0.3
        small = np.where(tall < 0.45, 7.0, 3.0) * min(1.0, width_px / 900)
        seen = (depth > 0.7) & (depth < 50 + 60 * np.minimum(tall, 4.0)) & (tall * scale > small)
        seen &= aside * scale < width_px / 2 + 40
    order = np.flatnonzero(seen)
    found = []
    for i in order[np.argsort(-depth[order])].tolist():
        right_m, down_m, depth_m = at[i].tolist()
        thing = things[i]
        found.append(Seen(thing.sprite, right_m, down_m, depth_m, thing.relative_mps))
    return found


def blend(onto: Picture, part: Picture) -> None:
    """Lay a premultiplied picture over `onto` in place; equal sizes."""
    clear = cv2.bitwise_not(cv2.extractChannel(part, 3))
    under = cv2.multiply(onto, cv2.merge([clear, clear, clear]), scale=1 / 255)
    cv2.add(under, cv2.cvtColor(part, cv2.COLOR_BGRA2BGR), dst=onto)


def draw_thing(frame: Picture, seen: Seen, pose: Pose, focal_px: float, exposure_s: float) -> None:
    """Set one thing into the picture with its true perspective and the shutter's smear."""
    high, wide = frame.shape[:2]
    scale = focal_px / seen.depth_m
    u = wide / 2 - 0.5 + scale * seen.right_m
    v = high / 2 - 0.5 + scale * seen.down_m
    tall, broad = seen.sprite.height_m * scale, seen.sprite.width_m * scale
    smear_x, smear_y = _smear(seen, pose, scale, exposure_s)
    lean = abs(float(pose.axes[0][1])) * tall
    left = max(0, math.floor(u - broad / 2 - 2 - smear_x - lean))
    right = min(wide, math.ceil(u + broad / 2 + 2 + smear_x + lean))
    top = max(0, math.floor(v - tall - 2 - smear_y))
    bottom = min(high, math.ceil(v + 2 + smear_y + lean))
    if right <= left or bottom <= top:
        return
    mips = seen.sprite.mips
    shrink = mips[0].shape[0] / tall
    mip = mips[min(len(mips) - 1, max(0, math.floor(math.log2(max(shrink, 1)) + 0.35)))]
    zoom = tall / mip.shape[0]
    # Where the world's down goes in the picture, scaled from sprite to picture pixels.
    side, down = float(pose.axes[0][1]), float(pose.axes[1][1])
    size = -math.hypot(side, down)
    down_x, down_y = side / size * zoom, down / size * zoom
    foot_x, foot_y = mip.shape[1] / 2 - 0.5, mip.shape[0] - 0.5
    shift_x = u - left - down_y * foot_x - down_x * foot_y
    shift_y = v - top + down_x * foot_x - down_y * foot_y
    matrix = np.array(((down_y, down_x, shift_x), (-down_x, down_y, shift_y)))
    part = cv2.warpAffine(mip, matrix, (right - left, bottom - top), flags=cv2.INTER_LINEAR)
    kernel = (odd(smear_x), odd(smear_y))
    if kernel != (1, 1):
        part = cv2.blur(part, kernel, borderType=cv2.BORDER_CONSTANT)
    blend(frame[top:bottom, left:right], np.asarray(part, np.uint8))


def _smear(seen: Seen, pose: Pose, scale: float, exposure_s: float) -> tuple[float, float]:
    """How far the thing's foot moves in the picture during the exposure, pixels."""
    speed = -pose.speed_mps if seen.relative_mps is None else seen.relative_mps
    step_m = speed * exposure_s
    if abs(step_m) * scale < 0.5:
        return 0.0, 0.0
    sin, cos = math.sin(pose.heading_rad), math.cos(pose.heading_rad)
    moved = [float(axis[0] * sin + axis[2] * cos) * step_m for axis in pose.axes]
    nearer = moved[2] / seen.depth_m
    return (
        abs(scale * (moved[0] - seen.right_m * nearer)),
        abs(scale * (moved[1] - seen.down_m * nearer)),
    )


def odd(length: float) -> int:
    """Nearest odd whole number, at least 1: a box that does not shift what it blurs."""
    return 2 * round(max(0.0, length - 1) / 2) + 1
