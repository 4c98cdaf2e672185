"""Pieces of the encoder's filter graph that lay pictures over footage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from overlay.scene.layers import Layer
from overlay.timebase import FrameTimes

_NANO = 1_000_000_000


def nanoseconds(times: FrameTimes) -> list[int]:
    """Footage time of each frame, rounded to whole nanoseconds.

    Examples
    --------
    >>> import numpy as np
    >>> from fractions import Fraction
    >>> nanoseconds(FrameTimes(np.array([7, 8, 10]), Fraction(1001, 30000)))
    [0, 33366667, 100100000]
    """
    base = times.time_base
    up, down = base.numerator * _NANO, base.denominator
    first = int(times.pts[0])
    return [((pts - first) * up + down // 2) // down for pts in times.pts.tolist()]


@dataclass(frozen=True)
class Look:
    """What a picture is in the encoder's terms."""

    # As the ``scale`` filter names them.
    matrix: str
    color_range: str
    pixel_format: str  # such as ``yuv420p``
    size: tuple[int, int]  # width and height, pixels


def with_layers(
    layers: Sequence[Layer], look: Look, base: str, result: str, *, first_input: int, times: str
) -> list[str]:
    """Filters that lay layers on ``[base]`` in order, ending in ``[result]``.

    Each `overlay` copies the whole picture that it lies on, and holds several. So where that
    spares copies, the picture is cut into bands, each layer lies on its band alone, and the bands
    are put together once.

    Parameters
    ----------
    first_input : int
        Number of the first layer's input.
    times : str
        Filters that bring the layers' times to those of the picture.
    """
    deep = "yuva420p10le" if "10" in look.pixel_format else "yuva420p"
    chain = [
        f"[{first_input + index}:v]scale=out_color_matrix={look.matrix}"
        f":out_range={look.color_range}:flags=bilinear,format={deep},{times}[g{index}]"
        for index, _ in enumerate(layers)
    ]
    kind = "yuv420p10" if "10" in look.pixel_format else "yuv420"
    width, height = look.size
    parts = bands(layers, height)
    copied = height + sum(len(band.inside) * band.height for band in parts)
    if copied >= len(layers) * height:
        return chain + laid(layers, range(len(layers)), base, result, kind)
    chain.append(f"[{base}]split={len(parts)}" + "".join(f"[cut{i}]" for i in range(len(parts))))
    for index, band in enumerate(parts):
        chain.append(f"[cut{index}]crop={width}:{band.height}:0:{band.top}[band{index}]")
        chain += laid(layers, band.inside, f"band{index}", f"laid{index}", kind, top=band.top)
    joined = "".join(f"[laid{index}]" for index in range(len(parts)))
    return [*chain, f"{joined}vstack=inputs={len(parts)}[{result}]"]


@dataclass(frozen=True)
class Band:
    """Rows of the picture, even in number, and the indices of the layers on them."""

    top: int
    height: int
    inside: tuple[int, ...] = ()


def bands(layers: Sequence[Layer], height: int) -> list[Band]:
    """A picture's rows divided so that each layer lies wholly on one band.

    Examples
    --------
    >>> import numpy as np
    >>> from overlay.scene.layers import still_layer
    >>> tile = np.zeros((10, 4, 4), np.uint8)
    >>> layers = [still_layer(0, 60, tile), still_layer(0, 0, tile), still_layer(8, 66, tile)]
    >>> for band in bands(layers, 100):
    ...     print(band)
    Band(top=0, height=10, inside=(1,))
    Band(top=10, height=50, inside=())
    Band(top=60, height=16, inside=(0, 2))
    Band(top=76, height=24, inside=())
    """
    found: list[Band] = []
    end = 0
    for index in sorted(range(len(layers)), key=lambda index: layers[index].y):
        top, bottom = layers[index].y, layers[index].y + layers[index].height
        bottom += bottom % 2
        if found and top < end:
            last = found.pop()
            inside = tuple(sorted((*last.inside, index)))
            found.append(Band(last.top, max(end, bottom) - last.top, inside))
        else:
            if top > end:
                found.append(Band(end, top - end))
            found.append(Band(top, bottom - top, (index,)))
        end = max(end, bottom)
    return found if end >= height else [*found, Band(end, height - end)]


def laid(
    layers: Sequence[Layer],
    inside: Sequence[int],
    base: str,
    result: str,
    kind: str,
    *,
    top: int = 0,
) -> list[str]:
    """Filters that lay ``[gN]`` for each N inside on a picture that begins at row `top`."""
    if not inside:
        return [f"[{base}]null[{result}]"]
    names = [base, *(f"{base}on{index}" for index in inside[:-1]), result]
    return [
        f"[{under}][g{index}]overlay=x={layers[index].x}:y={layers[index].y - top}"
        f":eval=init:format={kind}[{made}]"
        for index, under, made in zip(inside, names[:-1], names[1:], strict=True)
    ]
