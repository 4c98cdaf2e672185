"""A run with a known speed, and its alignment given, so that no test has to watch a clip."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from overlay.motion.model import MotionSignal
from overlay.session import AlignedRun, RunInputs
from overlay.sync.model import Alignment

LAUNCH_S, ACCEL_MPS2 = 0.8, 4.0
OFFSET_S = 1.25  # what the log is late by


def true_speed(t_s: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Speed at footage times: rest, then a steady pull."""
    return np.maximum(0.0, np.asarray(t_s) - LAUNCH_S) * ACCEL_MPS2


def speed_log(path: Path, seconds: float, *, revs: bool = False) -> Path:
    """A table of the true speed as a receiver that is late shows it, 20 Hz; revs are not late."""
    t_s = np.arange(0, seconds + OFFSET_S + 0.5, 0.05)
    speed = true_speed(np.minimum(t_s - OFFSET_S, seconds))
    head, columns = "time (s),speed (m/s)", [t_s, speed]
    if revs:
        head, columns = head + ",rpm", [*columns, 1700 + 260 * true_speed(np.minimum(t_s, seconds))]
    rows = [",".join(f"{value:.3f}" for value in row) for row in zip(*columns, strict=True)]
    path.write_text("\n".join([head, *rows]) + "\n")
    return path


def aligned(inputs: RunInputs, *_: object) -> AlignedRun:
    """The alignment that a measurement would find."""
    times = inputs.clip.frame_times.seconds
    middle, span = (times[1:] + times[:-1]) / 2, np.diff(times)
    speed = true_speed(middle)
    motion = MotionSignal(
        t_s=middle,
        span_s=span,
        forward=speed / max(1.0, float(speed.max())),
        quality=np.ones(len(span)),
        sigma=np.full(len(span), 0.01),
        moving_share=0.7,
    )
    found = Alignment(
        determined=True,
        total_offset_s=OFFSET_S,
        interval_s=(OFFSET_S - 0.02, OFFSET_S + 0.02),
        clock_offset_s=0.0,
        readout_lag_s=OFFSET_S,
        readout_lag_interval_s=(OFFSET_S - 0.02, OFFSET_S + 0.02),
        delay_s=OFFSET_S,
        agreement=0.99,
    )
    return AlignedRun(inputs, motion, found)


@pytest.fixture
def known_alignment(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every command takes the known alignment."""
    monkeypatch.setattr("overlay.session.steps.measured", aligned)
