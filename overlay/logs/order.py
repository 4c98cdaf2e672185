"""The order of a log's records in time: newest first, overtaken, shuffled, set back."""

from __future__ import annotations

from bisect import bisect_left

import numpy as np
import numpy.typing as npt

from overlay.timebase import FloatArray

IntArray = npt.NDArray[np.int64]
OVERTAKING_ROWS = 3  # records of one logger overtake each other by no more (common practice)
EVEN_SHARE = 0.98  # of the steps of a shuffled log, once sorted, this share is alike


def mostly_descending(t_s: FloatArray) -> bool:
    """Whether records stand with the newest first: nine steps in ten go back."""
    steps = np.diff(t_s[np.isfinite(t_s)])
    steps = steps[steps != 0]
    return len(steps) > 1 and bool(np.count_nonzero(steps < 0) >= 0.9 * len(steps))


def in_order(t_s: FloatArray) -> tuple[IntArray, int]:
    """Rows in order of time, and how many of them had to be moved.

    Rows of the longest increasing run stay. Of the others those are put in that stand within a
    few rows of their place, as records that overtook each other do; records of a clock that was
    set back, and wild times, stand elsewhere. A file of many steps back whose sorted times are
    even has been shuffled, and is sorted.

    Examples
    --------
    >>> in_order(np.array([1.0, 0.0, 2.0, 90.0, 3.0, 5.0, 4.0, 6.0, 7.0, 8.0]))[0].tolist()
    [1, 0, 2, 4, 6, 5, 7, 8, 9]
    """
    rows = longest_increasing(t_s)
    others = np.setdiff1d(np.arange(len(t_s)), rows)
    if not len(others):
        return rows, 0
    by_time = np.argsort(t_s, kind="stable")
    steps = np.diff(t_s[by_time])
    even = np.abs(steps - np.median(steps)) <= 0.5 * np.median(steps)
    if len(others) > 0.1 * len(t_s) and bool(np.mean(even) > EVEN_SHARE) and bool(np.all(steps)):
        back = np.count_nonzero(np.diff(t_s) < 0)
        if back > 0.1 * len(t_s):
            return by_time, len(others)
    apart = np.searchsorted(t_s[rows], t_s[others]) - np.searchsorted(rows, others)
    near = others[(np.abs(apart) <= OVERTAKING_ROWS) & ~np.isin(t_s[others], t_s[rows])]
    near = near[np.unique(t_s[near], return_index=True)[1]]
    together = np.concatenate([rows, near])
    return together[np.argsort(t_s[together], kind="stable")], len(near)


def longest_increasing(t_s: FloatArray) -> IntArray:
    """Indices of the longest strictly increasing subsequence (patience sorting, O(n log n)).

    Examples
    --------
    >>> longest_increasing(np.array([1.0, 2.0, 9.0, 3.0, 4.0])).tolist()
    [0, 1, 3, 4]
    """
    if not len(t_s) or bool(np.all(np.diff(t_s) > 0)):
        return np.arange(len(t_s))
    tails: list[float] = []  # smallest last time of an increasing run of each length
    tail_rows: list[int] = []
    before = np.full(len(t_s), -1)
    for row, time_s in enumerate(t_s.tolist()):
        place = bisect_left(tails, time_s)
        before[row] = tail_rows[place - 1] if place else -1
        if place == len(tails):
            tails.append(time_s)
            tail_rows.append(row)
        else:
            tails[place], tail_rows[place] = time_s, row
    chain = [tail_rows[-1]]
    while before[chain[-1]] >= 0:
        chain.append(int(before[chain[-1]]))
    return np.array(chain[::-1])
