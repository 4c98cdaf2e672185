"""Starting points: where in the log the clip could lie, by masked normalised correlation.

Gaps of the log stay gaps (nothing is interpolated over them), and partial overlap counts by how
much of it there is. The correlation with masks follows Padfield 2012, IEEE TIP 21:2706.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from overlay.motion.model import MotionSignal, used
from overlay.series import Series
from overlay.timebase import FloatArray

GRID_S = 0.1
GAP_STEPS = 2.5
LEAST_OVERLAP_S = 3.0
LEAST_OVERLAP_SHARE = 0.3
APART_S = 0.6


@dataclass(frozen=True)
class SeedPlace:
    """One place where the clip may lie."""

    shift_s: float  # Log time less footage time
    correlation: float  # Of motion and log speed there, -1 to 1
    overlap_s: float  # Time that both cover
    score: float  # Log likelihood gain of that correlation over none, higher is better


def on_grid(t_s: FloatArray, values: FloatArray, start_s: float, gap_s: float) -> FloatArray:
    """Linear interpolation at even steps from `start_s`; NaN in gaps longer than `gap_s`."""
    grid = np.arange(start_s, t_s[-1] + 1e-9, GRID_S)
    out = np.interp(grid, t_s, values)
    right = np.clip(np.searchsorted(t_s, grid), 1, len(t_s) - 1)
    out[(t_s[right] - t_s[right - 1]) > gap_s] = np.nan
    out[grid < t_s[0] - 1e-9] = np.nan
    return out


def binned_motion(motion: MotionSignal) -> tuple[float, FloatArray]:
    """Start time and motion averaged in even bins; NaN where no value can be trusted."""
    keep = used(motion)
    t_s, values, weight = motion.t_s[keep], motion.forward[keep], motion.quality[keep]
    start = float(t_s[0])
    index = np.rint((t_s - start) / GRID_S).astype(np.intp)
    total = np.bincount(index, weight)
    with np.errstate(invalid="ignore", divide="ignore"):
        binned: FloatArray = np.bincount(index, weight * values) / total
    holes = np.flatnonzero(np.isnan(binned))
    if len(holes) and float(np.median(motion.span_s[keep])) > 0.5 * GRID_S:
        good = np.flatnonzero(~np.isnan(binned))
        near = np.min(np.abs(holes[:, None] - good[None, :]), axis=1) <= 3
        binned[holes[near]] = np.interp(holes[near], good, binned[good])
    return start, binned


def _correlations(a: FloatArray, b: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Correlation and count of values for every placing of `a` along `b`.

    Entry k belongs to ``a[i]`` beside ``b[i + k - (len(a) - 1)]``.
    """
    import scipy.fft

    size = scipy.fft.next_fast_len(len(a) + len(b), real=True)
    ok_a, ok_b = np.isfinite(a), np.isfinite(b)
    a0 = np.where(ok_a, a - np.nanmean(a), 0.0)
    b0 = np.where(ok_b, b - np.nanmean(b), 0.0)

    def spectrum(x: FloatArray) -> np.ndarray[tuple[int, ...], np.dtype[np.complex128]]:
        return np.asarray(scipy.fft.rfft(x, size))

    fa = [spectrum(x[::-1]) for x in (ok_a.astype(float), a0, a0**2)]
    fb = [spectrum(x) for x in (ok_b.astype(float), b0, b0**2)]
    keep = len(a) + len(b) - 1

    def joined(i: int, j: int) -> FloatArray:
        out: FloatArray = scipy.fft.irfft(fa[i] * fb[j], size)[:keep]
        return out

    count = np.maximum(np.rint(joined(0, 0)), 0.0)
    n = np.maximum(count, 1.0)
    sum_a, sum_b = joined(1, 0), joined(0, 1)
    var_a = np.maximum(joined(2, 0) - sum_a**2 / n, 0.0)
    var_b = np.maximum(joined(0, 2) - sum_b**2 / n, 0.0)
    least_a, least_b = 1e-6 * float(np.sum(a0**2)), 1e-9 * float(np.sum(b0**2)) + 1e-3
    product = np.sqrt(np.maximum(var_a, least_a + 1e-12) * np.maximum(var_b, least_b))
    correlation: FloatArray = np.clip((joined(1, 1) - sum_a * sum_b / n) / product, -1.0, 1.0)
    return correlation, count


def candidates(
    motion: MotionSignal,
    speed: Series,
    *,
    search_s: tuple[float, float] | None = None,
    at_most: int = 6,
) -> list[SeedPlace]:
    """Places where the clip may lie in the log, best first; empty when there is none.

    Parameters
    ----------
    motion : MotionSignal
    speed : Series
        Log speed in m/s.
    search_s : (float, float) or None
        Least and greatest log time less footage time; None searches wherever both overlap.
    at_most : int
        How many to return.
    """
    start, a = binned_motion(motion)
    gap_s = max(GAP_STEPS * speed.median_step_s, 0.45)
    b = on_grid(speed.t_s, speed.values, float(speed.t_s[0]), gap_s)
    if np.count_nonzero(np.isfinite(a)) < 8 or np.count_nonzero(np.isfinite(b)) < 8:
        return []
    correlation, count = _correlations(a, b)
    placing = np.arange(len(count)) - (len(a) - 1)
    shift = np.asarray(float(speed.t_s[0]) - start + placing * GRID_S, dtype=np.float64)
    shorter = min(np.count_nonzero(np.isfinite(a)), np.count_nonzero(np.isfinite(b)))
    least = max(LEAST_OVERLAP_S / GRID_S, LEAST_OVERLAP_SHARE * shorter)
    allowed = (count >= least) & (correlation > 0)
    if search_s is not None:
        allowed &= (shift >= search_s[0] - GRID_S) & (shift <= search_s[1] + GRID_S)
    r2 = np.clip(correlation, 0.0, 0.9995) ** 2
    score: FloatArray = np.where(allowed, -0.5 * count * np.log1p(-r2), -np.inf)
    return _peaks(shift, correlation, count, score, at_most)


def _peaks(
    shift: FloatArray, correlation: FloatArray, count: FloatArray, score: FloatArray, at_most: int
) -> list[SeedPlace]:
    padded = np.concatenate([[-np.inf], score, [-np.inf]])
    peak = (score > -np.inf) & (score >= padded[:-2]) & (score >= padded[2:])
    found: list[SeedPlace] = []
    for i in np.flatnonzero(peak)[np.argsort(-score[peak], kind="stable")]:
        if all(abs(shift[i] - c.shift_s) >= APART_S for c in found):
            found.append(
                SeedPlace(
                    float(shift[i]),
                    float(correlation[i]),
                    float(count[i]) * GRID_S,
                    float(score[i]),
                )
            )
        if len(found) == at_most:
            break
    return found
