"""The likeliest path through candidates over time, which may also be silent for a while."""

from __future__ import annotations

import numpy as np

from overlay.timebase import FloatArray, IntArray

SILENT = -1


def best_path(
    scores: FloatArray,
    *,
    reach: int,
    step_cost: float,
    switch_cost: float,
) -> IntArray:
    """Viterbi's path of the largest sum of scores less the costs of moving; `SILENT` is a state.

    Parameters
    ----------
    scores : ndarray, shape (times, candidates)
        Candidates in order, so that neighbours are alike.
    reach : int
        Most candidates that may be passed from one time to the next.
    step_cost, switch_cost : float
        Cost of each candidate passed, and of entering or leaving the state without a candidate,
        which scores 0.

    References
    ----------
    Viterbi 1967; with candidates of pitch as in Mauch & Dixon 2014 (the idea only).

    Examples
    --------
    >>> scores = np.array([[0.0, 2.0, 0.0], [0.0, 0.0, 1.0], [-9.0, -9.0, -9.0]])
    >>> best_path(scores, reach=1, step_cost=0.1, switch_cost=0.5).tolist()
    [1, 2, -1]
    """
    times, count = scores.shape
    if not times:
        return np.zeros(0, dtype=np.int64)
    moves = np.arange(-reach, reach + 1)
    cost = step_cost * np.abs(moves)[:, None]
    source = np.arange(count)[None, :] + moves[:, None]
    inside = (source >= 0) & (source < count)
    source = np.clip(source, 0, count - 1)
    came = np.full((times, count), SILENT, dtype=np.int64)
    came_silent = np.full(times, SILENT, dtype=np.int64)
    heard = scores[0].copy()
    silent = 0.0
    for i in range(1, times):
        options = np.where(inside, heard[source] - cost, -np.inf)
        pick = np.argmax(options, axis=0)
        stay = options.max(axis=0)
        start = silent - switch_cost
        came[i] = np.where(stay >= start, np.take_along_axis(source, pick[None], 0)[0], SILENT)
        loudest = int(np.argmax(heard))
        leave = heard[loudest] - switch_cost
        came_silent[i] = loudest if leave > silent else SILENT
        heard, silent = np.maximum(stay, start) + scores[i], max(leave, silent)
    path = np.full(times, SILENT, dtype=np.int64)
    last = int(np.argmax(heard))
    state = last if heard[last] > silent else SILENT
    for i in range(times - 1, -1, -1):
        path[i] = state
        state = int(came_silent[i] if state == SILENT else came[i, state])
    return path
