"""Whether the parts of a picture keep their proportions: open ground, or things at all depths."""

from __future__ import annotations

import numpy as np

from overlay.motion.cells import CellFit, Cells, Template
from overlay.motion.ego import information
from overlay.timebase import FloatArray

_BIN_PAIRS = 8
_MOST_BINS = 25
_LEAST_BINS = 4
_MOVING_SHARE = 0.3
_LEAST_SIDE = 0.2


def side_ratio_spread(cells: Cells, template: Template, fit: CellFit, columns: int) -> float:
    """Standard deviation over time of the log ratio of the two sides' motion, >= 0.

    Over open ground left and right of the picture agree on the distance of each pair, whatever it
    is. A hedge or a parked car close by makes its side's motion larger while it passes. The
    standard deviation is a robust one, 1.4826 times the median absolute deviation.

    Parameters
    ----------
    cells, template, fit
        As the fit left them.
    columns : int
        Cells in a row.

    Returns
    -------
    float
        Infinite where next to all comes from one side, 0 where the clip is too short to tell.
    """
    moving = np.abs(fit.distance) > _MOVING_SHARE * np.percentile(np.abs(fit.distance), 95)
    number = np.flatnonzero(moving)
    bins = min(_MOST_BINS, len(number) // _BIN_PAIRS)
    if bins < _LEAST_BINS:
        return 0.0
    left = (np.arange(len(template.along)) % columns) < columns / 2
    logs, shares = [], []
    for part in np.array_split(number, bins):
        top, bottom = _amounts(cells, template, fit, part)
        one, two = (float(bottom[:, side].sum()) for side in (left, ~left))
        shares.append(min(one, two) / max(one + two, 1e-12))
        a, b = top[:, left].sum() / max(one, 1e-12), top[:, ~left].sum() / max(two, 1e-12)
        logs.append(float(np.log(max(a / b, 1e-3))) if a * b > 0 else float(np.log(1e-3)))
    if float(np.median(shares)) < _LEAST_SIDE:
        return float("inf")
    return float(1.4826 * np.median(np.abs(np.array(logs) - np.median(logs))))


def _amounts(
    cells: Cells, template: Template, fit: CellFit, part: np.ndarray[tuple[int], np.dtype[np.int64]]
) -> tuple[FloatArray, FloatArray]:
    """What each cell says of the distance, times its weight, and the weight; (pairs, cells)."""
    piece = cells.part(part)
    size = np.hypot(*template.along.T) * np.abs(fit.distance[part])[:, None]
    xx, xy, yy, px, py = information(
        piece, size.astype(np.float32), template.spread, template.share
    )
    along = template.along[None] + np.einsum("cij,nj->nci", template.tilting, fit.tilt[part])
    turned = np.einsum("cij,nj->nci", template.turning, fit.turn[part])
    x, y = along[..., 0], along[..., 1]
    px = px - xx * turned[..., 0] - xy * turned[..., 1]
    py = py - xy * turned[..., 0] - yy * turned[..., 1]
    weight = fit.weight[part]
    top = (x * px + y * py) * weight
    bottom = (x * x * xx + 2 * x * y * xy + y * y * yy) * weight
    return top, bottom
