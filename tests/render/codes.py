"""A layer that spells its footage time in black and white squares, and its reading back."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from overlay.scene.layers import Layer, Picture

BITS = 18
SQUARE = 8
WIDTH, HEIGHT = BITS * SQUARE, 16
PER_SECOND = 10_000


def spell(value: int) -> Picture:
    bits = [(value >> place) & 1 for place in range(BITS)]
    row = np.repeat(np.array(bits, np.uint8) * 255, SQUARE)
    picture = np.full((HEIGHT, WIDTH, 4), 255, np.uint8)
    picture[..., :3] = row[None, :, None]
    return picture


def code_layer(x: int = 0, y: int = 0, *, keyed: bool = False) -> Layer:
    def value(t_s: float) -> int:
        return round(t_s * PER_SECOND)

    return Layer(x, y, WIDTH, HEIGHT, lambda t: spell(value(t)), value if keyed else None)


def read(luma: npt.NDArray[Any], x: int = 0, y: int = 0) -> int:
    """The value spelt at `x`, `y` of a brightness plane of any depth."""
    part = luma[y + 4 : y + HEIGHT - 4, x : x + WIDTH].astype(float)
    means = part.mean(axis=0).reshape(BITS, SQUARE)[:, 2:-2].mean(axis=1)
    middle = float(luma.max()) / 2 if luma.max() > 0 else 128.0
    assert np.all(np.abs(means - middle) > 0.2 * middle), means
    return sum(int(mean > middle) << place for place, mean in enumerate(means))


def frames(path: Path) -> list[tuple[Fraction, npt.NDArray[np.uint8]]]:
    """Time from the first frame, exactly, and 8-bit YUV 4:4:4 of each frame as stored."""
    import av

    with av.open(str(path)) as container:
        shown = []
        for frame in container.decode(container.streams.video[0]):
            assert frame.rotation == 0
            assert frame.pts is not None
            shown.append((frame.pts * Fraction(frame.time_base or 1), frame))
        start = shown[0][0]
        return [(at - start, planes(frame)) for at, frame in shown]


def planes(frame: Any) -> npt.NDArray[np.uint8]:
    """Shape (3, height, width): Y, Cb, Cr codes scaled to 8 bits, colour repeated."""
    deep = "10" in frame.format.name
    result = []
    for plane in frame.planes:
        kind, size = (np.uint16, 2) if deep else (np.uint8, 1)
        data = np.frombuffer(plane, kind).reshape(-1, plane.line_size // size)
        data = data[: plane.height, : plane.width]
        result.append((data >> 2).astype(np.uint8) if deep else data.copy())
    up = [np.repeat(np.repeat(part, 2, 0), 2, 1) for part in result[1:]]
    high, wide = result[0].shape
    return np.stack([result[0], up[0][:high, :wide], up[1][:high, :wide]])
