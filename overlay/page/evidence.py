"""How each run's log was set against its footage, to be judged by looking."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from overlay.motion.model import MotionSignal
from overlay.page.chart import Axis, ChartLine, chart
from overlay.series import Series
from overlay.sync.model import Alignment
from overlay.units import mps_to_speed

MINUS, MOST_DOTS = "\u2212", 600


@dataclass(frozen=True, eq=False)
class RunEvidence:
    """What the picture of a run showed, and the speed log beside it."""

    motion: MotionSignal  # On footage time
    speed: Series  # m/s on the log's clock
    alignment: Alignment


def sync_sentence(found: Alignment) -> str:
    """How late the log is and how sure that is, or why it cannot be determined."""
    if not found.determined or found.total_offset_s is None:
        return f"Cannot be determined: {found.reason}."
    late = (found.readout_lag_s, found.readout_lag_interval_s)
    if late[0] is not None and late[1] is not None:
        what, value, interval = "The receiver is late by", late[0], late[1]
    elif found.interval_s is not None:
        what, value, interval = (
            "Log time less footage time is",
            found.total_offset_s,
            found.interval_s,
        )
    else:
        return f"Log time less footage time is {found.total_offset_s:+.3f} s, as given by hand."
    return (
        f"{what} {value:.3f} s (95 %: {interval[0]:.3f} to {interval[1]:.3f} s); motion and "
        f"corrected speed agree to a correlation of {found.agreement:.3f}."
    ).replace("-", MINUS)


def sync_notes(found: Alignment) -> tuple[str, ...]:
    """How the channels with a timing of their own were set, and what else is noted."""
    told = []
    for one in found.channels:
        name = {"engine_rpm": "Engine speed", "speed_mps": "Speed"}.get(one.channel, one.channel)
        low, high = one.interval_s
        figures = f"log time less footage time {one.offset_s:.3f} s ({low:.3f} to {high:.3f} s)"
        told.append(f"{name}: {figures.replace('-', MINUS)}, {one.evidence}")
    return (*told, *found.notes)


def sync_chart(run: str, seen: RunEvidence, unit: str, hue: str) -> dict[str, Any]:
    """Motion in the picture against the log: corrected, and where its clock is known as it came."""
    found, motion = seen.alignment, seen.motion
    good = np.flatnonzero(motion.quality > 0)
    good = good[:: max(1, -(-len(good) // MOST_DOTS))]
    t_s = motion.t_s[good]
    factor = mps_to_speed(1.0, unit)
    gain = found.gain_mps if found.gain_mps is not None else 1.0
    lines = [
        ChartLine(
            "motion in the picture",
            "#808894",
            factor * gain * motion.forward[good],
            kind="dots",
            size_px=4,
        )
    ]
    steady = found.steadied(seen.speed)
    if found.total_offset_s is not None:
        corrected = steady.shifted(-found.total_offset_s).at(t_s)
        lines.append(ChartLine("log, corrected", hue, factor * corrected))
    if found.clock_offset_s is not None:
        shown = steady.shifted(-found.clock_offset_s).at(t_s)
        lines.append(ChartLine("log as the receiver gave it", hue, factor * shown, is_dashed=True))
    return chart(
        f"sync-{run}",
        "Speed by the picture and by the log",
        Axis("footage time", "s", 2, follows="footage"),
        t_s,
        Axis("speed", unit, 1, from_zero=True),
        lines if len(t_s) else [],
    )
