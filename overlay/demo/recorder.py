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

from overlay.demo.vehicle import STEP_S, Motion
from overlay.errors import UsageError
from overlay.files import written_whole
from overlay.timebase import FloatArray
from overlay.units import mps_per, mps_to_speed

EARTH_M = 6371008.8  # mean radius of the GRS 80 ellipsoid, (2 a + b) / 3
START_LATITUDE_DEG, START_LONGITUDE_DEG, COURSE_DEG = 52.4137, -0.8921, 68.0


@dataclass(frozen=True)
class Receiver:
    """A satellite receiver.

    Attributes
    ----------
    delay_s, smoothing_s : float
        D and tau of its speed; their sum is the readout lag.
    rate_hz, noise_mps : float
        Records a second; standard deviation of the speed's noise.
    position_lag_s, position_noise_m : float
        Lag and slow wander of the position, which is another channel.
    before_s, after_s : float
        Recorded before footage time 0 and after the end of the motion.
    first_utc : datetime
        Its time at the first record.
    drift_ppm : float
        Rate of its clock against footage, parts in a million.
    rng_seed : int
    """

    delay_s: float = 0.65
    smoothing_s: float = 0.30
    rate_hz: float = 10.0
    noise_mps: float = 0.07
    position_lag_s: float = 0.1
    position_noise_m: float = 0.8
    before_s: float = 18.0
    after_s: float = 6.0
    first_utc: datetime = datetime(2026, 5, 16, 10, 0, 0, tzinfo=UTC)
    drift_ppm: float = 0.0
    rng_seed: int = 1

    @property
    def lag_s(self) -> float:
        """Total readout lag, D + tau."""
        return self.delay_s + self.smoothing_s


@dataclass(frozen=True)
class RevCounter:
    """A logger of engine revolutions with a time column of its own.

    Attributes
    ----------
    clock_offset_s : float
        Its time minus footage time.
    rate_hz, noise_rpm : float
    before_s, after_s : float
        As for the receiver; it is cut so that its own time never runs below 0.
    """

    clock_offset_s: float = 24.0
    rate_hz: float = 20.0
    noise_rpm: float = 12.0
    before_s: float = 10.0
    after_s: float = 4.0
    drift_ppm: float = 0.0
    rng_seed: int = 1


@dataclass(frozen=True, eq=False)
class SpeedRecord:
    """What the receiver recorded.

    Attributes
    ----------
    log_s : ndarray, shape (n,)
        Seconds from its first record, on its own clock.
    footage_s : ndarray, shape (n,)
        The same instants on the footage clock.
    speed_mps, latitude_deg, longitude_deg : ndarray, shape (n,)
    clock_offset_s, total_offset_s : float
        Log time minus footage time of a clock tick, and of an event as the speed shows it.
    first_utc : datetime
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
    """True speed through ``exp(-s D) / (1 + s tau)`` at footage times; exact for the 1 kHz grid.

    Before the motion starts and after it ends the speed is held.

    Parameters
    ----------
    motion : Motion
    t_s : ndarray, shape (n,)
    delay_s, smoothing_s : float
        D and tau, s; tau >= 0.
    """
    pad = np.arange(math.ceil((8 * smoothing_s + 0.1) / STEP_S)) * STEP_S
    t = np.concatenate([motion.t_s, motion.t_s[-1] + STEP_S + pad])
    v = np.concatenate([motion.speed_mps, np.full(len(pad), motion.speed_mps[-1])])
    if smoothing_s > 0:
        v = _one_pole(v, smoothing_s)
    return np.asarray(np.interp(t_s - delay_s, t, v))


def _one_pole(values: FloatArray, tau_s: float) -> FloatArray:
    """Answer of 1 / (1 + s tau) to a signal that is linear between grid points (exact)."""
    keep = math.exp(-STEP_S / tau_s)
    slope_part = 1 - tau_s / STEP_S * (1 - keep)
    out = np.empty_like(values)
    state = float(values[0])
    last = state
    for i, value in enumerate(values.tolist()):
        if i:
            state = keep * state + (1 - keep) * last + slope_part * (value - last)
        out[i] = state
        last = value
    return out


def record_speed(motion: Motion, receiver: Receiver) -> SpeedRecord:
    """Let the receiver record one run.

    The speed is never below zero, as in real receivers, so at rest its noise shows as small
    positive values.
    """
    rng = np.random.default_rng([receiver.rng_seed, 51])
    length = receiver.before_s + motion.duration_s + receiver.after_s
    log = np.arange(int(length * receiver.rate_hz) + 1) / receiver.rate_hz
    footage = log / (1 + receiver.drift_ppm * 1e-6) - receiver.before_s
    speed = late_speed(motion, footage, receiver.delay_s, receiver.smoothing_s)
    speed = np.abs(speed + rng.normal(0, receiver.noise_mps, len(log)))
    along = motion.at("distance_m", footage - receiver.position_lag_s)
    sway = receiver.position_noise_m * _wander(log, rng)
    north = math.cos(math.radians(COURSE_DEG)) * along + sway
    east = math.sin(math.radians(COURSE_DEG)) * along
    east = east + receiver.position_noise_m * _wander(log, rng)
    latitude = START_LATITUDE_DEG + np.degrees(north / EARTH_M)
    shrink = EARTH_M * math.cos(math.radians(START_LATITUDE_DEG))
    longitude = START_LONGITUDE_DEG + np.degrees(east / shrink)
    return SpeedRecord(
        log,
        footage,
        speed,
        latitude,
        longitude,
        receiver.before_s,
        receiver.before_s + receiver.lag_s,
        receiver.first_utc,
    )


def _wander(t_s: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Slow error of a position: sines with periods of 15 to 90 s."""
    out = np.zeros_like(t_s)
    for _ in range(4):
        period = rng.uniform(15, 90)
        out += 0.7 * np.sin(2 * np.pi * (t_s / period + rng.random()))
    return out


