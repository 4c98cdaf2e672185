"""One log against another of the same drive: how late one receiver is behind the other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares
from scipy.stats import t as student

from overlay.errors import MismatchError
from overlay.logs import read_log
from overlay.logs.model import RPM, SPEED, WHEEL_SPEED, Log
from overlay.motion.logged import as_motion
from overlay.motion.model import MotionSignal
from overlay.series import Series
from overlay.session.inputs import columns_in
from overlay.sync.estimate import estimate_offset
from overlay.sync.model import Alignment
from overlay.sync.receiver import apply_receiver
from overlay.timebase import FloatArray

LONGEST_S = 300.0  # of the drive, for the first estimate
PIECE_S, MOST_PIECES = 15.0, 12
ROUND_S = 1.5  # a fit may move this far from where it started
LEAST_VALUES = 12
LARGEST_SIGMA_S = 0.5  # a piece less sure than this, as at a steady speed, tells nothing
KINDS = {WHEEL_SPEED: "wheel speed", SPEED: "speed", RPM: "engine speed, at one gearing"}


@dataclass(frozen=True, eq=False)
class LogLag:
    """How late one log is behind another."""

    reference: Log
    late: Log
    motion: MotionSignal  # the reference as the estimator takes it, on the reference's clock
    speed: Series  # the late log's, on the reference's clock where both carry UTC
    alignment: Alignment  # total: time of `late` less that of `reference` for the same event
    pieces_s: tuple[float, ...]  # the same from pieces of the drive alone
    one_clock: bool  # whether they are known to share a clock, so that the total is the lag
    evidence: str  # which channel of the reference served


def align_logs(
    reference: str | Path,
    late: str | Path,
    *,
    same_clock: bool = False,
    columns: Mapping[str, str] | None = None,
) -> LogLag:
    """Measure how late one log shows what another shows.

    The place is found as for a clip; then the receiver's model is fitted between the two logs. The
    interval takes in the scatter of pieces of the drive beyond what their noise explains (Birge
    ratio, with Student's t), since a receiver's lag is not quite constant.

    Parameters
    ----------
    reference, late : paths
        The reference may be a wheel speed, another receiver's speed or, in one gear, the revs.
    same_clock : bool
        That both count from the same instant; logs in UTC with dates do anyway.
    columns : mapping, optional
        Column map for tables.

    Raises
    ------
    InputError
        If a log is not what it should be.
    MismatchError
        If one holds no speed, or they do not overlap in time on a shared clock.
    """
    first, second = (read_log(p, columns=columns_in(p, columns)) for p in (reference, late))
    channel = next((name for name in (WHEEL_SPEED, SPEED, RPM) if name in first.channels), None)
    speed = second.speed or second.channels.get(WHEEL_SPEED)
    if channel is None or speed is None:
        lacking = first.path if channel is None else second.path
        raise MismatchError(f"{lacking}: no speed in it; name a log with a speed or positions")
    one_clock = same_clock
    if first.start_utc is not None and second.start_utc is not None:
        speed = speed.shifted((second.start_utc - first.start_utc).total_seconds())
        one_clock = True
    motion = as_motion(first.channels[channel])
    if one_clock and (motion.t_s[0] > speed.t_s[-1] or speed.t_s[0] > motion.t_s[-1]):
        raise MismatchError(
            f"{second.path}: was not recorded at the time of {first.path}; name logs of one drive"
        )
    alignment, pieces_s = _estimated(motion, speed, one_clock)
    return LogLag(first, second, motion, speed, alignment, pieces_s, one_clock, KINDS[channel])


@dataclass(frozen=True)
class _Delay:
    """A receiver fitted between two logs: total lag, its standard uncertainty, smoothing."""

    total_s: float
    sigma_s: float
    smoothing_s: float


def _estimated(
    motion: MotionSignal, speed: Series, one_clock: bool
) -> tuple[Alignment, tuple[float, ...]]:
    whole = _liveliest(motion, speed if one_clock else None)
    found = estimate_offset(whole, speed, same_clock=one_clock)
    if not found.determined or found.total_offset_s is None:
        return found, ()
    # The estimator lets the gain wander, as pictures make it do. A log's does not, so that the
    # receiver itself can be fitted, which is sharper.
    best = _fitted(whole, speed, found.total_offset_s)
    alone = [_fitted(p, speed, best.total_s) for p in _pieces(motion, speed, best.total_s)]
    pieces = [piece for piece in alone if piece.sigma_s < LARGEST_SIGMA_S]
    half_s = 1.96 * best.sigma_s
    notes = [note for note in found.notes if "widens the interval" not in note]
    if len(pieces) > 1:
        offs = np.array([(piece.total_s - best.total_s) / piece.sigma_s for piece in pieces])
        ratio = max(1.0, float(np.sqrt(np.sum(offs**2) / (len(pieces) - 1))))
        half_s = float(student.ppf(0.975, len(pieces) - 1)) * ratio * best.sigma_s
        totals_s = [piece.total_s for piece in pieces]
        notes.append(
            f"{len(pieces)} pieces of the drive alone: {min(totals_s):+.3f} to "
            f"{max(totals_s):+.3f} s"
        )
    interval_s = (best.total_s - half_s, best.total_s + half_s)
    return replace(
        found,
        total_offset_s=best.total_s,
        interval_s=interval_s,
        delay_s=best.total_s - best.smoothing_s,
        smoothing_s=best.smoothing_s,
        drift_ppm=0.0,
        readout_lag_s=best.total_s if one_clock else None,
        readout_lag_interval_s=interval_s if one_clock else None,
        notes=tuple(notes),
    ), tuple(piece.total_s for piece in pieces)


def _fitted(motion: MotionSignal, speed: Series, total_s: float) -> _Delay:
    """Least squares of ``late = gain * receiver(reference) + level``, with robust residuals.

    The uncertainty is that of the sum of delay and smoothing, from the curvature of the sum of
    squares, times the root of ``(1 + r) / (1 - r)`` for residuals that follow each other with
    correlation r (effective number of values of an AR(1) series; Bartlett 1946).
    """
    inside = (speed.t_s > motion.t_s[0] + total_s) & (speed.t_s < motion.t_s[-1] + total_s)
    t_s, shown = speed.t_s[inside], speed.values[inside]
    if len(t_s) < LEAST_VALUES:
        return _Delay(total_s, float("inf"), 0.0)

    def residuals(p: FloatArray) -> FloatArray:
        late = apply_receiver(
            motion.t_s, motion.forward, delay_s=p[0], smoothing_s=max(p[1], 0.0), at_s=t_s
        )
        return np.asarray(p[2] * late + p[3] - shown)

    gain = float(np.std(shown)) / max(float(np.std(motion.forward)), 1e-9)
    level = float(np.mean(shown)) - gain * float(np.mean(motion.forward))
    fits = [
        least_squares(
            residuals,
            [total_s - smoothing_s, smoothing_s, gain, level],
            bounds=([-np.inf, 0.0, 0.0, -np.inf], np.inf),
            loss="soft_l1",
            f_scale=0.1,
        )
        for smoothing_s in (0.02, 0.5)
    ]
    best = min(fits, key=lambda fit: float(fit.cost))
    left = residuals(best.x)
    follow = float(np.clip(np.corrcoef(left[1:], left[:-1])[0, 1], 0.0, 0.98))
    variance = float(np.sum(left**2)) / max(len(left) - 4, 1) * (1 + follow) / (1 - follow)
    jacobian = np.asarray(best.jac, dtype=np.float64)
    inverse = np.linalg.pinv(jacobian.T @ jacobian)
    sigma_s = float(np.sqrt(max(inverse[:2, :2].sum(), 0.0) * variance))
    total = float(best.x[0] + best.x[1])
    # A fit that ran away tells nothing, whatever its curvature says.
    return _Delay(total, sigma_s if abs(total - total_s) < ROUND_S else float("inf"), best.x[1])


def _liveliest(motion: MotionSignal, speed: Series | None) -> MotionSignal:
    """The stretch of `LONGEST_S` in which the speed changes most, within the other log's."""
    inside = np.ones(len(motion), dtype=bool)
    if speed is not None:
        inside = (motion.t_s >= speed.t_s[0]) & (motion.t_s <= speed.t_s[-1])
    motion = motion.rows(inside) if np.count_nonzero(inside) > 2 else motion
    if motion.t_s[-1] - motion.t_s[0] <= LONGEST_S:
        return motion
    starts_s = np.arange(motion.t_s[0], motion.t_s[-1] - LONGEST_S, LONGEST_S / 4)
    change = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(motion.forward)))])
    gained = [np.diff(np.interp([s, s + LONGEST_S], motion.t_s, change))[0] for s in starts_s]
    best_s = float(starts_s[int(np.argmax(gained))])
    return motion.rows((motion.t_s >= best_s) & (motion.t_s < best_s + LONGEST_S))


