"""Solving the joint model's normal equations: steps, covariances, determinants."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from overlay.sync.joint import RIDGE, Evidence, Factored, Noise, Point, System
from overlay.timebase import FloatArray

OFFSET_SIGMA = 0.1  # of the motion signal, whose full scale is 1; it reads about 0 at rest
DRIFT_SIGMA = 40e-6  # crystal clocks keep within tens of parts in a million: common practice


@dataclass(frozen=True, eq=False)
class Precision:
    """Inverse variances of the parts: motion, log, roughness and the border's own priors."""

    motion: float
    log: float
    rough: float
    border: FloatArray


def precision(evidence: Evidence, noise: Noise) -> Precision:
    """Inverse variances from noise sizes."""
    count = evidence.errors
    border = np.full(count + 3 + evidence.drifts, 1e-4)
    border[0] = OFFSET_SIGMA**-2
    border[1:count] = noise.gain**-2
    border[count] = noise.pitch**-2
    if evidence.drifts:
        border[-1] = DRIFT_SIGMA**-2
    rough = evidence.grid.step_s / noise.jerk**2
    return Precision(noise.motion**-2, noise.log_mps**-2, rough, border)


def factored(system: System, p: Precision) -> Factored:
    """The curve solved for; kept, since trials of the border's priors need it again."""
    import scipy.linalg

    key = (p.motion, p.log, p.rough)
    if key in system.factors:
        return system.factors[key]
    parts = (p.motion, "motion"), (p.log, "log"), (p.rough, "rough")
    band = max(len(system.gram[name]) for _, name in parts)
    gram = np.zeros((band, len(system.pull["own"])))
    for size, name in parts:
        gram[: len(system.gram[name])] += size * system.gram[name]
    gram[:3, :3] += system.gram["start"]
    gram[0] += RIDGE
    cross = p.motion * system.cross["motion"] + p.log * system.cross["log"]
    corner = p.motion * system.corner["motion"] + p.log * system.corner["log"]
    pull = sum((size * system.pull[name] for size, name in parts), system.pull["own"])
    factor = scipy.linalg.cholesky_banded(gram, lower=True, check_finite=False)
    right = np.asfortranarray(np.column_stack([cross, pull]))
    both = scipy.linalg.cho_solve_banded(
        (factor, True), right, overwrite_b=True, check_finite=False
    )
    solved, free = both[:, :-1], both[:, -1]
    border = p.motion * system.border_pull["motion"] + p.log * system.border_pull["log"]
    found = Factored(
        factor,
        2 * float(np.sum(np.log(factor[0]))),
        pull,
        solved,
        free,
        corner - cross.T @ solved,
        border - cross.T @ free,
    )
    system.factors[key] = found
    return found


def log_determinant(system: System, p: Precision, random: int) -> float:
    """Log determinant of the precision of everything that is integrated out.

    `random` is how many border columns, from the first, belong to that.
    """
    f = factored(system, p)
    _, corner = np.linalg.slogdet((f.schur + np.diag(p.border))[:random, :random])
    return f.log_det + float(corner)


def newton_step(
    system: System, p: Precision, point: Point, fixed: bool = False, held: bool = False
) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Gauss-Newton step of the coefficients and of the border, and the border's covariance.

    Last, by how much the step is to lower minus two log likelihood.

    With `fixed`, gain, shift and drift stay as they are; with `held`, shift and drift.
    """
    f = factored(system, p)
    own = np.zeros(len(p.border))
    count = len(point.gain_error)
    own[0] = -p.border[0] * point.offset
    own[1 : 1 + count] = -p.border[1 : 1 + count] * point.gain_error
    if len(own) > count + 3:
        own[-1] = -p.border[-1] * point.drift
    schur = f.schur + np.diag(p.border)
    if fixed or held:
        still = np.arange(count + 1 if fixed else count + 2, len(own))
        schur[still, :] = 0.0
        schur[:, still] = 0.0
        schur[still, still] = 1e30
    covariance: FloatArray = np.asarray(np.linalg.inv(schur), dtype=np.float64)
    border_step = covariance @ (f.border_pull + own)
    step = f.free - f.solved @ border_step
    gain = float(f.pull @ f.free + border_step @ (f.border_pull + own))
    return step, border_step, covariance, gain


def curve_step(system: System, p: Precision, border_step: FloatArray) -> FloatArray:
    """Step of the coefficients that is best for a step of the border, shape (size,)."""
    f = factored(system, p)
    return np.asarray(f.free - f.solved @ border_step, dtype=np.float64)
