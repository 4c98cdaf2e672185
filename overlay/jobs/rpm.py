"""How an RPM log lies against the footage."""

from __future__ import annotations

from overlay.jobs.analyse import AlignedRun
from overlay.sync.model import ChannelTiming


def time_rpm(aligned: AlignedRun) -> ChannelTiming | None:
    """Timing of the RPM channel, or None without RPM or without evidence."""
    inputs, found = aligned.inputs, aligned.alignment
    if inputs.rpm_log is None or inputs.rpm_log.rpm is None:
        return None
    if inputs.rpm_log is inputs.speed_log and found.clock_offset_s is not None:
        offset = found.clock_offset_s
        return ChannelTiming(
            "engine_rpm", offset, (offset, offset), "logged on the clock of the speed log"
        )
    return None
