"""Small plates with words, and a free place for them in a picture."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence

from overlay.gauges.base import plate
from overlay.gauges.canvas import Rgba
from overlay.gauges.layout import SAFE_SHARE, Box
from overlay.gauges.palette import INK, QUIET_INK, Color
from overlay.gauges.type import face, put_text
from overlay.scene.layers import Layer

CAP_SHARE = 0.028  # of the picture's shorter side: legible at 360 px wide


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


def safe_region(width: int, height: int) -> Box:
    """The part of a picture that may hold words: all but 5 % at every edge; x, y, w, h."""
    x, y = 2 * math.ceil(SAFE_SHARE * width / 2), 2 * math.ceil(SAFE_SHARE * height / 2)
    return x, y, width - 2 * x, height - 2 * y


def free_place(region: Box, size: tuple[int, int], taken: Sequence[Box]) -> tuple[int, int] | None:
    """Top left of a free place in a region, the highest and then leftmost; None if there is none.

    Parameters
    ----------
    region : (x, y, w, h)
        In pixels, x and y even.
    size : (int, int)
        Width and height of what is to be placed.
    taken : sequence of (x, y, w, h)
        What stands there already.

    Examples
    --------
    >>> free_place((50, 26, 900, 450), (200, 40), [(50, 26, 300, 60)])
    (360, 26)
    >>> free_place((50, 26, 900, 450), (800, 40), [(50, 26, 300, 60)])
    (50, 96)
    >>> free_place((50, 26, 900, 450), (800, 40), [(50, 26, 300, 440)])
    """
    left, top, wide, high = region
    gap = max(2, round(0.01 * wide))
    across = [left, *(2 * math.ceil((x + w + gap) / 2) for x, _, w, _ in taken)]
    down = [top, *(2 * math.ceil((y + h + gap) / 2) for _, y, _, h in taken)]
    for y in sorted(set(down)):
        for x in sorted(set(across)):
            inside = left <= x <= left + wide - size[0] and top <= y <= top + high - size[1]
            if inside and not any(_meet((x, y, *size), box) for box in taken):
                return x, y
    return None


def placed_words(
    text: str,
    region: Box,
    taken: Sequence[Box],
    cap_px: float,
    *,
    hue: Color | None = None,
    quiet: str = "",
) -> tuple[Rgba, int, int]:
    """A plate with words where there is room, smaller if it must be.

    Returns
    -------
    ndarray, int, int
        The plate, and its left and top; in the region's corner if there is no room at all.
    """
    for share in (1.0, 0.9, 0.8):
        picture = word_plate(text, share * cap_px, hue=hue, quiet=quiet)
        place = free_place(region, (picture.shape[1], picture.shape[0]), taken)
        if place is not None:
            return picture, *place
    return picture, region[0], region[1]


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
