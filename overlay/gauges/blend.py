"""What every frame costs: copies of columns between ready layers, and soft edges between them."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from overlay.gauges.canvas import Rgba


def lay_columns(frame: Rgba, layer: Rgba, rows: slice, start_px: float, end_px: float) -> None:
    """Copy columns start_px to end_px of `layer` into `frame`, with exact sub-pixel edges.

    A column covered in part is mixed in that proportion, so the sum of a row over the columns
    is linear in both ends.
    """
    start_px, end_px = max(0.0, start_px), min(float(frame.shape[1]), end_px)
    if end_px <= start_px:
        return
    first, last = math.floor(start_px), math.floor(end_px)
    if first == last:
        _mix_column(frame, layer, rows, first, end_px - start_px)
        return
    inner = first if start_px == first else first + 1
    if inner > first:
        _mix_column(frame, layer, rows, first, inner - start_px)
    frame[rows, inner:last] = layer[rows, inner:last]
    if end_px > last:
        _mix_column(frame, layer, rows, last, end_px - last)


def _mix_column(frame: Rgba, layer: Rgba, rows: slice, column: int, share: float) -> None:
    under = frame[rows, column].astype(np.float32)
    over = layer[rows, column].astype(np.float32)
    frame[rows, column] = (under + share * (over - under) + 0.5).astype(np.uint8)


def lay_fringe(
    frame: Rgba,
    layer: Rgba,
    rows: tuple[slice, ...],
    limits: tuple[float, float],
    end_px: float,
    half_px: float,
) -> None:
    """Copy `layer` from the first limit up to a soft end: full at ``end_px - half_px``, none at
    ``end_px + half_px``, as the chance that the true value lies farther.

    The limits are columns beyond which nothing is drawn.
    """
    low, high = limits
    if not half_px > 0.75:
        for part in rows:
            lay_columns(frame, layer, part, low, end_px)
        return
    start = max(math.floor(low), math.floor(end_px - half_px))
    stop = min(math.ceil(high), math.ceil(end_px + half_px))
    if stop <= start:
        for part in rows:
            lay_columns(frame, layer, part, low, min(high, end_px))
        return
    weight = _soft_step(np.arange(start, stop) + 0.5, end_px, half_px)[None, :, None]
    for part in rows:
        lay_columns(frame, layer, part, low, start)
        under = frame[part, start:stop].astype(np.float32)
        over = layer[part, start:stop].astype(np.float32)
        frame[part, start:stop] = (under + weight * (over - under) + 0.5).astype(np.uint8)


def _soft_step(
    x: npt.NDArray[np.floating], end_px: float, half_px: float
) -> npt.NDArray[np.float32]:
    ramp = np.clip((end_px + half_px - x) / (2.0 * half_px), 0.0, 1.0).astype(np.float32)
    step: npt.NDArray[np.float32] = ramp * ramp * (3.0 - 2.0 * ramp)
    return step
