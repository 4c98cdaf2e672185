"""The plate: the quiet dark translucent ground that every gauge stands on.

Its alpha is chosen so that the quieter of the two inks keeps a contrast above 6:1 over pure
white footage, which leaves a margin to the 4.5:1 of WCAG 2.2 (1.4.3) for what encoders blur.
"""

from __future__ import annotations

import numpy as np

from overlay.errors import UsageError
from overlay.gauges.canvas import Canvas, Rgba
from overlay.gauges.palette import BLACK, GROUND, INK, Color
from overlay.gauges.type import Face, put_text

PLATE_ALPHA = 0.86
CORNER_SHARE = 0.14  # of the plate's height, at most
SMALLEST_PX = 16


def require_size(kind: str, width: int, height: int, *, least: tuple[int, int]) -> None:
    """Check that a gauge has room and even sides (halved colour planes need even sizes).

    Raises
    ------
    UsageError
        If it is too small to read, or odd.
    """
    if width % 2 or height % 2:
        raise UsageError(f"{kind}: size {width}×{height} must be even in both directions")
    if width < least[0] or height < least[1]:
        raise UsageError(
            f"{kind}: size {width}×{height} is too small to read; at least {least[0]}×{least[1]}"
        )


def plate(width: int, height: int, *, corner_px: float | None = None) -> Canvas:
    """A canvas with the plate over all of it.

    Parameters
    ----------
    width, height : int
        Pixels.
    corner_px : float, optional
        Corner radius; by default a share of the height, not above 1/40 of the width.
    """
    canvas = Canvas(width, height)
    radius = CORNER_SHARE * min(height, width) if corner_px is None else corner_px
    canvas.box((0, 0, width, height), GROUND, radius=radius, alpha=PLATE_ALPHA)
    return canvas


def chip(text: str, type_face: Face, color: Color, *, pad_share: float = 0.45) -> Rgba:
    """A small filled tag with dark or light text on `color`, on the plate; straight RGBA."""
    pad = max(2, round(pad_share * type_face.cap_px))
    width = type_face.width(text) + 2 * pad
    height = round(type_face.cap_px) + 2 * pad
    canvas = Canvas(width, height)
    canvas.cover(np.ones((height, width)), GROUND, PLATE_ALPHA)
    canvas.box((0, 0, width, height), color, radius=0.3 * height)
    luminous = 0.2126 * color.r + 0.7152 * color.g + 0.0722 * color.b > 90
    ink = BLACK if luminous else INK
    put_text(canvas, text, pad, pad + round(type_face.cap_px), type_face, ink)
    return canvas.rgba()


def paste(frame: Rgba, tile: Rgba, left: int, top: int) -> None:
    """Copy a tile into a frame."""
    frame[top : top + tile.shape[0], left : left + tile.shape[1]] = tile