def _pieces(motion: MotionSignal, speed: Series, total_s: float) -> list[MotionSignal]:
    """Stretches of equal length of what both logs share, at most `MOST_PIECES`."""
    start_s = max(motion.t_s[0], speed.t_s[0] - total_s)
    end_s = min(motion.t_s[-1], speed.t_s[-1] - total_s)
    count = int(np.clip((end_s - start_s) // PIECE_S, 2, MOST_PIECES))
    edges_s = np.linspace(start_s, end_s, count + 1)
    return [
        motion.rows((motion.t_s >= left) & (motion.t_s < right))
        for left, right in pairwise(edges_s)
    ]


def log_lag_report(found: LogLag) -> str:
    """The lag in a few plain lines."""
    alignment = found.alignment
    first, second = Path(found.reference.path).name, Path(found.late.path).name
    if not alignment.determined or alignment.interval_s is None:
        return "\n".join([f"cannot be determined: {alignment.reason}", *alignment.notes])
    low, high = alignment.interval_s
    what = "lag" if found.one_clock else "lag and clock offset together"
    return "\n".join(
        [
            f"{second} shows {alignment.total_offset_s:+.3f} s later than {first} "
            f"(95 %: {low:+.3f} to {high:+.3f} s): {what}",
            f"set against the {found.evidence} of {first}; its own lag, if any, comes on top",
            f"agreement of the two {alignment.agreement:.3f}",
            *([] if found.one_clock or not alignment.reason else [alignment.reason]),
            *alignment.notes,
        ]
    )
