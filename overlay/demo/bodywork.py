"""The driver's view of the own cart: bonnet and front wheels, painted once."""

from __future__ import annotations

import math
from functools import lru_cache

import cv2
import numpy as np

from overlay.demo.paint import Easel, Picture

GREEN = (54, 82, 30)
FINER = 2  # painted so many times larger, then averaged
TOP = 0.762  # of the bonnet, in picture heights
EDGE = ((0.330, 1.01), (0.378, 0.872), (0.418, 0.80), (0.452, 0.772), (0.478, TOP))


@lru_cache(maxsize=2)
def cart_front(width: int, height: int) -> Picture:
    """The parts of the cart that the camera sees.

    Returns
    -------
    ndarray, shape (n, width, 4), uint8
        The lowest n rows of the picture, premultiplied blue, green, red, alpha; clear above them.
    """
    size = width * FINER, height * FINER
    easel = Easel(size, size)
    for side in (-1, 1):
        _front_wheel(easel, side)
    _bonnet(easel, *size)
    small = cv2.resize(easel.premultiplied(), (width, height), interpolation=cv2.INTER_AREA)
    return np.ascontiguousarray(small[int(np.argmax(small[:, :, 3].any(1))) :])


def _bonnet(easel: Easel, wide: int, high: int) -> None:
    """A tapering bonnet with a hinge, louvres, a strap and a filler cap, lit from the right."""
    easel.area([*EDGE, *((1 - x, y) for x, y in reversed(EDGE))], GREEN)
    first = int(TOP * high)
    y, x = np.arange(first, high)[:, None] / high, np.arange(wide)[None, :] / wide
    half = 0.5 - np.interp(y, [p[1] for p in reversed(EDGE)], [p[0] for p in reversed(EDGE)])
    across = (x - 0.5) / np.maximum(half, 0.01)
    gain = 0.62 + 0.55 * np.sqrt(np.clip(1 - across**2, 0, 1))
    gain += 0.75 * np.exp(-(((across - 0.33) / 0.13) ** 2))
    gain *= 1.12 - 0.9 * np.clip(y - 0.86, 0, 1)
    easel.light(np.where(np.abs(across) < 1, gain, 1.0), first)
    easel.line([(0.5, TOP), (0.5, 1.01)], (32, 48, 20), 0.0016)
    for side in (-1, 1):
        for row in range(6):
            y_slot, inner, outer = 0.845 + row * 0.021, 0.055 + row * 0.003, 0.082 + row * 0.0055
            ends = [(0.5 + side * inner, y_slot), (0.5 + side * outer, y_slot + 0.003)]
            easel.line(ends, (22, 34, 12), 0.0030)
    strap = [(0.338, 0.985), (0.40, 0.972), (0.5, 0.967), (0.60, 0.972), (0.662, 0.985)]
    easel.line(strap, (30, 46, 74), 0.0095)
    easel.oval((0.5, TOP + 0.012), (0.0115, 0.0135), (96, 104, 108))
    easel.oval((0.5, TOP + 0.008), (0.0115, 0.0125), (186, 198, 204))


def _front_wheel(easel: Easel, side: int) -> None:
    """One wire wheel from behind and within, its tyre, the axle and the steering arm."""
    x, y = 0.5 + side * 0.312, 0.905
    easel.line([(0.5 + side * 0.10, 0.912), (x, y)], (46, 48, 52), 0.0125)
    easel.line([(0.5 + side * 0.11, 0.948), (x - side * 0.012, 0.93)], (58, 60, 62), 0.0045)
    easel.oval((x, y), (0.0240, 0.148), (30, 31, 33))
    face = x - side * 0.0085
    easel.oval((face, y), (0.0130, 0.128), (74, 76, 79))
    easel.oval((face, y), (0.0108, 0.112), (48, 52, 54))
    for angle in np.arange(0.1, 2 * math.pi, math.pi / 9).tolist():
        rim = (face + 0.0108 * math.cos(angle), y + 0.112 * math.sin(angle))
        easel.line([(face - side * 0.006, y), rim], (128, 132, 136), 0.0007)
    easel.oval((face - side * 0.006, y), (0.0062, 0.0125), (140, 146, 150))
