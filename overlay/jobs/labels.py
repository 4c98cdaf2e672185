"""Small plates with words, and a free place for them in a picture."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence

from overlay.gauges.canvas import Rgba
from overlay.gauges.palette import INK, QUIET_INK, Color
from overlay.gauges.plate import plate
from overlay.gauges.type import face, put_text
from overlay.render.layers import Layer

CAP_SHARE = 0.028  # of the picture's shorter side: legible at 360 px wide
SAFE_SHARE = 0.05
Box = tuple[int, int, int, int]


def cap_for(width: int, height: int) -> float:
    """Height of capitals in pixels for a label in a picture of this size."""
    return max(9.0, CAP_SHARE * min(width, height))


def word_plate(text: str, cap_px: float, *, hue: Color | None = None, quiet: str = "") -> Rgba:
    """A plate with one line: a bar in the build's hue, the text, and quieter words after it."""
    bold, thin = face(cap_px, bold=True), face(0.8 * cap_px)
    pad = max(4, round(0.75 * cap_px))
    bar = 0 if hue is None else round(0.45 * cap_px) + pad // 2
    wide = 2 * pad + bar + bold.width(text) + (thin.width(" " + quiet) if quiet else 0)
    width, height = 2 * math.ceil(wide / 2), 2 * math.ceil((cap_px + 2 * pad) / 2)
    canvas = plate(width, height)
    if hue is not None:
        canvas.box((pad, pad, pad + 0.45 * cap_px, pad + cap_px), hue, radius=0.1 * cap_px)
    baseline = pad + cap_px
    put_text(canvas, text, pad + bar, baseline, bold, INK)
    if quiet:
        put_text(canvas, " " + quiet, pad + bar + bold.width(text), baseline, thin, QUIET_INK)
    return canvas.rgba()


def free_place(
    width: int, height: int, size: tuple[int, int], taken: Sequence[Box]
) -> tuple[int, int]:
    """Top left of a free place in the safe part of a region, the highest and then leftmost.

    Parameters
    ----------
    width, height : int
        Of the picture or part of it, pixels.
    size : (int, int)
        Of what is to be placed.
    taken : sequence of (x, y, w, h)
        What stands there already, in the same coordinates.

    Examples
    --------
    >>> free_place(1000, 500, (200, 40), [(50, 26, 300, 60)])
    (360, 26)
    >>> free_place(1000, 500, (800, 40), [(50, 26, 300, 60)])
    (50, 96)
    """
    left, top = 2 * math.ceil(SAFE_SHARE * width / 2), 2 * math.ceil(SAFE_SHARE * height / 2)
    across = [left, *(2 * math.ceil((x + w + 0.01 * width) / 2) for x, _, w, _ in taken)]
    down = [top, *(2 * math.ceil((y + h + 0.02 * height) / 2) for _, y, _, h in taken)]
    for y in sorted(set(down)):
        for x in sorted(set(across)):
            inside = left <= x <= width - left - size[0] and top <= y <= height - top - size[1]
            if inside and not any(_meet((x, y, *size), box) for box in taken):
                return x, y
    return left, top


def _meet(a: Box, b: Box) -> bool:
    return a[0] < b[0] + b[2] and b[0] < a[0] + a[2] and a[1] < b[1] + b[3] and b[1] < a[1] + a[3]


def shown_while(
    picture: Rgba, x: int, y: int, when: Callable[[float], bool] = lambda t_s: True
) -> Layer:
    """A layer that shows a picture at those footage times for which `when` says so."""
    clear = picture.copy()
    clear[..., 3] = 0
    height, width = picture.shape[:2]

    def key(t_s: float) -> Hashable:
        return when(t_s)

    return Layer(x, y, width, height, lambda t_s: picture if when(t_s) else clear, key)


__all__ = ["cap_for", "free_place", "shown_while", "word_plate"]
