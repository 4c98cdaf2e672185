"""The loggers: a satellite receiver whose speed is late, and a counter of engine revolutions.

The receiver's speed is the true speed through ``H(s) = exp(-s D) / (1 + s tau)`` plus noise, at
its own rate on its own clock. Clock offsets are log time minus footage time, where log time is
the log's own time column or, in logs with dates, seconds from the first record.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from scipy.signal import lfilter

from overlay.demo.vehicle import STEP_S, Motion
from overlay.files import written_whole
from overlay.timebase import FloatArray

EARTH_M = 6371008.8  # mean radius of the GRS 80 ellipsoid, (2 a + b) / 3
START_LATITUDE_DEG, START_LONGITUDE_DEG, COURSE_DEG = 52.4137, -0.8921, 68.0


@dataclass(frozen=True)
class Receiver:
    """A satellite receiver."""

    # D and tau of its speed; their sum is the readout lag.
    delay_s: float = 0.65
    smoothing_s: float = 0.30
    # Records a second; standard deviation of the speed's noise.
    rate_hz: float = 10.0
    noise_mps: float = 0.07
    # Lag and slow error of the position, which is another channel.
    position_lag_s: float = 0.1
    position_noise_m: float = 0.8
    # Recorded before footage time 0 and after the end of the motion.
    before_s: float = 18.0
    after_s: float = 6.0
    # Its time at the first record.
    first_utc: datetime = datetime(2026, 5, 16, 10, 0, 0, tzinfo=UTC)
    rng_seed: int = 1

    @property
    def lag_s(self) -> float:
        """Total readout lag, D + tau."""
        return self.delay_s + self.smoothing_s


@dataclass(frozen=True)
class RevCounter:
    """A logger of engine revolutions; `clock_offset_s` is its own time column's.

    Its record is cut so that its own time never runs below 0.
    """

    clock_offset_s: float = 24.0
    rate_hz: float = 20.0
    noise_rpm: float = 12.0
    before_s: float = 10.0
    after_s: float = 4.0
    rng_seed: int = 1


@dataclass(frozen=True, eq=False)
class SpeedRecord:
    """What the receiver recorded.

    `log_s` counts from its first record on its own clock, `footage_s` are the same instants on
    the footage clock; the offsets are log time minus footage time of a clock tick, and of an event
    as the speed shows it.
    """

    log_s: FloatArray
    footage_s: FloatArray
    speed_mps: FloatArray
    latitude_deg: FloatArray
    longitude_deg: FloatArray
    clock_offset_s: float
    total_offset_s: float
    first_utc: datetime


@dataclass(frozen=True, eq=False)
class RevRecord:
    """What the counter recorded: its own time column, and revolutions a minute."""

    log_s: FloatArray
    engine_rpm: FloatArray
    clock_offset_s: float


def late_speed(motion: Motion, t_s: FloatArray, delay_s: float, smoothing_s: float) -> FloatArray:
    """True speed through ``exp(-s D) / (1 + s tau)`` at footage times, s; tau > 0.

    Exact for a speed that is linear between the points of the 1 kHz grid. Before the motion
    starts and after it ends the speed is held.
    """
    more = math.ceil((8 * smoothing_s + 0.1) / STEP_S)
    speed = np.pad(motion.speed_mps, (0, more), mode="edge")
    keep = math.exp(-STEP_S / smoothing_s)
    new = 1 - smoothing_s / STEP_S * (1 - keep)
    gained = lfilter([new, 1 - keep - new], [1, -keep], speed - speed[0])
    late = np.interp(t_s - delay_s, np.arange(len(speed)) * STEP_S, speed[0] + gained)
    return np.asarray(late, np.float64)


def record_speed(motion: Motion, receiver: Receiver) -> SpeedRecord:
    """Let the receiver record one run.

    The speed is never below zero, as in real receivers, so at rest its noise shows as small
    positive values.
    """
    rng = np.random.default_rng([receiver.rng_seed, 51])
    length_s = receiver.before_s + motion.duration_s + receiver.after_s
    log_s = np.arange(int(length_s * receiver.rate_hz) + 1) / receiver.rate_hz
    footage_s = log_s - receiver.before_s
    speed = late_speed(motion, footage_s, receiver.delay_s, receiver.smoothing_s)
    speed = np.abs(speed + rng.normal(0, receiver.noise_mps, len(log_s)))
    along = motion.at("distance_m", footage_s - receiver.position_lag_s)
    course = math.radians(COURSE_DEG)
    north = math.cos(course) * along + receiver.position_noise_m * _slow_error(log_s, rng)
    east = math.sin(course) * along + receiver.position_noise_m * _slow_error(log_s, rng)
    circle_m = EARTH_M * math.cos(math.radians(START_LATITUDE_DEG))
    return SpeedRecord(
        log_s,
        footage_s,
        speed,
        START_LATITUDE_DEG + np.degrees(north / EARTH_M),
        START_LONGITUDE_DEG + np.degrees(east / circle_m),
        receiver.before_s,
        receiver.before_s + receiver.lag_s,
        receiver.first_utc,
    )


def _slow_error(t_s: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Four sines with periods of 15 to 90 s, standard deviation about 1."""
    out = np.zeros_like(t_s)
    for _ in range(4):
        period = rng.uniform(15, 90)
        out += 0.7 * np.sin(2 * np.pi * (t_s / period + rng.random()))
    return out


def record_revs(motion: Motion, counter: RevCounter) -> RevRecord:
    """Let the counter record one run."""
    rng = np.random.default_rng([counter.rng_seed, 52])
    start_s = max(0.0, counter.clock_offset_s - counter.before_s)
    length_s = counter.clock_offset_s + motion.duration_s + counter.after_s - start_s
    log_s = start_s + np.arange(int(length_s * counter.rate_hz) + 1) / counter.rate_hz
    rpm = motion.at("engine_rpm", log_s - counter.clock_offset_s)
    rpm = rpm + rng.normal(0, counter.noise_rpm, len(log_s))
    return RevRecord(np.round(log_s, 3), np.round(rpm), counter.clock_offset_s)


def write_gpx(path: Path, record: SpeedRecord) -> None:
    """Write a GPX 1.0 track, whose points carry `<speed>` in m/s (GPX 1.0 schema, Topografix)."""
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<gpx version="1.0" creator="taxiway club logger"'
        ' xmlns="http://www.topografix.com/GPX/1/0">',
        "<trk><name>Taxiway run</name><trkseg>",
    ]
    columns = (record.log_s, record.speed_mps, record.latitude_deg, record.longitude_deg)
    for log_s, speed, lat, lon in zip(*(c.tolist() for c in columns), strict=True):
        stamp = (record.first_utc + timedelta(seconds=log_s)).isoformat(timespec="milliseconds")
        lines.append(
            f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"><ele>88.0</ele>'
            f"<time>{stamp.replace('+00:00', 'Z')}</time><speed>{speed:.3f}</speed></trkpt>"
        )
    _write(path, [*lines, "</trkseg></trk></gpx>"])


def write_revs_table(path: Path, record: RevRecord) -> None:
    """Write a CSV table: ``time (s)`` and ``rpm``."""
    rows = zip(record.log_s.tolist(), record.engine_rpm.tolist(), strict=True)
    _write(path, ["time (s),rpm", *(f"{t:.3f},{rpm:.0f}" for t, rpm in rows)])


def _write(path: Path, lines: list[str]) -> None:
    with written_whole(path) as part:
        part.write_text("\n".join(lines) + "\n", encoding="utf-8")
