"""Whether picture and log are of the same run.

A log of another run can be laid so that its launch fits, and then its stop does not. So the offset
is told by each part of the run for itself: by what of the log pulls away, speeds up further, slows
down. Each part's own shift is a further unknown of the joint model, linearised at its fit.

Where only a launch is in view, another launch differs by what could also be a slow error of the
picture's gain. Then how much of that error the fit needs tells.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from overlay.motion.model import BoolArray
from overlay.sync.fit import Fit, fitted
from overlay.sync.joint import Evidence, Part, log_part
from overlay.sync.solve import factored, precision
from overlay.sync.spline import basis, transposed_times
from overlay.timebase import FloatArray

LEAST_SHARE = 0.04  # of what the log tells of the shift; a part with less is left out
LEAST_VALUES = 4  # fewer log values bend to any shift of a part
MOST_PARTS = 12
USUAL_WANDER_SHARE = 4 / 3  # of the usual drift of the gain; less is not worth a closer look
LEAST_RATE_MPS2 = 0.5  # slower change of speed tells little of time
ONE_WAY_SHARE = 0.05  # of the squared acceleration
RATES = np.array([-0.05, -0.025, 0.0, 0.025, 0.05])
STEADY_GAIN, WANDERING_GAIN = 0.004, 0.03  # sizes of a slow gain error, compared


@dataclass(frozen=True, eq=False)
class Parts:
    """Shifts of the parts against the first of them."""

    # shape (k - 1,): how much later each part but the first has its events than the first has
    shifts_s: FloatArray
    covariance: FloatArray  # shape (k - 1, k - 1): theirs, s^2

    def chi_square(self, spread_s: float) -> float:
        """Sum of squares of the shifts, each part allowed a spread of its own, s."""
        k = len(self.shifts_s)
        if not k:
            return 0.0
        allowed = self.covariance + spread_s**2 * (np.eye(k) + 1)
        return float(self.shifts_s @ np.linalg.solve(allowed, self.shifts_s))


def masks(evidence: Evidence, fit: Fit, part: Part) -> list[BoolArray]:
    """Log values of each part; runs of one sign of acceleration, the first second apart."""
    when = evidence.log_t_s - fit.point.shift_s
    rate = basis(evidence.grid, when, 1).times(fit.point.w)
    told = part.columns[:, len(fit.point.gain_error) + 2] ** 2 * part.weight
    sign = np.where(np.abs(rate) > LEAST_RATE_MPS2, np.sign(rate), 0.0)
    inside = (when > evidence.motion_t_s[0]) & (when < evidence.motion_t_s[-1])
    sign[~inside] = 0.0
    edges = np.flatnonzero(np.diff(sign, prepend=0.0, append=0.0))
    found: list[BoolArray] = []
    for first, last in pairwise(edges):
        if sign[first] == 0.0:
            continue
        share = np.cumsum(told[first:last])
        middle = first + int(np.searchsorted(share, share[-1] / 2)) + 1
        for a, b in ((first, middle), (middle, last)):
            mask = np.zeros(len(sign), dtype=np.bool_)
            mask[a:b] = True
            found.append(mask)
    whole = float(np.sum(told))
    enough = [m for m in found if np.count_nonzero(m) >= LEAST_VALUES]
    return [m for m in enough if float(np.sum(told[m])) > LEAST_SHARE * whole][:MOST_PARTS]


def parts_of(evidence: Evidence, fit: Fit) -> Parts:
    """Shift of each part of the log against the first."""
    part = log_part(evidence, fit.point, fit.noise.log_colour, fit.weights.log)
    some = masks(evidence, fit, part)
    if len(some) < 2:
        return Parts(np.zeros(0), np.zeros((0, 0)))
    column = part.columns[:, len(fit.point.gain_error) + 2]
    return _shifts(evidence, fit, part, np.stack([mask * column for mask in some[1:]], axis=1))


@dataclass(frozen=True)
class Stretch:
    """How the picture likes the log's time to run faster or slower than its own, up to 5 %.

    `rate` is the share that fits best, positive where the log's events lie further apart than the
    picture's; `information` the log units by which it explains both better than clocks that agree
    do, and `excluded` those by which even the better of 5 % either way is worse than these.
    """

    rate: float
    information: float
    excluded: float


def stretch_of(evidence: Evidence, fit: Fit) -> Stretch:
    """The log's time stretched about the middle of the clip, by fits with it set right."""
    about_s = fit.point.shift_s + evidence.middle_s
    # The gain has bent to what a clock at fault would explain; here it may only do the usual.
    noise = replace(fit.noise, gain=min(fit.noise.gain, evidence.gain_errors.drift))
    costs = []
    for rate in RATES:
        log_t_s = about_s + (evidence.log_t_s - about_s) * (1 - rate)
        moved = replace(evidence, log_t_s=log_t_s)
        costs.append(fitted(moved, fit.point, noise, fit.weights).cost)
    k = int(np.clip(np.argmin(costs), 1, len(RATES) - 2))
    bend, slope, least = np.polyfit(RATES[k - 1 : k + 2], costs[k - 1 : k + 2], 2)
    best = float(np.clip(-slope / (2 * bend), *RATES[[0, -1]])) if bend > 0 else 0.0
    none = costs[len(RATES) // 2]
    information = (none - min(bend * best**2 + slope * best + least, none)) / 2
    return Stretch(best, information, (min(costs[0], costs[-1]) - none) / 2)


def _shifts(evidence: Evidence, fit: Fit, part: Part, own: FloatArray) -> Parts:
    """Amounts of further columns of the log, as unknowns of the joint model besides its own."""
    import scipy.linalg

    heavy = part.weight[:, None] * own
    p = precision(evidence, fit.noise)
    f = factored(fit.system, p)
    cross = p.log * transposed_times(part.rows, heavy, evidence.grid.size)
    solved = scipy.linalg.cho_solve_banded((f.factor, True), cross, check_finite=False)
    inner = p.log * own.T @ heavy - cross.T @ solved
    between = p.log * part.columns.T @ heavy - f.solved.T @ cross
    pull = p.log * heavy.T @ part.misfit - solved.T @ f.pull
    rest = f.schur + np.diag(p.border)
    from_rest = np.linalg.solve(rest, between)
    information = inner - between.T @ from_rest
    covariance = np.linalg.inv(information + 1e-9 * np.eye(len(information)))
    shifts = covariance @ (pull - from_rest.T @ f.border_pull)
    return Parts(np.asarray(shifts), np.asarray(covariance))


def gain_wander(evidence: Evidence, fit: Fit) -> float:
    """Root mean square of the fitted slow gain error, where there is speed to show it."""
    weight = (evidence.motion - fit.point.offset) ** 2
    error = evidence.gain_basis @ fit.point.gain_error[:-1]
    error = error - np.average(error, weights=weight)
    return float(np.sqrt(np.average(error**2, weights=weight)))


def usual_wander(evidence: Evidence) -> float:
    """By how much the gain of a right log may wander without a closer look, by `gain_wander`."""
    return USUAL_WANDER_SHARE * evidence.gain_errors.drift


def wander_evidence(evidence: Evidence, fit: Fit) -> float:
    """Log of how much better a wandering gain explains the data than a steady one."""
    steady = max(STEADY_GAIN, evidence.gain_errors.drift)
    costs = [
        fitted(evidence, fit.point, replace(fit.noise, gain=size), fit.weights).cost
        for size in (steady, steady * WANDERING_GAIN / STEADY_GAIN)
    ]
    return (costs[0] - costs[1]) / 2


def one_way(evidence: Evidence, fit: Fit) -> bool:
    """Whether the speed in view only rises, or only falls."""
    rate = basis(evidence.grid, evidence.motion_t_s, 1).times(fit.point.w)
    up, down = (float(np.sum(np.clip(side * rate, 0, None) ** 2)) for side in (1, -1))
    return min(up, down) < ONE_WAY_SHARE * (up + down)


def motion_at_rest(evidence: Evidence, fit: Fit) -> tuple[float, float]:
    """What the motion signal would read where the log reads 0, and its standard deviation."""
    p = precision(evidence, fit.noise)
    covariance = np.linalg.inv(factored(fit.system, p).schur + np.diag(p.border))
    return fit.point.offset, float(np.sqrt(max(covariance[0, 0], 0.0)))
