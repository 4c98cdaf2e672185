"""What alignment says, and how sure it is."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

from overlay.series import Series
from overlay.units import Z95


@dataclass(frozen=True)
class ChannelTiming:
    """How one log channel is put on footage time, and on what evidence."""

    channel: str  # Such as ``speed_mps`` or ``engine_rpm``
    offset_s: float  # Log time minus footage time at which the channel shows an event
    interval_s: tuple[float, float]  # 95 % interval of the offset
    evidence: str  # What was used and why, one sentence


@dataclass(frozen=True)
class Alignment:
    """A log set against footage.

    ``log_time = footage_time + clock_offset_s``; a receiver shows the true speed later by
    ``readout_lag_s = delay_s + smoothing_s``; the sum of offset and lag is `total_offset_s`.
    """

    # False when the evidence cannot tell; then the numbers are None and `reason` says why
    determined: bool
    # Log time minus footage time of the same event; positive = the log shows it later
    total_offset_s: float | None = None
    interval_s: tuple[float, float] | None = None  # 95 % interval of the total offset
    # Log clock minus footage clock, where it can be told apart from the lag
    clock_offset_s: float | None = None
    # The receiver's lag and its 95 % interval, where it can be told apart; else None
    readout_lag_s: float | None = None
    readout_lag_interval_s: tuple[float, float] | None = None
    # D and tau of the receiver model ``exp(-sD) / (1 + s tau)`` used for correction, D including
    # the clock offset (so ``delay_s + smoothing_s == total_offset_s``)
    delay_s: float = 0.0
    smoothing_s: float = 0.0
    split_identified: bool = False  # Whether the data themselves identify delay against smoothing
    # Rate of the log clock against footage, parts in a million; positive = the log's clock runs
    # fast; 0 when not estimated
    drift_ppm: float = 0.0
    # Footage time at which the total offset is exact; before and after it the drift adds up
    drift_about_s: float = 0.0
    gain_mps: float | None = None  # Metres a second for one unit of the motion signal
    agreement: float = 0.0  # Correlation of motion and log speed at the estimate, -1 to 1
    # How much better the estimate explains the data than the best other offset, in sigmas
    margin: float = 0.0
    # By how much the log's figures, 0 apart, are below the speed that they stand for, as they are
    # where decimals are cut off, and how uncertain that is; common to all of them
    raised_mps: float = 0.0
    raised_sigma_mps: float = 0.0
    channels: tuple[ChannelTiming, ...] = ()  # Timing of each channel, with its evidence
    # Why it is not determined, or why the lag cannot be told from the clock offset
    reason: str | None = None
    # Anything else a person should know, one sentence each
    notes: tuple[str, ...] = field(default=())

    def widened(self, sigma_s: float) -> Alignment:
        """The same with a further standard uncertainty of the log's times, common to all, in it."""
        if not self.interval_s or self.total_offset_s is None:
            return self
        middle, half = self.total_offset_s, Z95 * sigma_s
        low, high = (math.hypot(end - middle, half) for end in self.interval_s)
        interval_s = (middle - low, middle + high)
        lag_s = None if self.readout_lag_interval_s is None else interval_s
        return replace(self, interval_s=interval_s, readout_lag_interval_s=lag_s)

    def steadied(self, series: Series) -> Series:
        """A series on the log's clock as if that clock ran at the rate of the footage's.

        The total offset then holds at every instant, not only in the middle of the clip.
        """
        if self.drift_ppm == 0.0 or self.total_offset_s is None:
            return series
        footage_s = series.t_s - self.total_offset_s
        moved = 1e-6 * self.drift_ppm * (footage_s - self.drift_about_s)
        return replace(series, t_s=series.t_s - moved)

    def to_json(self) -> dict[str, Any]:
        """Plain dictionary for ``--json``; keys as the attributes, intervals as two-item lists."""

        def plain(value: Any) -> Any:
            if isinstance(value, ChannelTiming):
                return {key: plain(item) for key, item in vars(value).items()}
            return [plain(item) for item in value] if isinstance(value, tuple) else value

        return {key: plain(value) for key, value in vars(self).items()}
