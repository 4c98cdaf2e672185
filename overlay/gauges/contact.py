"""The contact sheet: every gauge in every state, over bright, dark and busy ground."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from overlay.gauges import GAUGES, gauge_class
from overlay.gauges.base import Even, Gauge
from overlay.gauges.canvas import Canvas, Rgba
from overlay.gauges.palette import GROUND, INK, QUIET_INK
from overlay.gauges.type import face, put_text

Rgb = npt.NDArray[np.uint8]
WIDTH_PX = 1920


def over(picture: Rgb, gauge: Rgba, x: int, y: int) -> None:
    """Lay a gauge over a picture, in code values as ffmpeg's overlay does; changes `picture`."""
    height, width = gauge.shape[:2]
    under = picture[y : y + height, x : x + width].astype(np.float32)
    alpha = gauge[..., 3:].astype(np.float32) / 255.0
    mixed = under + alpha * (gauge[..., :3].astype(np.float32) - under)
    picture[y : y + height, x : x + width] = (mixed + 0.5).astype(np.uint8)


def contact_sheet(*, scale: float = 1.0) -> Rgb:
    """Every gauge in every state, at the sizes it has in a 1080p picture.

    Parameters
    ----------
    scale : float
        1 for a sheet 1920 px wide; 0.25 to 2.

    Returns
    -------
    ndarray of uint8, shape (height, width, 3)
        sRGB.
    """

    def even(pixels: float) -> int:
        return 2 * round(pixels * scale / 2)

    return np.concatenate([_section(gauge_class(kind), even) for kind in GAUGES])


def _section(kind: type[Gauge[object]], even: Even) -> Rgb:
    """A heading and a grid of pictures with their captions."""
    states = list(kind.states(even))
    margin, caption_px, title_px = even(40), even(44), even(74)
    cell = states[0][1].size[1] + caption_px + even(16)
    width = even(WIDTH_PX)
    height = title_px + -(-len(states) // kind.columns) * cell + even(16)
    picture = _backdrop(width, height)
    text = Canvas(width, height)
    text.box((0, 0, width, title_px - even(14)), GROUND)
    put_text(text, kind.heading, margin, title_px - even(32), face(even(24), bold=True), INK)
    step = (width - 2 * margin) // kind.columns
    small = face(even(16))
    for index, (caption, gauge, values) in enumerate(states):
        x = 2 * ((margin + (index % kind.columns) * step) // 2)
        y = title_px + (index // kind.columns) * cell
        over(picture, gauge.draw(values), x, y + caption_px)
        right = x + small.width(caption) + even(24)
        box = (x, y + even(6), right, y + caption_px - even(6))
        text.box(box, GROUND, radius=even(8), alpha=0.9)
        put_text(text, caption, x + even(12), y + caption_px - even(14), small, QUIET_INK)
    over(picture, text.rgba(), 0, 0)
    return picture


def _backdrop(width: int, height: int) -> Rgb:
    """White, mid-grey with fine detail, and black, side by side: the worst footage there is."""
    x = np.linspace(0.0, 1.0, width)[None, :]
    y = np.arange(height)[:, None]
    grain = 46 * np.sin(np.arange(width)[None, :] * 0.55) * np.sin(y * 0.43 + x * 9.0)
    level = np.where(x < 0.3, 250.0, np.where(x < 0.72, 118 + grain, 6.0))
    return np.repeat(level.astype(np.uint8)[..., None], 3, axis=2)
