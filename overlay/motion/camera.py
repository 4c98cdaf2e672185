"""A camera: how wide it looks, how its lens bends straight lines, and where it points."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from overlay.timebase import FloatArray

WIDEST_RAD = 1.25  # farther out a wide lens crowds the picture too much to be of use


@dataclass(frozen=True)
class Camera:
    """A camera as it was found in its clip, or given."""

    focal_share: float  # Focal length over the longer side of the picture, > 0
    relative_sigma: float  # Relative standard uncertainty of it; 0 where it was given
    down_deg: float = 0.0  # How far the camera looks down on the way, degrees; negative looks up
    left_deg: float = 0.0  # How far it looks to the left of the way it goes, -180 to 180 degrees
    # 0 to 1: 0 keeps straight lines straight; 1 shows equal angles at equal distances, as the
    # widest lenses do. In between the angle t from the axis lies ``f atan(lens tan t) / lens`` from
    # the middle (Devernay and Faugeras 2001, Machine Vision and Applications 13:14).
    lens: float = 0.0

    def angle_of_view_deg(self) -> tuple[float, float, float]:
        """Across the longer side of the picture: value and 95 % interval."""
        most = math.exp(1.96 * self.relative_sigma)
        value, low, high = (
            math.degrees(2 * _half_angle_rad(share * self.focal_share, self.lens))
            for share in (1.0, most, 1 / most)
        )
        return value, low, high

    def to_json(self) -> dict[str, Any]:
        """All of it in degrees, to a tenth."""
        value, low, high = (round(angle, 1) for angle in self.angle_of_view_deg())
        return {
            "angle_of_view_deg": value,
            "angle_of_view_interval_deg": [low, high] if self.relative_sigma else None,
            "lens": self.lens,
            "looks_down_deg": round(self.down_deg, 1),
            "looks_left_deg": round(self.left_deg, 1),
        }


def _half_angle_rad(focal_share: float, lens: float) -> float:
    if lens == 0:
        return math.atan(0.5 / focal_share)
    bent = min(lens * 0.5 / focal_share, math.pi / 2)
    return math.atan2(math.sin(bent), lens * math.cos(bent))


def focal_share_of(angle_deg: float, lens: float) -> float:
    """Focal length over the picture's longer side, from the angle of view across it.

    Examples
    --------
    >>> round(focal_share_of(90.0, 0.0), 3), round(focal_share_of(90.0, 1.0), 3)
    (0.5, 0.637)
    """
    half = math.radians(angle_deg) / 2
    if lens == 0:
        return 0.5 / math.tan(half)
    return 0.5 * lens / math.atan2(lens * math.sin(half), math.cos(half))


def straightened(
    x: FloatArray, y: FloatArray, lens: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Places as a lens that keeps straight lines would show them, and how their noise has grown.

    Parameters
    ----------
    x, y : ndarrays, shape (n,)
        From the middle of the picture, in focal lengths.
    lens : float, 0 to 1

    Returns
    -------
    x, y : ndarrays, shape (n,)
    grown : ndarray, shape (n,), >= 1
        Infinite where they lie too far out.
    """
    if lens == 0:
        return x, y, np.ones(len(x))
    angle = lens * np.hypot(x, y)
    held = np.clip(angle, 1e-9, WIDEST_RAD)
    grown = np.tan(held) / held
    return x * grown, y * grown, np.where(angle <= WIDEST_RAD, grown, np.inf)
