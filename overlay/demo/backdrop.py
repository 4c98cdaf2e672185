"""What is too far away to shift: sky, clouds, hills and the distant treeline."""

from __future__ import annotations

import math
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from overlay.demo.ground import GRASS_BGR
from overlay.demo.paint import Picture, waves

SIDE_RAD, ABOVE_RAD, BELOW_RAD = math.radians(70), math.radians(48), math.radians(20)
LOW_SKY_BGR, HIGH_SKY_BGR = np.array((232, 222, 212)), np.array((200, 148, 100))
CLOUDS = ((6, 1.0), (15, 0.6), (34, 0.36), (80, 0.2))  # bumps across the sky, and their weight
HALF_SIZE = np.array([[2, 0, 0.5], [0, 2, 0.5], [0, 0, 1]])  # centres of doubled pixels
SHARP = 0.15  # share of the picture's height above the horizon that is not blurred to half size


class Backdrop:
    """A flat view at infinity, so that each frame shows it through one exact rotation.

    Parameters
    ----------
    yaw_rad : float
        Direction that the view is centred on; it reaches `SIDE_RAD` to each side.
    """

    def __init__(self, focal_px: float, yaw_rad: float = 0.0) -> None:
        self._focal = focal_px
        side, above, below = (
            round(focal_px * math.tan(reach)) for reach in (SIDE_RAD, ABOVE_RAD, BELOW_RAD)
        )
        self._view = _painted(2 * side, above, below, focal_px)
        sin, cos = math.sin(yaw_rad), math.cos(yaw_rad)
        axes = np.array([[cos, 0, -sin], [0, -1, 0], [sin, 0, cos]])
        self._from_world = lens(focal_px, 2 * side, 2 * above) @ axes

    def draw(self, frame: Picture, axes: npt.NDArray[np.float64], end: int) -> None:
        """Fill the rows before `end`; rows of `axes` are the camera's right, down and ahead."""
        high, wide = frame.shape[:2]
        to_view = self._from_world @ axes.T @ np.linalg.inv(lens(self._focal, wide, high))
        split = max(0, end - round(SHARP * high)) // 2 * 2
        if split:  # the sky has nothing sharp: half the size will do
            half = self._seen(to_view @ HALF_SIZE, (wide // 2, split // 2))
            cv2.resize(half, (wide, split), dst=frame[:split], interpolation=cv2.INTER_LINEAR)
        if end > split:
            below = to_view @ np.array([[1, 0, 0], [0, 1, split], [0, 0, 1]])
            frame[split:end] = self._seen(below, (wide, end - split))

    def _seen(self, to_view: npt.NDArray[np.float64], size: tuple[int, int]) -> Picture:
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        border = cv2.BORDER_REFLECT
        seen = cv2.warpPerspective(self._view, to_view, size, flags=flags, borderMode=border)
        return np.asarray(seen, np.uint8)


def lens(focal_px: float, wide: int, high: int) -> npt.NDArray[np.float64]:
    """Camera axes to pixels of a picture: a pinhole, its middle in the picture's."""
    return np.array([[focal_px, 0, wide / 2 - 0.5], [0, focal_px, high / 2 - 0.5], [0, 0, 1]])


@lru_cache(maxsize=2)
def _painted(wide: int, above: int, below: int, focal: float) -> Picture:
    rng = np.random.default_rng(31)
    height = (above - np.arange(above + below) - 0.5)[:, None] / focal
    picture = LOW_SKY_BGR + (HIGH_SKY_BGR - LOW_SKY_BGR) * np.clip(height, 0, 1)[:, :, None] ** 0.6
    cloud = sum(weight * waves((above + below, wide), cells, rng) for cells, weight in CLOUDS)
    cover = 0.85 * np.clip((cloud - 0.05) * 1.5, 0, 1)[:, :, None]
    lit = 236 - 26 * np.clip(cloud - 0.5, 0, 1.2)[:, :, None]
    picture = picture + (lit - picture) * cover
    first = int(np.argmax(height < 0.08))  # nothing on land reaches higher
    land, height = picture[first:], height[first:]
    grain = waves(land.shape[:2], wide / 3, rng) + 0.7 * waves(land.shape[:2], wide / 9, rng)
    hill, far, tree, leaf = (waves((3, wide), cells, rng)[1] for cells in (6, 25, 40, 250))
    for crest, colour, rough in (
        (0.021 + 0.010 * hill + 0.004 * far, np.array((150, 142, 120)), 2.0),
        (0.0125 + 0.0045 * tree + 0.0035 * np.abs(leaf), np.array((74, 96, 76)), 13.0),
        (np.full(wide, -0.0005), 0.8 * np.array(GRASS_BGR) + 40, 4.0),  # the hazy field
    ):
        lower = height < crest
        land[lower] = (colour + rough * grain[:, :, None])[lower]
    return np.asarray(np.clip(picture, 0, 255), np.uint8)
