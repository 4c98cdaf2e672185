"""What is too far away to shift: sky, clouds, hills and the distant treeline, all round."""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt

from overlay.demo.ground import GRASS_BGR, TINTS, GroundKind

Picture = npt.NDArray[np.uint8]
TOP_RAD, BOTTOM_RAD = 0.95, -0.12
GRID_PX = 40


class Backdrop:
    """A cylinder of sky and horizon: columns are azimuth, rows elevation."""

    def __init__(self, focal_px: float, kind: GroundKind) -> None:
        self._focal = focal_px
        self._around = max(512, round(2 * math.pi * focal_px))
        picture = _painted(self._around, focal_px, kind)
        side = self._around // 2
        self._picture = cv2.copyMakeBorder(picture, 0, 0, side, side, cv2.BORDER_WRAP)
        self._side = side
        hazy = picture[-1].mean(0)
        self._floor = tuple(float(c) for c in hazy)

    def draw(self, frame: Picture, axes: npt.NDArray[np.float64], height_m: float) -> None:
        """Fill the frame down to a little below the horizon."""
        high, wide = frame.shape[:2]
        pitch = math.asin(max(-1.0, min(1.0, float(axes[2][1]))))
        horizon = high / 2 + self._focal * math.tan(pitch)
        tilt = abs(float(axes[0][1])) * wide / 2
        end = min(high, max(0, math.ceil(horizon + tilt + 0.02 * high + 4)))
        split = min(end, max(0, math.floor(horizon - tilt - 0.055 * high)))
        split -= split % 2
        if split > 0:
            half = self._seen(axes, wide, high, 0, split, 2)
            cv2.resize(half, (wide, split), dst=frame[:split], interpolation=cv2.INTER_LINEAR)
        if end > split:
            frame[split:end] = self._seen(axes, wide, high, split, end, 1)

    def _seen(
        self,
        axes: npt.NDArray[np.float64],
        wide: int,
        high: int,
        first: int,
        last: int,
        step: int,
    ) -> Picture:
        """Rows from first to last at 1/step of the size, through a coarse exact map."""
        columns, rows = wide // step, (last - first) // step
        nodes_x, nodes_y = max(2, columns * step // GRID_PX + 1), max(2, rows * step // 12 + 1)
        u = (np.linspace(-0.5, columns - 0.5, nodes_x) + 0.5) * step - 0.5
        v = (np.linspace(-0.5, rows - 0.5, nodes_y) + 0.5) * step - 0.5 + first
        a = (u - (wide / 2 - 0.5)) / self._focal
        b = (v - (high / 2 - 0.5)) / self._focal
        ray = axes[2] + a[None, :, None] * axes[0] + b[:, None, None] * axes[1]
        yaw = math.atan2(axes[2][0], axes[2][2])
        sin, cos = math.sin(yaw), math.cos(yaw)
        side, ahead = ray[..., 0] * cos - ray[..., 2] * sin, ray[..., 0] * sin + ray[..., 2] * cos
        azimuth = np.arctan2(side, ahead)
        elevation = np.arctan2(ray[..., 1], np.hypot(ray[..., 0], ray[..., 2]))
        centre = (yaw % (2 * math.pi)) / (2 * math.pi) * self._around
        if centre > self._around / 2:
            centre -= self._around
        map_x = centre + self._around / 2 + self._side + azimuth / (2 * math.pi) * self._around
        map_y = (TOP_RAD - elevation) * self._focal
        full_x = _spread(map_x.astype(np.float32), columns, rows)
        full_y = _spread(map_y.astype(np.float32), columns, rows)
        return np.asarray(
            cv2.remap(
                self._picture, full_x, full_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
            )
        )


def _spread(nodes: npt.NDArray[np.float32], columns: int, rows: int) -> npt.NDArray[np.float32]:
    """Linear interpolation of values on nodes that span pixel edges to all pixel centres."""
    high, wide = nodes.shape
    matrix = np.array(
        [
            [(wide - 1) / columns, 0, 0.5 * (wide - 1) / columns],
            [0, (high - 1) / rows, 0.5 * (high - 1) / rows],
        ]
    )
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(
        cv2.warpAffine(nodes, matrix, (columns, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    )


def _waves(around: int, rows: int, cells: int, rng: np.random.Generator) -> npt.NDArray[np.float32]:
    """Smooth noise that closes on itself around the cylinder; standard deviation about 0.6."""
    down = max(2, round(cells * rows / around) + 1)
    small = rng.standard_normal((down, cells)).astype(np.float32)
    padded = cv2.copyMakeBorder(small, 0, 0, 2, 2, cv2.BORDER_WRAP)
    unit = around / cells
    big = cv2.resize(
        padded, (round((cells + 4) * unit), max(rows, 1)), interpolation=cv2.INTER_CUBIC
    )
    start = round(2 * unit)
    return np.asarray(big[:, start : start + around])


def _painted(around: int, focal: float, kind: GroundKind) -> Picture:
    rng = np.random.default_rng([kind.rng_seed, 31])
    rows = round((TOP_RAD - BOTTOM_RAD) * focal)
    elevation = TOP_RAD - (np.arange(rows, dtype=np.float32) + 0.5) / focal
    height = np.clip(elevation / TOP_RAD, 0, 1)[:, None, None]
    low, high = np.array([232, 222, 212], np.float32), np.array([206, 158, 112], np.float32)
    sky = low + (high - low) * height**0.6
    cloud = sum(
        (
            _waves(around, rows, cells, rng) * weight
            for cells, weight in ((14, 1.0), (34, 0.6), (80, 0.36), (190, 0.2))
        ),
        np.zeros((rows, around), np.float32),
    )
    cover = np.clip((cloud - 0.05) * 1.5, 0, 1)[:, :, None]
    lit = 236 - 26 * np.clip(cloud - 0.5, 0, 1.2)[:, :, None]
    picture = sky + (np.concatenate([lit, lit, lit], 2) - sky) * cover * 0.85
    _lay_land(picture, elevation, around, kind, rng)
    return np.asarray(np.clip(picture, 0, 255), np.uint8)


def _lay_land(
    picture: npt.NDArray[np.float32],
    elevation: npt.NDArray[np.float32],
    around: int,
    kind: GroundKind,
    rng: np.random.Generator,
) -> None:
    """Blue hills, a dark treeline, and the far end of the field below the horizon."""
    low = int(np.searchsorted(-elevation, -0.08))  # nothing on land reaches higher
    picture, elevation = picture[low:], elevation[low:]
    rows = len(elevation)
    hills = 0.021 + 0.010 * _waves(around, 1, 9, rng)[0] + 0.004 * _waves(around, 1, 40, rng)[0]
    trees = 0.0125 + 0.0045 * _waves(around, 1, 60, rng)[0]
    trees = trees + 0.0035 * np.abs(_waves(around, 1, 420, rng)[0])
    grain = _waves(around, rows, around // 3, rng)
    grain = grain + 0.7 * _waves(around, rows, around // 9, rng)
    for crest, colour, rough in (
        (hills, (150, 142, 120), 2.0),
        (trees, (74, 96, 76), 13.0),
    ):
        over = elevation[:, None] < crest[None, :]
        shade = np.array(colour, np.float32) + rough * grain[:, :, None]
        picture[over] = shade[over]
    below = elevation < -0.0005
    field = np.array(TINTS[kind.surface] if kind.endless else GRASS_BGR, np.float32)
    hazy = field * 0.8 + 40
    picture[below] = hazy + 4.0 * grain[below][:, :, None]
