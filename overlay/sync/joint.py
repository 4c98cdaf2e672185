"""Motion and log as two noisy views of one smooth speed curve.

The unknown is the receiver's smoothed speed w, a cubic B-spline on footage time; true speed is
``v = w + tau dw/dt``, which inverts the pole exactly, so every row stays local and every solve
is banded. With gain g, offset b, a slow gain error e(t) and a pitch effect kappa::

    motion_i = g (1 + e(t_i) + kappa dv/dt) mean(v over span_i) + b + noise
    log_k    = w(t_k - shift) + noise
    d2v/dt2  = white noise (the speed is smooth, how smooth the data decide)

A vehicle pitches in proportion to its acceleration, and with it the camera's view of the ground,
so the gain depends on acceleration (kappa, of either sign).

Both noises may be first-order coloured. w, b, e and kappa are integrated out (a linear mixed model,
so variances come from the restricted likelihood); gain, shift and drift are maximised.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from overlay.motion.model import OPEN_GROUND, BoolArray, GainErrors
from overlay.sync.spline import (
    Grid,
    MeanRows,
    Rows,
    banded_gram,
    basis,
    beside_previous,
    transposed_times,
)
from overlay.timebase import FloatArray

RIDGE = 1e-8  # (m/s)^-2: keeps bare stretches solvable
START_SIZES = (30.0, 3.0, 10.0)  # m/s, m/s^2, m/s^3 of the curve where it starts: any vehicle


@dataclass(frozen=True, eq=False)
class Evidence:
    """What is compared, already cut to the stretch that both may share."""

    # shape (n,): motion signal, and the relative size of its noise (about 1)
    motion_t_s: FloatArray
    motion_span_s: FloatArray
    motion: FloatArray
    motion_scale: FloatArray
    motion_joined: BoolArray  # shape (n,): whether a value follows the one before without a gap
    # shape (m,): log speed on the log's clock, m/s, and the relative size of its noise
    log_t_s: FloatArray
    log: FloatArray
    log_scale: FloatArray
    log_joined: BoolArray  # shape (m,)
    # Step of the figures logged, 0 where they are fine, and least standard deviation of the log's
    # noise, that of rounding included
    log_step_mps: float
    log_floor_mps: float
    grid: Grid  # Knots on footage time
    gain_basis: FloatArray  # shape (n, k): hat functions of the slow gain error
    drifts: bool = False  # Whether the clocks' rate difference is estimated
    # Whether the size of the log's noise is known, and no more to be estimated
    log_known: bool = False
    gain_bend: float = 0.0  # Relative standard uncertainty of the gain between low and full speed
    gain_errors: GainErrors = OPEN_GROUND  # What else the gain may do

    @property
    def errors(self) -> int:
        """How many terms the gain's error has: those of the slow one, and the pitch effect."""
        return int(self.gain_basis.shape[1]) + 1

    @property
    def middle_s(self) -> float:
        """Footage time at which the shift between the clocks is exact, whatever their drift."""
        return (self.grid.start_s + self.grid.end_s) / 2

    @cached_property
    def motion_rows(self) -> MeanRows:
        """Rows of the mean over each span, before the smoothing is known."""
        return MeanRows.over(self.grid, self.motion_t_s, self.motion_span_s, self.motion_joined)


@dataclass(frozen=True)
class Noise:
    """Sizes of the random parts."""

    # Standard deviation of the innovations of each noise
    motion: float
    log_mps: float
    jerk: float  # Root spectral density of d2v/dt2, m/s^2 per root second
    gain: float  # Standard deviation of the slow gain error
    pitch: float = 0.003  # Standard deviation of the pitch effect on the gain, s^2/m
    # Correlation of each noise from a value to the next, -1 to 1
    motion_colour: float = 0.0
    log_colour: float = 0.0


@dataclass(frozen=True, eq=False)
class Point:
    """One value for every unknown; the last of `gain_error` is the pitch effect."""

    shift_s: float
    drift: float
    smoothing_s: float
    gain: float
    offset: float
    gain_error: FloatArray
    w: FloatArray