def record_revs(motion: Motion, counter: RevCounter) -> RevRecord:
    """Let the counter record one run."""
    rng = np.random.default_rng([counter.rng_seed, 52])
    start = max(0.0, counter.clock_offset_s - counter.before_s)
    length = counter.clock_offset_s + motion.duration_s + counter.after_s - start
    log = start + np.arange(int(length * counter.rate_hz) + 1) / counter.rate_hz
    footage = (log - counter.clock_offset_s) / (1 + counter.drift_ppm * 1e-6)
    rpm = motion.at("engine_rpm", footage) + rng.normal(0, counter.noise_rpm, len(log))
    return RevRecord(np.round(log, 3), np.round(rpm), counter.clock_offset_s)


def write_gpx(path: Path, record: SpeedRecord) -> None:
    """Write a GPX 1.0 track, whose points carry `<speed>` in m/s (GPX 1.0 schema, Topografix)."""
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<gpx version="1.0" creator="taxiway club logger"'
        ' xmlns="http://www.topografix.com/GPX/1/0">',
        "<trk><name>Taxiway run</name><trkseg>",
    ]
    for log_s, speed, lat, lon in _rows(record):
        stamp = (record.first_utc + timedelta(seconds=log_s)).isoformat(timespec="milliseconds")
        lines.append(
            f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"><ele>88.0</ele>'
            f"<time>{stamp.replace('+00:00', 'Z')}</time><speed>{speed:.3f}</speed></trkpt>"
        )
    lines.append("</trkseg></trk></gpx>")
    _write(path, lines)


def write_nmea(path: Path, record: SpeedRecord) -> None:
    """Write NMEA 0183 RMC and VTG sentences with checksums; speed in knots."""
    lines = []
    for log_s, speed, lat, lon in _rows(record):
        at = record.first_utc + timedelta(seconds=log_s)
        clock = f"{at:%H%M%S}.{round(at.microsecond / 10000):02d}"
        knots = mps_to_speed(speed, "kn")
        north = _degrees_minutes(lat, 2) + (",N" if lat >= 0 else ",S")
        east = _degrees_minutes(lon, 3) + (",E" if lon >= 0 else ",W")
        lines.append(
            _sentence(
                f"GNRMC,{clock},A,{north},{east},{knots:.3f},{COURSE_DEG:.1f},{at:%d%m%y},,,A"
            )
        )
        kmh = mps_to_speed(speed, "km/h")
        lines.append(_sentence(f"GNVTG,{COURSE_DEG:.1f},T,,M,{knots:.3f},N,{kmh:.3f},K,A"))
    _write(path, lines, end="\r\n")


def write_speed_table(
    path: Path,
    record: SpeedRecord,
    *,
    unit: str = "km/h",
    decimals: int = 2,
    time_from_s: float = 0.0,
) -> None:
    """Write a CSV table: ``time (s)`` and ``speed (unit)``, rounded as cheap loggers do.

    Parameters
    ----------
    time_from_s : float
        What the time column shows at the first record; it adds to every offset.
    """
    mps_per(unit)
    lines = [f"time (s),speed ({unit})"]
    for log_s, speed, _, _ in _rows(record):
        lines.append(f"{log_s + time_from_s:.3f},{mps_to_speed(speed, unit):.{decimals}f}")
    _write(path, lines)


def write_revs_table(path: Path, record: RevRecord) -> None:
    """Write a CSV table: ``time (s)`` and ``rpm``."""
    rows = zip(record.log_s.tolist(), record.engine_rpm.tolist(), strict=True)
    _write(path, ["time (s),rpm", *(f"{t:.3f},{rpm:.0f}" for t, rpm in rows)])


def _rows(record: SpeedRecord) -> list[tuple[float, float, float, float]]:
    columns = (record.log_s, record.speed_mps, record.latitude_deg, record.longitude_deg)
    return list(zip(*(c.tolist() for c in columns), strict=True))


def _degrees_minutes(angle_deg: float, digits: int) -> str:
    whole, part = divmod(round(abs(angle_deg) * 60, 5), 60)
    return f"{int(whole):0{digits}d}{part:08.5f}"


def _sentence(body: str) -> str:
    """Add the NMEA 0183 checksum: exclusive or of all characters between $ and *."""
    total = 0
    for character in body:
        total ^= ord(character)
    return f"${body}*{total:02X}"


def _write(path: Path, lines: list[str], *, end: str = "\n") -> None:
    if not lines:
        raise UsageError(f"{path}: nothing was recorded")
    with written_whole(path) as part:
        part.write_bytes((end.join(lines) + end).encode("utf-8"))
