"""Telling the receiver's lag from the clock offset, once other evidence gives the offset."""

from __future__ import annotations

import math
from dataclasses import replace

from overlay.errors import UsageError
from overlay.sync.model import Alignment, ChannelTiming


def separate(
    alignment: Alignment,
    clock_offset_s: float,
    clock_interval_s: tuple[float, float],
    evidence: str,
    *,
    channel: str = "engine_rpm",
) -> Alignment:
    """Fill in the readout lag from a clock offset that something else measured.

    The total is from speed and picture, the offset from elsewhere (engine sound against logged
    revs), so their errors are independent and the variances add.

    Parameters
    ----------
    alignment : Alignment
        A determined one, of the speed channel.
    clock_offset_s : float
        Log clock less footage clock.
    clock_interval_s : (float, float)
        Its 95 % interval.
    evidence : str
        What the offset comes from, one sentence for people.
    channel : str
        The channel that needs the clock offset only.

    Returns
    -------
    Alignment
        With `readout_lag_s`, its interval and the timing of both channels. One that is not
        determined keeps None for its lag but gains the clock offset.

    Raises
    ------
    UsageError
        If the interval does not hold the offset.

    Examples
    --------
    >>> found = Alignment(determined=True, total_offset_s=3.2, interval_s=(3.17, 3.23))
    >>> told = separate(found, 2.1, (2.06, 2.14), "engine sound")
    >>> round(told.readout_lag_s, 3), tuple(round(x, 3) for x in told.readout_lag_interval_s)
    (1.1, (1.05, 1.15))
    """
    if not clock_interval_s[0] <= clock_offset_s <= clock_interval_s[1]:
        raise UsageError(
            f"clock offset {clock_offset_s} s lies outside its own interval {clock_interval_s}"
        )
    timing = ChannelTiming(channel, clock_offset_s, clock_interval_s, evidence)
    others = tuple(c for c in alignment.channels if c.channel != channel)
    if not alignment.determined or alignment.total_offset_s is None or alignment.interval_s is None:
        return replace(alignment, clock_offset_s=clock_offset_s, channels=(*others, timing))
    lag = alignment.total_offset_s - clock_offset_s
    total_low, total_high = alignment.interval_s
    low = math.hypot(alignment.total_offset_s - total_low, clock_interval_s[1] - clock_offset_s)
    high = math.hypot(total_high - alignment.total_offset_s, clock_offset_s - clock_interval_s[0])
    notes = alignment.notes
    if lag + high < 0:
        notes = (
            *notes,
            f"the receiver would be {-lag:.3f} s ahead of time: clock offset or log is wrong",
        )
    return replace(
        alignment,
        clock_offset_s=clock_offset_s,
        readout_lag_s=lag,
        readout_lag_interval_s=(lag - low, lag + high),
        channels=(*others, timing),
        reason=None,
        notes=notes,
    )