@dataclass(frozen=True, eq=False)
class Weights:
    """Robust weights of motion and log values, 0 to 1, and relative precision of roughness.

    The last, one for each knot but three, is low where the speed bends sharply (a launch).
    """

    motion: FloatArray
    log: FloatArray
    rough: FloatArray


@dataclass(frozen=True, eq=False)
class System:
    """Normal equations at one point, each source still without its variance.

    `gram` are banded, `cross` are against the border columns (offset, gain errors, log gain,
    shift, drift), `pull` are residual projections, `rss` residual sums of squares. `factors` keeps
    the solutions found so far, by their variances.
    """

    gram: dict[str, FloatArray]
    cross: dict[str, FloatArray]
    corner: dict[str, FloatArray]
    pull: dict[str, FloatArray]
    border_pull: dict[str, FloatArray]
    rss: dict[str, float]
    residual: dict[str, FloatArray]
    factors: dict[tuple[float, ...], Factored] = field(default_factory=dict, repr=False)


@dataclass(frozen=True, eq=False)
class Factored:
    """Normal equations solved for the curve: all that the border's own priors do not change.

    `factor` is the banded Cholesky factor of the curve's precision and `log_det` its determinant,
    `solved` the solution for each border column, `free` that for the residuals; `schur` and
    `border_pull` are what is left for the border.
    """

    factor: FloatArray
    log_det: float
    pull: FloatArray
    solved: FloatArray
    free: FloatArray
    schur: FloatArray
    border_pull: FloatArray


