"""The driver's view of the own cart: bonnet, scuttle, front wheels; painted once, premultiplied."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

Picture = npt.NDArray[np.uint8]
Colour = tuple[int, int, int]
Points = list[tuple[float, float]]
GREEN: Colour = (54, 82, 30)
FINER = 2  # painted so many times larger, then averaged


def cart_front(width: int, height: int) -> Picture:
    """The parts of the cart that the camera sees.

    Returns
    -------
    ndarray, shape (height, width, 4), uint8
        Premultiplied blue, green, red, alpha; clear above, parts in the lowest third.
    """
    easel = _Easel(width * FINER, height * FINER)
    for side in (-1, 1):
        _front_wheel(easel, side)
    _bonnet(easel)
    image = easel.image.astype(np.float32)
    small = cv2.resize(image, (width, height), interpolation=cv2.INTER_AREA)
    alpha = small[:, :, 3:]
    flat = np.concatenate([small[:, :, :3] * (alpha / 255), alpha], 2)
    return np.asarray(np.clip(flat, 0, 255), np.uint8)


class _Easel:
    """Paints in shares of the picture's width and height."""

    def __init__(self, width: int, height: int) -> None:
        self.width, self.height = width, height
        self.image = np.zeros((height, width, 4), np.uint8)

    def at(self, x: float, y: float) -> tuple[int, int]:
        return round(x * self.width), round(y * self.height)

    def area(self, points: Points, colour: Colour) -> None:
        corners = np.array([self.at(x, y) for x, y in points], np.int32)
        cv2.fillPoly(self.image, [corners], (*colour, 255), cv2.LINE_AA)

    def line(self, points: Points, colour: Colour, thick: float) -> None:
        corners = np.array([self.at(x, y) for x, y in points], np.int32)
        width = max(1, round(thick * self.width))
        cv2.polylines(self.image, [corners], False, (*colour, 255), width, cv2.LINE_AA)

    def oval(self, centre: tuple[float, float], size: tuple[float, float], colour: Colour) -> None:
        axes = (max(1, round(size[0] * self.width)), max(1, round(size[1] * self.height)))
        cv2.ellipse(self.image, self.at(*centre), axes, 0, 0, 360, (*colour, 255), -1, cv2.LINE_AA)

    def light(self, points: Points, gain: npt.NDArray[np.float32], first_row: int) -> None:
        """Multiply the colour inside a shape by a gain for each pixel from a row on."""
        mask = np.zeros(self.image.shape[:2], np.uint8)
        corners = np.array([self.at(x, y) for x, y in points], np.int32)
        cv2.fillPoly(mask, [corners], 1)
        part, inside = self.image[first_row:], mask[first_row:] > 0
        lit = part[:, :, :3].astype(np.float32) * gain[:, :, None]
        part[inside, :3] = np.clip(lit, 0, 255).astype(np.uint8)[inside]


def _bonnet(easel: _Easel) -> None:
    """A tapering bonnet with a hinge, louvres, a strap and a filler cap, lit from the right."""
    top = 0.762
    edge = [(0.330, 1.01), (0.378, 0.872), (0.418, 0.80), (0.452, 0.772), (0.478, top)]
    outline = edge + [(1 - x, y) for x, y in reversed(edge)]
    easel.area(outline, GREEN)
    first = int(top * easel.height)
    y, x = np.mgrid[first : easel.height, 0 : easel.width].astype(np.float32)
    y /= easel.height
    x /= easel.width
    half = np.interp(y[:, 0], [p[1] for p in reversed(edge)], [0.5 - p[0] for p in reversed(edge)])
    across = (x - 0.5) / np.maximum(half, 0.01).astype(np.float32)[:, None]
    gain = 0.62 + 0.55 * np.sqrt(np.clip(1 - across**2, 0, 1))
    gain += 0.75 * np.exp(-(((across - 0.33) / 0.13) ** 2)) + 0.18 * np.exp(-((across / 0.05) ** 2))
    gain *= 1.12 - 0.9 * np.clip(y - 0.86, 0, 1)
    easel.light(outline, gain.astype(np.float32), first)
    easel.line([(0.5, top), (0.5, 1.01)], (32, 48, 20), 0.0016)
    for side in (-1, 1):
        for row in range(6):
            y_slot = 0.845 + row * 0.021
            inner, outer = 0.055 + row * 0.003, 0.082 + row * 0.0055
            ends = [(0.5 + side * inner, y_slot), (0.5 + side * outer, y_slot + 0.003)]
            easel.line(ends, (22, 34, 12), 0.0030)
            easel.line([(a, b + 0.0045) for a, b in ends], (84, 118, 58), 0.0010)
    strap = [(0.338, 0.985), (0.40, 0.972), (0.5, 0.967), (0.60, 0.972), (0.662, 0.985)]
    easel.line(strap, (30, 46, 74), 0.0095)
    easel.line([(a, b - 0.004) for a, b in strap], (58, 84, 122), 0.0022)
    easel.area([(0.488, 0.952), (0.512, 0.952), (0.512, 0.984), (0.488, 0.984)], (150, 170, 178))
    easel.area([(0.492, 0.958), (0.508, 0.958), (0.508, 0.978), (0.492, 0.978)], (34, 50, 78))
    easel.oval((0.5, top + 0.012), (0.0115, 0.0135), (96, 104, 108))
    easel.oval((0.5, top + 0.008), (0.0115, 0.0125), (186, 198, 204))
    easel.oval((0.503, top + 0.004), (0.004, 0.004), (236, 240, 242))


def _front_wheel(easel: _Easel, side: int) -> None:
    """One wire wheel from behind and within, its tyre, the axle and the steering arm."""
    hub = (0.5 + side * 0.312, 0.905)
    easel.line([(0.5 + side * 0.10, 0.912), hub], (46, 48, 52), 0.0125)
    easel.line([(0.5 + side * 0.10, 0.908), (hub[0], 0.901)], (92, 96, 100), 0.0030)
    easel.line([(0.5 + side * 0.11, 0.948), (hub[0] - side * 0.012, 0.93)], (58, 60, 62), 0.0045)
    easel.oval(hub, (0.0240, 0.148), (30, 31, 33))
    easel.oval((hub[0] + side * 0.003, hub[1]), (0.0185, 0.147), (46, 47, 49))
    face = (hub[0] - side * 0.0085, hub[1])
    easel.oval(face, (0.0130, 0.128), (74, 76, 79))
    easel.oval((face[0] - side * 0.0004, face[1]), (0.0108, 0.112), (48, 52, 54))
    for spoke in range(18):
        angle = spoke * np.pi / 9 + 0.1
        rim = (face[0] + 0.0108 * float(np.cos(angle)), face[1] + 0.112 * float(np.sin(angle)))
        easel.line([(face[0] - side * 0.006, face[1]), rim], (128, 132, 136), 0.0007)
    for row in range(-9, 10):  # tread blocks on the far, outer shoulder
        y = hub[1] + row * 0.0155
        reach = 0.0235 * float(np.sqrt(max(0.0, 1 - ((y - hub[1]) / 0.148) ** 2)))
        ends = [(hub[0] + side * reach * 0.45, y), (hub[0] + side * reach, y + 0.003)]
        easel.line(ends, (24, 25, 26), 0.0016)
    easel.oval((face[0] - side * 0.006, face[1]), (0.0062, 0.0125), (140, 146, 150))
