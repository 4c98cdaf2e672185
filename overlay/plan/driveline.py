"""Clutch, gearing and tyre slip as speed and logged revs together show them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from overlay.compare.standing import DayRun
from overlay.runs.marks import run_end_s
from overlay.timebase import FloatArray

_APART = 0.04  # of the revs without slip, by which the clutch is taken to be locked
_FAST = 0.75  # of the top speed: above it a centrifugal clutch of a cart is locked
_SLOWEST_MPS = 0.5
_LEAST = 20  # instants


@dataclass(frozen=True)
class Slip:
    """What the revs say of one build."""

    # Revs over ground speed with the clutch locked; standard deviation from run to run.
    rpm_per_mps: float
    sigma: float
    slip: float | None  # of the tyre, as a share, from stated gearing; None without
    # Revs at which the clutch pulls away, and the speed at which it locks.
    engaged_rpm: float | None
    locked_mps: float | None
    highest_rpm: float  # driven in any run


def slip_of(runs: Sequence[DayRun], stated_rpm_per_mps: float | None) -> Slip | None:
    """From the runs of one build whose revs are logged; None where there are none."""
    parts = [part for run in runs if (part := _pulling(run)) is not None]
    if not parts:
        return None
    ratios = [float(np.median((rpm / v)[v > _FAST * v.max()])) for v, rpm in parts]
    ratio = float(np.mean(ratios))
    sigma = float(np.std(ratios, ddof=1)) if len(ratios) > 1 else 0.01 * ratio
    v, rpm = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    slipping = rpm > (1 + _APART) * ratio * v
    locked = float(np.max(v[slipping])) if np.any(slipping) else None
    early = slipping & (v < 0.7 * (locked or 0.0)) & (v > 2 * _SLOWEST_MPS)
    return Slip(
        ratio,
        sigma,
        None if stated_rpm_per_mps is None else ratio / stated_rpm_per_mps - 1,
        float(np.median(rpm[early])) if np.sum(early) >= _LEAST else None,
        locked,
        max(run.highest_rpm or 0.0 for run in runs),
    )


def _pulling(run: DayRun) -> tuple[FloatArray, FloatArray] | None:
    """Speed and revs from the launch to the end of the pull."""
    if run.rpm is None or run.launch is None or len(run.rpm) < _LEAST:
        return None
    k = run.kinematics
    end_s = run_end_s(k, run.launch.at_s)
    low_s, high_s = max(run.launch.at_s, run.rpm.t_s[0]), min(end_s, run.rpm.t_s[-1])
    rows = (k.t_s >= low_s) & (k.t_s <= high_s) & (k.speed_mps > _SLOWEST_MPS) & k.known
    if np.sum(rows) < _LEAST:
        return None
    return k.speed_mps[rows], np.interp(k.t_s[rows], run.rpm.t_s, run.rpm.values)
