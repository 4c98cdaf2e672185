"""What a still camera beside the track films of a run: rendered here, without the demo's code.

The side of the vehicle is a plane with a texture that goes along a straight line; where its corners
fall in the picture is the pinhole's central projection, written out below. The ground behind it
stands still, a person walks through, and every picture has noise of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from overlay.timebase import FloatArray

cv: Any = cv2
Picture = npt.NDArray[np.uint8]
SIZE = (480, 270)


@dataclass(frozen=True)
class Stand:
    """Where the camera stands, metres along and beside the line, and where it looks."""

    place_m: float = 4.0
    aside_m: float = 8.0
    turned_rad: float = 0.0  # from square to the line, towards where the run goes
    focal_px: float = 420.0

    def seen(self, along_m: FloatArray, up_m: FloatArray) -> FloatArray:
        """Pixels (n, 2) of points of the vehicle's side."""
        across, away = along_m - self.place_m, np.full_like(along_m, self.aside_m)
        sin, cos = np.sin(self.turned_rad), np.cos(self.turned_rad)
        right, ahead = cos * across - sin * away, sin * across + cos * away
        ahead = np.maximum(ahead, 0.3)
        middle = np.array(SIZE) / 2
        return middle + self.focal_px * np.stack([right, 0.5 - up_m], axis=-1) / ahead[:, None]


def texture(
    rng: np.random.Generator, high: int, wide: int, grain: int, contrast: float = 95
) -> Picture:
    """Random blots, `grain` pixels in size, around grey."""
    light = 128 - contrast, 128 + contrast
    small = rng.uniform(*light, (max(2, high // grain), max(2, wide // grain)))
    return (
        np.asarray(cv.resize(small, (wide, high), interpolation=cv.INTER_CUBIC), np.float64)
        .clip(0, 255)
        .astype(np.uint8)
    )


def filmed(
    stand: Stand,
    t_s: FloatArray,
    distance_m: FloatArray,
    *,
    walks: bool = True,
    sways_px: float = 0.0,
    rng_seed: int = 4,
) -> Iterator[Picture]:
    """Grey pictures of the vehicle at each way driven, shape (270, 480)."""
    rng = np.random.default_rng(rng_seed)
    ground = cv.GaussianBlur(texture(rng, SIZE[1], SIZE[0], 8, 40), (0, 0), 1.2)
    side = texture(rng, 60, 150, 9)
    person = texture(rng, 60, 20, 5)
    edges = np.array([[0, 0], [150, 0], [150, 60], [0, 60]], np.float32)
    for now_s, way_m in zip(t_s, distance_m, strict=True):
        picture = ground.copy()
        if walks:
            x = int(60 + 22 * now_s) % (SIZE[0] - 40)
            picture[150:210, x : x + 20] = person
        along = way_m + np.array([-1.0, 1.0, 1.0, -1.0])
        corners = stand.seen(along, np.array([1.0, 1.0, 0.1, 0.1])).astype(np.float32)
        if np.ptp(corners[:, 0]) < 3 * SIZE[0] and corners[:, 0].max() > -500:
            to = cv.getPerspectiveTransform(edges, corners)
            drawn = cv.warpPerspective(side, to, SIZE, flags=cv.INTER_AREA)
            mask = cv.warpPerspective(np.full_like(side, 255), to, SIZE, flags=cv.INTER_AREA)
            share = mask[..., None][..., 0] / 255.0
            picture = (picture * (1 - share) + drawn * share).astype(np.uint8)
        if sways_px:
            moved = np.float32([[1, 0, sways_px * np.sin(4.1 * now_s)], [0, 1, 0]])
            picture = cv.warpAffine(picture, moved, SIZE, borderMode=cv.BORDER_REFLECT)
        noise = rng.normal(0, 3, picture.shape)
        yield np.clip(picture + noise, 0, 255).astype(np.uint8)
