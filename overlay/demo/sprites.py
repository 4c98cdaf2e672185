"""Things beside the track, painted once as small pictures.

A sprite is premultiplied blue-green-red-alpha, with halved copies so that far ones do not
shimmer. Nothing here carries a real name, mark or face.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

Picture = npt.NDArray[np.uint8]
Colour = tuple[int, int, int]


@dataclass(frozen=True, eq=False)
class Sprite:
    """A flat thing that stands on the ground and always faces the camera.

    Attributes
    ----------
    mips : tuple of ndarray, shape (h, w, 4), uint8
        Premultiplied pictures, each half the size of the one before.
    width_m, height_m : float
        Real size.
    """

    mips: tuple[Picture, ...]
    width_m: float
    height_m: float


def _finished(picture: npt.NDArray[np.float32], width_m: float, height_m: float) -> Sprite:
    alpha = picture[:, :, 3:] / 255
    flat = np.concatenate([picture[:, :, :3] * alpha, picture[:, :, 3:]], 2)
    mips = [np.clip(flat, 0, 255).astype(np.uint8)]
    while min(mips[-1].shape[:2]) > 8 and len(mips) < 7:
        small = cv2.resize(mips[-1], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        mips.append(np.asarray(small, np.uint8))
    return Sprite(tuple(mips), width_m, height_m)


def _blank(high: int, wide: int) -> npt.NDArray[np.float32]:
    return np.zeros((high, wide, 4), np.float32)


def _grain(shape: tuple[int, int], cells: int, rng: np.random.Generator) -> npt.NDArray[np.float32]:
    aspect = shape[0] / shape[1]
    small = rng.standard_normal((max(2, round(cells * aspect)), cells)).astype(np.float32)
    return np.asarray(cv2.resize(small, shape[::-1], interpolation=cv2.INTER_CUBIC))


def _shadow(picture: npt.NDArray[np.float32]) -> None:
    """A soft dark foot, so that things stand on the ground and do not float."""
    high, wide = picture.shape[:2]
    foot = np.zeros((high, wide), np.uint8)
    at, axes = (wide // 2, high - max(2, high // 40)), (int(wide * 0.46), max(2, high // 34))
    cv2.ellipse(foot, at, axes, 0, 0, 360, 130, -1)
    soft = cv2.GaussianBlur(foot, (0, 0), max(1, high / 90))
    picture[:, :, 3] = np.maximum(picture[:, :, 3], soft)


@cache
def cone() -> Sprite:
    """An orange traffic cone with two white bands, half a metre high."""
    image = _blank(200, 150)
    _shadow(image)
    body = np.array([[66, 8], [84, 8], [118, 182], [32, 182]])
    cv2.fillPoly(image, [body], (28, 92, 232, 255), cv2.LINE_AA)
    for top, bottom in ((48, 78), (108, 138)):
        left = 66 - (np.array([top, bottom]) - 8) * 0.195
        right = 150 - left
        band = np.array(
            [[left[0], top], [right[0], top], [right[1], bottom], [left[1], bottom]], np.int32
        )
        cv2.fillPoly(image, [band], (226, 230, 232, 255), cv2.LINE_AA)
    cv2.rectangle(image, (18, 178), (132, 194), (24, 70, 190, 255), -1)
    image[:, 75:, :3] *= np.linspace(1.0, 0.66, 75, dtype=np.float32)[None, :, None]
    return _finished(image, 0.375, 0.5)


@cache
def board(text: str) -> Sprite:
    """A painted marker board on two legs."""
    image = _blank(260, 260)
    _shadow(image)
    for x in (60, 194):
        cv2.rectangle(image, (x, 120), (x + 8, 252), (60, 84, 104, 255), -1)
    cv2.rectangle(image, (16, 14), (244, 168), (222, 228, 230, 255), -1)
    cv2.rectangle(image, (16, 14), (244, 168), (60, 60, 150, 255), 9)
    size, thick = cv2.FONT_HERSHEY_DUPLEX, 6
    (wide, high), _ = cv2.getTextSize(text, size, 3.0, thick)
    scale = min(3.0, 3.0 * 190 / wide)
    at = (int(130 - wide * scale / 6), int(92 + high * scale / 6))
    letters = np.zeros(image.shape[:2], np.uint8)  # putText draws on whole numbers only
    cv2.putText(letters, text, at, size, scale, 255, thick, cv2.LINE_AA)
    ink = letters[:, :, None] / np.float32(255)
    image[:, :, :3] += (np.array((40, 36, 36), np.float32) - image[:, :, :3]) * ink
    return _finished(image, 1.1, 1.1)


@cache
def tuft(kind: int) -> Sprite:
    """A tuft of long grass."""
    rng = np.random.default_rng([11, kind])
    image = _blank(120, 160)
    for _ in range(190):
        x = 80 + rng.normal(0, 26)
        tip = (int(x + rng.normal(0, 18)), int(118 - abs(rng.normal(62, 26))))
        shade = rng.uniform(0.55, 1.25)
        colour = tuple(float(c * shade) for c in (62, 128, 118 + rng.uniform(0, 40)))
        cv2.line(image, (int(x), 119), tip, (*colour, 255), 2, cv2.LINE_AA)
    return _finished(image, 0.55, 0.42)


@cache
def tree(kind: int) -> Sprite:
    """A field tree: a trunk and clumps of leaves, lit from the upper right."""
    rng = np.random.default_rng([12, kind])
    image = _blank(360, 320)
    cv2.rectangle(image, (151, 230), (169, 356), (50, 66, 78, 255), -1)
    for _ in range(150):
        angle, reach = rng.uniform(0, 2 * np.pi), np.sqrt(rng.random())
        x, y = 160 + 120 * reach * np.cos(angle), 150 + 115 * reach * np.sin(angle)
        lit = 0.62 + 0.30 * (x - y + 90) / 300 + rng.normal(0, 0.07)
        colour = tuple(float(c * lit) for c in (52, 104, 84))
        size = (int(rng.uniform(13, 30)), int(rng.uniform(10, 24)))
        cv2.ellipse(image, (int(x), int(y)), size, 0, 0, 360, (*colour, 255), -1, cv2.LINE_AA)
    image[:, :, :3] *= np.clip(1 + 0.13 * _grain((360, 320), 70, rng), 0.5, 1.5)[:, :, None]
    return _finished(image, 7.2, 8.1)


@cache
def bush(kind: int) -> Sprite:
    """A length of hedge."""
    rng = np.random.default_rng([13, kind])
    image = _blank(110, 420)
    for _ in range(240):
        x, y = rng.uniform(16, 404), rng.uniform(34, 108)
        lit = 0.55 + 0.35 * (110 - y) / 80 + rng.normal(0, 0.07)
        colour = tuple(float(c * lit) for c in (50, 98, 80))
        size = (int(rng.uniform(8, 20)), int(rng.uniform(7, 15)))
        cv2.ellipse(image, (int(x), int(y)), size, 0, 0, 360, (*colour, 255), -1, cv2.LINE_AA)
    image[:, :, :3] *= np.clip(1 + 0.15 * _grain((110, 420), 110, rng), 0.5, 1.5)[:, :, None]
    return _finished(image, 9.0, 2.3)


@cache
def hangar() -> Sprite:
    """An old arched hangar of corrugated iron."""
    rng = np.random.default_rng(14)
    image = _blank(260, 800)
    arch = cv2.ellipse2Poly((400, 236), (380, 215), 0, 180, 360, 3)
    shape = np.concatenate([arch, [[780, 258], [20, 258]]]).astype(np.int32)
    cv2.fillPoly(image, [shape], (118, 126, 122, 255), cv2.LINE_AA)
    ribs = 0.93 + 0.09 * np.sin(np.arange(800) * 2 * np.pi / 11)
    rust = np.clip(1 + 0.08 * _grain((260, 800), 24, rng), 0.7, 1.2)
    image[:, :, :3] *= (ribs[None, :] * rust)[:, :, None].astype(np.float32)
    for left in (190, 405):
        cv2.rectangle(image, (left, 96), (left + 205, 256), (74, 84, 80, 255), -1)
        for x in range(left, left + 205, 29):
            cv2.line(image, (x, 96), (x, 256), (62, 70, 68, 255), 2)
    return _finished(image, 34.0, 11.0)


@cache
def tent() -> Sprite:
    """The club's open tent with a table."""
    image = _blank(240, 320)
    _shadow(image)
    for x in (24, 290):
        cv2.rectangle(image, (x, 80), (x + 6, 236), (190, 190, 190, 255), -1)
    roof = np.array([[160, 10], [310, 84], [10, 84]])
    cv2.fillPoly(image, [roof], (176, 120, 52, 255), cv2.LINE_AA)
    cv2.rectangle(image, (10, 82), (310, 102), (150, 98, 38, 255), -1)
    cv2.rectangle(image, (70, 168), (250, 180), (120, 150, 170, 255), -1)
    for x in (80, 236):
        cv2.rectangle(image, (x, 180), (x + 6, 234), (70, 90, 110, 255), -1)
    return _finished(image, 4.0, 3.0)