def _link(colour: float, joined: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Factors of a value and of the one before that whiten first-order coloured noise."""
    return np.where(joined, 1.0, np.sqrt(1 - colour**2)), np.where(joined, -colour, 0.0)


def _whitened(values: FloatArray, colour: float, joined: BoolArray) -> FloatArray:
    if colour == 0.0 or not len(values):
        return values
    own, back = _link(colour, joined)
    shape = (-1,) + (1,) * (values.ndim - 1)
    before = np.concatenate([values[-1:], values[:-1]])
    out: FloatArray = own.reshape(shape) * values + back.reshape(shape) * before
    return out


def rough_row(grid: Grid, smoothing_s: float) -> FloatArray:
    """Row that gives d2v/dt2 from coefficients of w; causal, so that its inverse is stable."""
    ratio = smoothing_s / grid.step_s
    return np.array([-ratio, 1 + 3 * ratio, -2 - 3 * ratio, 1 + ratio]) / grid.step_s**2


def start_rows(grid: Grid) -> FloatArray:
    """Rows that give level, slope and bend of the first coefficients, each over its usual size.

    The roughness leaves these three free. Without a proper size the receiver's own transient,
    which lives longer the more it smooths, would speak against smoothing.
    """
    step = grid.step_s
    rows = np.array([[0, 0, 1], [0, -1 / step, 1 / step], [1, -2, 1] / np.square(step)])
    return np.asarray(rows / np.array(START_SIZES)[:, None], dtype=np.float64)


def _rough_gram(row: FloatArray, weight: FloatArray, band: int) -> FloatArray:
    """Banded normal matrix of the same row at every knot."""
    gram = np.zeros((band + 1, len(weight) + 3))
    for k in range(4):
        product = np.convolve(weight, row[: 4 - k] * row[k:])
        gram[k, : len(product)] = product
    return gram


@dataclass(frozen=True, eq=False)
class Part:
    """Whitened rows of one source, its border columns, residuals and weights."""

    rows: Rows
    columns: FloatArray
    misfit: FloatArray
    weight: FloatArray


def _motion_part(e: Evidence, point: Point, colour: float, weight: FloatArray) -> Part:
    mean, before = e.motion_rows.speed(point.smoothing_s)
    change, change_before = e.motion_rows.acceleration(point.smoothing_s)
    count = e.errors
    flat = mean.times(point.w)
    errors = np.column_stack([e.gain_basis, change.times(point.w)])
    gain = point.gain * (1 + errors @ point.gain_error) / e.motion_scale
    tilt = point.gain * point.gain_error[-1] * flat / e.motion_scale
    columns = np.zeros((len(flat), count + 3 + e.drifts))
    columns[:, 0] = 1 / e.motion_scale
    columns[:, 1 : 1 + count] = (point.gain * flat / e.motion_scale)[:, None] * errors
    columns[:, count + 1] = gain * flat
    misfit = (e.motion - point.offset) / e.motion_scale - gain * flat
    values = gain[:, None] * mean.values + tilt[:, None] * change.values
    if colour != 0.0:
        own, back = _link(colour, e.motion_joined)
        earlier = np.roll(gain, 1)[:, None] * before + np.roll(tilt, 1)[:, None] * change_before
        values = own[:, None] * values + back[:, None] * earlier
    return Part(
        Rows(mean.first, values),
        _whitened(columns, colour, e.motion_joined),
        _whitened(misfit, colour, e.motion_joined),
        weight,
    )


def log_part(e: Evidence, point: Point, colour: float, weight: FloatArray) -> Part:
    """Rows of the log at a point, whitened for its colour, with border columns and residuals."""
    middle = e.middle_s
    when = e.log_t_s - point.shift_s
    when = when - point.drift * (when - middle)
    here = basis(e.grid, when)
    slope = -basis(e.grid, when, 1).times(point.w) / e.log_scale
    count = e.errors
    columns = np.zeros((len(when), count + 3 + e.drifts))
    columns[:, count + 2] = slope
    if e.drifts:
        columns[:, -1] = slope * (when - middle)
    misfit = (e.log - here.times(point.w)) / e.log_scale
    rows = here.scaled(1 / e.log_scale)
    if colour != 0.0:
        rows, before = beside_previous(rows, e.log_joined)
        own, back = _link(colour, e.log_joined)
        rows = Rows(rows.first, own[:, None] * rows.values + back[:, None] * before.values)
    return Part(
        rows,
        _whitened(columns, colour, e.log_joined),
        _whitened(misfit, colour, e.log_joined),
        weight,
    )


def assemble(
    evidence: Evidence,
    point: Point,
    noise: Noise,
    weights: Weights,
    *,
    like: System | None = None,
    only: str = "",
) -> System:
    """Normal equations linearised at a point; of `noise` only the colours matter.

    Where only the colour of one source differs from a system at hand (`like`), `only` names that
    source and the rest is taken over.
    """
    size = evidence.grid.size
    sources = {
        "motion": (_motion_part, noise.motion_colour, weights.motion),
        "log": (log_part, noise.log_colour, weights.log),
    }
    if like is None:
        fresh = _of_the_curve(evidence, point, weights)
    else:
        fresh = System(
            dict(like.gram),
            dict(like.cross),
            dict(like.corner),
            dict(like.pull),
            dict(like.border_pull),
            dict(like.rss),
            dict(like.residual),
        )
    for name, (part_of, colour, weight) in sources.items():
        if like is not None and name != only:
            continue
        part = part_of(evidence, point, colour, weight)
        heavy = part.weight[:, None] * np.column_stack([part.columns, part.misfit])
        fresh.gram[name] = banded_gram(part.rows, part.weight, size, part.rows.values.shape[1] - 1)
        both = transposed_times(part.rows, heavy, size)
        fresh.cross[name], fresh.pull[name] = both[:, :-1], both[:, -1]
        square = part.columns.T @ heavy
        fresh.corner[name], fresh.border_pull[name] = square[:, :-1], square[:, -1]
        fresh.rss[name] = float(part.misfit @ heavy[:, -1])
        fresh.residual[name] = part.misfit
    return fresh


def _of_the_curve(evidence: Evidence, point: Point, weights: Weights) -> System:
    """The share of the system that no source has a part in: roughness, start, ridge."""
    row = rough_row(evidence.grid, point.smoothing_s)
    rough = np.correlate(point.w, row, "valid")
    bent = weights.rough * rough
    start = start_rows(evidence.grid)
    square = start.T @ start
    own = -RIDGE * point.w
    own[:3] -= square @ point.w[:3]
    gram = {
        "rough": _rough_gram(row, weights.rough, 3),
        "start": np.array([np.append(np.diagonal(square, -k), np.zeros(k)) for k in range(3)]),
    }
    pull = {"rough": -np.convolve(bent, row), "own": own}
    rss = {
        "rough": float(bent @ rough),
        "start": float(point.w[:3] @ square @ point.w[:3]),
    }
    return System(gram, {}, {}, pull, {}, rss, {})
