"""What tests add to the simulated day: chosen speed shapes, other log formats, truth read back."""

from __future__ import annotations

import json
from dataclasses import fields
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np

from overlay.demo.recorder import COURSE_DEG, SpeedRecord
from overlay.demo.truth import RunTruth, SplitTruth
from overlay.demo.vehicle import STEP_S, DemoVehicle, Motion, motion_of
from overlay.timebase import FloatArray
from overlay.units import mps_to_speed


def motion_from_speed(
    t_s: FloatArray,
    speed_mps: FloatArray,
    *,
    vehicle: DemoVehicle | None = None,
    wheel_slip: FloatArray | None = None,
) -> Motion:
    """Motion that follows a given speed, with the engine speed that the gearing asks for.

    Parameters
    ----------
    t_s, speed_mps : ndarray, shape (n,)
        Knots; speed is interpolated linearly onto the 1 kHz grid from 0 to the last time.
    vehicle : DemoVehicle
        Gives gearing and idle speed.
    wheel_slip : ndarray, shape (n,), or None
        Rim speed of the driven wheels over ground speed, less 1.

    Examples
    --------
    >>> m = motion_from_speed(np.array([0.0, 2.0]), np.array([0.0, 6.0]))
    >>> round(float(m.distance_m[-1]), 6)
    6.0
    """
    cart = vehicle or DemoVehicle()
    grid = np.arange(round(float(t_s[-1]) / STEP_S) + 1, dtype=np.float64) * STEP_S
    speed = np.interp(grid, t_s, speed_mps)
    slip = np.zeros(len(grid)) if wheel_slip is None else np.interp(grid, t_s, wheel_slip)
    wheel = speed * (1 + slip)
    driven = wheel / cart.metres_per_turn * 60
    pull = np.gradient(speed, STEP_S) > 0.05
    floor = np.where(pull & (driven < cart.lockup_rpm), 0.9 * cart.lockup_rpm, cart.idle_rpm)
    rpm = _smoothed(np.maximum(driven, floor), 0.05)
    return motion_of(grid, speed, wheel, rpm, _smoothed(pull.astype(float), 0.05))


def _smoothed(values: FloatArray, over_s: float) -> FloatArray:
    width = max(1, round(over_s / STEP_S)) | 1
    padded = np.pad(values, width // 2, mode="edge")
    sums = np.cumsum(np.concatenate([[0.0], padded]))
    return np.asarray((sums[width:] - sums[:-width]) / width)


def write_nmea(path: Path, record: SpeedRecord) -> None:
    """Write NMEA 0183 RMC and VTG sentences with checksums; speed in knots."""
    lines = []
    for log_s, speed, lat, lon in _rows(record):
        at = record.first_utc + timedelta(seconds=log_s)
        clock = f"{at:%H%M%S}.{round(at.microsecond / 10000):02d}"
        knots = mps_to_speed(speed, "kn")
        north = _degrees_minutes(lat, 2) + (",N" if lat >= 0 else ",S")
        east = _degrees_minutes(lon, 3) + (",E" if lon >= 0 else ",W")
        place = f"A,{north},{east},{knots:.3f},{COURSE_DEG:.1f}"
        lines.append(_sentence(f"GNRMC,{clock},{place},{at:%d%m%y},,,A"))
        kmh = mps_to_speed(speed, "km/h")
        lines.append(_sentence(f"GNVTG,{COURSE_DEG:.1f},T,,M,{knots:.3f},N,{kmh:.3f},K,A"))
    path.write_bytes(("\r\n".join(lines) + "\r\n").encode("ascii"))


def write_speed_table(
    path: Path, record: SpeedRecord, *, unit: str, decimals: int, time_from_s: float
) -> None:
    """Write ``time (s)`` and ``speed (unit)``, rounded as cheap loggers do.

    The time column shows `time_from_s` at the first record; it adds to every offset.
    """
    lines = [f"time (s),speed ({unit})"]
    for log_s, speed, _, _ in _rows(record):
        lines.append(f"{log_s + time_from_s:.3f},{mps_to_speed(speed, unit):.{decimals}f}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


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


def read_truth(path: Path) -> tuple[RunTruth, ...]:
    """Read the runs back from a ``truth.json``; what a later `RunTruth` dropped is passed over."""
    return tuple(_run_from(row) for row in json.loads(path.read_text(encoding="utf-8"))["runs"])


def _run_from(row: dict[str, Any]) -> RunTruth:
    known = {field.name: row[field.name] for field in fields(RunTruth)}
    splits = (SplitTruth(s["kind"], s["value"], s["time_s"]) for s in row["splits"])
    columns = ("t_s", "speed_mps", "distance_m", "wheel_speed_mps", "engine_rpm")
    series = {name: tuple(row[name]) for name in columns}
    return RunTruth(**{**known, **series, "splits": tuple(splits)})
