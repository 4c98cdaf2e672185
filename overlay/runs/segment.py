"""Runs in a long recording: where a vehicle launches from rest and stops again."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from overlay.runs.rest import Span, noise_of, rest_spans
from overlay.runs.tuning import REST
from overlay.series import Series

MIN_PEAK_MPS = 3.0  # faster than a push or a walk with the vehicle
_LEAD_IN_S = 3.0
_TAIL_S = 2.0


@dataclass(frozen=True)
class RunWindow:
    """One run in a recording, on the recording's own clock."""

    # Window to cut, with up to 3 s of rest before and 2 s after where there are.
    start_s: float
    end_s: float
    launch_s: float  # about when the speed leaves rest (as shown: the receiver's lag is in it)
    stop_s: float | None  # about when it is at rest again; None when the record ends first
    peak_mps: float  # highest speed
    from_rest: bool  # False when the record starts while moving


def find_runs(
    speed: Series, *, min_peak_mps: float = MIN_PEAK_MPS, min_accel_mps2: float = 0.5
) -> tuple[RunWindow, ...]:
    """Find the runs of a log, in order of time.

    Parameters
    ----------
    speed : Series
        Speed in m/s (or a motion signal scaled to about m/s).
    min_peak_mps : float
        Slower moves are no runs (pushing back, turning round).
    min_accel_mps2 : float
        Mean acceleration from launch to 70 % of the peak below which it is a drive back, not a
        run.

    Returns
    -------
    tuple of RunWindow
        Windows do not overlap. A gap in the log longer than 5 s ends a run.
    """
    if len(speed) < 4:
        return ()
    noise = noise_of(speed)
    rests = list(rest_spans(speed, noise_mps=noise))
    breaks = [Span(a, b) for a, b in speed.gaps(max(5.0, REST.gap_steps * speed.median_step_s))]
    bounds = sorted([*rests, *breaks], key=lambda span: span.start_s)
    first = Span(float(speed.t_s[0]), float(speed.t_s[0]))
    last = Span(float(speed.t_s[-1]), float(speed.t_s[-1]))
    found = []
    for before, after in pairwise([first, *bounds, last]):
        window = _window(speed, before, after, rests)
        if window is None or window.peak_mps < min_peak_mps:
            continue
        if _mean_accel(speed, window) >= min_accel_mps2:
            found.append(window)
    return tuple(found)


def match_runs(
    first: tuple[RunWindow, ...],
    second: tuple[RunWindow, ...],
    *,
    tolerance_s: float = 2.0,
) -> tuple[tuple[int, int], ...]:
    """Pair the runs of two recordings whose clocks differ by an unknown constant.

    The launches' spacing is the evidence: the shift under which most launches of the one fall on
    launches of the other within `tolerance_s`, the closest fit among equals. With a single run in
    each there is no spacing to go by, and the two are paired.

    Returns
    -------
    tuple of (int, int)
        Indices into `first` and `second`, each used at most once, in order of time.
    """
    if not first or not second:
        return ()
    a = np.array([window.launch_s for window in first])
    b = np.array([window.launch_s for window in second])
    best: list[tuple[int, int]] = []
    least = np.inf
    for shift in (b[None, :] - a[:, None]).ravel():
        pairs, misfit = _paired(a + shift, b, tolerance_s)
        if len(pairs) > len(best) or (len(pairs) == len(best) and misfit < least):
            best, least = pairs, misfit
    return tuple(best)


def _paired(
    a: np.ndarray[tuple[int], np.dtype[np.float64]],
    b: np.ndarray[tuple[int], np.dtype[np.float64]],
    tolerance_s: float,
) -> tuple[list[tuple[int, int]], float]:
    """Launches that coincide, in order, and the spread of their differences."""
    pairs: list[tuple[int, int]] = []
    off = []
    for i, at in enumerate(a):
        j = int(np.argmin(np.abs(b - at)))
        if abs(b[j] - at) <= tolerance_s and (not pairs or j > pairs[-1][1]):
            pairs.append((i, j))
            off.append(float(b[j] - at))
    return pairs, float(np.std(off)) if off else np.inf


def _window(speed: Series, before: Span, after: Span, rests: list[Span]) -> RunWindow | None:
    """The move between two bounds, if there is one."""
    moving = speed.between(before.end_s, after.start_s)
    if len(moving) < 3 or float(np.max(moving.values)) <= REST.speed_mps:
        return None
    from_rest, stops = before in rests, after in rests
    start_s, end_s = before.end_s, after.start_s
    if from_rest:
        is_first = before.start_s <= speed.t_s[0]
        shared_s = before.start_s if is_first else (before.start_s + before.end_s) / 2
        start_s = max(shared_s, before.end_s - _LEAD_IN_S)
    if stops:
        is_last = after.end_s >= speed.t_s[-1]
        shared_s = after.end_s if is_last else (after.start_s + after.end_s) / 2
        end_s = min(shared_s, after.start_s + _TAIL_S)
    return RunWindow(
        start_s,
        end_s,
        before.end_s,
        after.start_s if stops else None,
        float(np.max(moving.values)),
        from_rest,
    )


def _mean_accel(speed: Series, window: RunWindow) -> float:
    """Mean acceleration from launch to the first reading of 70 % of the peak."""
    part = speed.between(window.launch_s, window.end_s)
    high = int(np.argmax(part.values >= 0.7 * window.peak_mps))
    took_s = float(part.t_s[high]) - window.launch_s
    return float(part.values[high]) / max(took_s, speed.median_step_s)