@cache
def bale() -> Sprite:
    """A straw bale."""
    rng = np.random.default_rng(15)
    image = _blank(100, 190)
    _shadow(image)
    cv2.rectangle(image, (6, 8), (184, 94), (96, 170, 196, 255), -1)
    straw = _grain((100, 190), 95, rng)[:, :, None]
    image[:, :, :3] *= np.clip(1 + 0.16 * straw, 0.5, 1.4)
    for x in (58, 130):
        cv2.line(image, (x, 8), (x, 94), (60, 96, 120, 255), 2)
    return _finished(image, 1.0, 0.52)


@cache
def marshal() -> Sprite:
    """A marshal seen as a plain figure in an orange vest."""
    image = _blank(300, 130)
    _shadow(image)
    for x in (50, 68):
        cv2.rectangle(image, (x, 170), (x + 14, 292), (70, 58, 52, 255), -1)
    cv2.ellipse(image, (66, 122), (27, 60), 0, 0, 360, (30, 120, 236, 255), -1, cv2.LINE_AA)
    cv2.rectangle(image, (44, 128), (89, 136), (210, 232, 232, 255), -1)
    cv2.line(image, (44, 86), (24, 150), (40, 110, 210, 255), 13, cv2.LINE_AA)
    cv2.line(image, (88, 86), (108, 148), (40, 110, 210, 255), 13, cv2.LINE_AA)
    cv2.circle(image, (66, 42), 18, (120, 150, 182, 255), -1, cv2.LINE_AA)
    cv2.ellipse(image, (66, 36), (20, 14), 0, 180, 360, (70, 70, 76, 255), -1, cv2.LINE_AA)
    return _finished(image, 0.78, 1.8)


@cache
def other_cart() -> Sprite:
    """Another cyclekart from behind: a narrow body, two wire wheels, a driver's back."""
    image = _blank(230, 300)
    _shadow(image)
    for x in (40, 260):
        cv2.ellipse(image, (x, 160), (15, 66), 0, 0, 360, (38, 38, 40, 255), -1, cv2.LINE_AA)
        cv2.ellipse(image, (x, 160), (5, 46), 0, 0, 360, (96, 96, 98, 255), -1, cv2.LINE_AA)
    cv2.rectangle(image, (40, 152), (260, 164), (60, 60, 64, 255), -1)
    body = np.array([[112, 92], [188, 92], [206, 190], [94, 190]])
    cv2.fillPoly(image, [body], (44, 40, 150, 255), cv2.LINE_AA)
    cv2.ellipse(image, (150, 84), (36, 48), 0, 0, 360, (86, 66, 58, 255), -1, cv2.LINE_AA)
    cv2.circle(image, (150, 32), 22, (206, 212, 214, 255), -1, cv2.LINE_AA)
    return _finished(image, 1.5, 1.15)
