"""Pieces of the encoder's filter graph that lay pictures over footage."""

from __future__ import annotations

from collections.abc import Sequence

from overlay.render.layers import Layer
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


def layer_chains(
    layers: Sequence[Layer], first_input: int, matrix: str, color_range: str, pixel_format: str
) -> list[str]:
    """For each layer the filters that bring it to the colours of the picture."""
    deep = "yuva420p10le" if "10" in pixel_format else "yuva420p"
    return [
        f"[{first_input + index}:v]"
        f"scale=out_color_matrix={matrix}:out_range={color_range}:flags=bilinear,"
        f"format={deep}"
        for index, _ in enumerate(layers)
    ]


def overlay_chain(layers: Sequence[Layer], base: str, result: str, pixel_format: str) -> list[str]:
    """Filters that lay ``[g0]``, ``[g1]``, … on ``[base]`` in order, ending in ``[result]``."""
    kind = "yuv420p10" if "10" in pixel_format else "yuv420"
    chain, last = [], base
    for index, layer in enumerate(layers):
        made = result if index == len(layers) - 1 else f"{base}{index}"
        chain.append(
            f"[{last}][g{index}]overlay=x={layer.x}:y={layer.y}:eval=init:format={kind}[{made}]"
        )
        last = made
    return chain if layers else [f"[{base}]null[{result}]"]
