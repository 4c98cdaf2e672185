"""Where a log says that the vehicle stands, and how noisy the log is."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from overlay.runs.tuning import REST
from overlay.series import Series
from overlay.units import whole_unit_step_mps


@dataclass(frozen=True)
class Span:
    """A stretch of time in seconds."""

    start_s: float
    end_s: float


def quantum(speed: Series) -> float:
    """Step of a log whose values all lie on a grid, 0 or not, in its own unit; 0 when they do not.

    Examples
    --------
    >>> t = np.arange(6.0)
    >>> round(quantum(Series("speed_mps", t, np.array([0.0, 0.1, 0.3, 0.6, 1.0, 1.2]))), 6)
    0.1
    """
    levels = np.unique(speed.values)
    if len(levels) < 3 or levels[-1] <= levels[0]:
        return 0.0
    gaps = np.diff(levels)
    step = whole_unit_step_mps(levels) or float(np.min(gaps[gaps > 1e-9], initial=np.inf))
    if not np.isfinite(step) or step < 1e-3:
        return 0.0
    levels = levels[levels != 0.0]  # figures that were cut off are raised, all but 0
    offset = (levels - levels[0]) / step
    on_grid = bool(np.all(np.abs(offset - np.round(offset)) < 0.02 * np.maximum(1, offset * 0.02)))
    return step if on_grid else 0.0


def noise_of(speed: Series) -> float:
    """Rough standard deviation of the log's noise in m/s, from its third differences.

    A third difference of white noise has the variance 20 sigma^2, and smooth motion leaves almost
    nothing in it. Quantised logs have at least step / sqrt(12) (JCGM 100:2008, 4.3.7).
    """
    floor = max(REST.noise_floor_mps, quantum(speed) / np.sqrt(12))
    moving = speed.values > REST.speed_mps
    third = np.diff(speed.values, 3)
    usable = moving[:-3] & moving[3:]
    if int(np.sum(usable)) < 6:
        return float(max(floor, 0.05))
    spread = float(np.median(np.abs(third[usable]))) / 0.6745 / np.sqrt(20)
    return float(max(floor, spread))


def rest_spans(speed: Series, *, noise_mps: float) -> tuple[Span, ...]:
    """Stretches in which the vehicle stands, by the log's own times.

    Parameters
    ----------
    speed : Series
        Speed in m/s.
    noise_mps : float
        Standard deviation of its noise.

    Returns
    -------
    tuple of Span
        Each at least `REST.shortest_s` long and two readings; at the very start of the record two
        readings are enough.
    """
    below = speed.values <= max(REST.speed_mps, 4 * noise_mps)
    edge = np.flatnonzero(np.diff(np.r_[False, below, False].astype(int)))
    spans = []
    for first, past in zip(edge[::2], edge[1::2], strict=True):
        start_s, end_s = float(speed.t_s[first]), float(speed.t_s[past - 1])
        if past - first >= 2 and (end_s - start_s >= REST.shortest_s or first == 0):
            spans.append(Span(start_s, end_s))
    return tuple(spans)


def unfolded(speed: Series, rests: tuple[Span, ...]) -> Series:
    """The log without the bias of a receiver that shows the size of a noisy velocity.

    Such a receiver never shows less than 0, so its noise at rest has a mean: the square of its
    reading is on average the square of the speed plus that of the noise (Rice distribution), and
    the latter is what it shows at rest. A log with negative values, or with true zeros at rest, is
    left as it is.
    """
    if not rests or float(np.min(speed.values)) < 0:
        return speed
    still = np.concatenate([speed.between(r.start_s, r.end_s).values[1:-2] for r in rests])
    if len(still) < 5 or float(np.median(still)) <= 0:
        return speed
    excess = min(float(np.mean(still**2)), REST.speed_mps**2)
    squared = speed.values**2 - excess
    # The sign keeps the scatter at rest about zero, with the variance of the unfolded noise.
    return replace(speed, values=np.sign(squared) * np.sqrt(np.abs(squared)))
