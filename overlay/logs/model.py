"""What every log format is read into."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from overlay.series import Series

SPEED = "speed_mps"
RPM = "engine_rpm"
LATITUDE = "latitude_deg"
LONGITUDE = "longitude_deg"
ALTITUDE = "altitude_m"
WHEEL_SPEED = "wheel_speed_mps"


@dataclass(frozen=True)
class Cleaning:
    """What was found and taken out while a log was read; nothing is repaired silently."""

    records_read: int = 0  # Records (lines, points, sentences) of any kind in the file
    # Records that gave at least one value; several NMEA sentences of one instant are one
    records_kept: int = 0
    # Records dropped for each reason
    bad_checksums: int = 0
    unparsable: int = 0
    duplicates: int = 0
    backward_steps: int = 0
    out_of_range: int = 0
    void_fixes: int = 0  # Instants that the receiver itself marked as without a valid fix, left out
    without_time: int = 0  # Records without a time, left out
    rollovers: int = 0  # Midnights or GPS weeks passed and accounted for
    # start and end, on the log's clock, of stretches without speed longer
    # than 2.5 of its median steps
    gaps_s: tuple[tuple[float, float], ...] = ()
    notes: tuple[str, ...] = ()  # Anything else a person should know, one sentence each


@dataclass(frozen=True, eq=False)
class Log:
    """One log file: channels in SI units on one clock."""

    path: str  # The file as named by the user
    # ``gpx``, ``nmea``, ``fit``, ``captions``, ``table``; ``camm`` or ``gpmd`` for the track inside
    # a clip; ``readout`` for a speed burnt into its picture
    format: str
    # ``utc`` when records carry a date and time, seconds since 1970, or a time of day that the file
    # calls UTC: then channel times are seconds from the first record kept, whose time is
    # `start_utc`. ``elapsed`` when the file has a time column of its own: then channel times are
    # that column, in seconds, unchanged (a time of day counts from midnight). ``footage`` when they
    # are on the clock of the pictures, seconds from the first of them: the track inside a clip,
    # timed text, and a time column called footage time.
    clock: Literal["utc", "elapsed", "footage"]
    # UTC at time 0 of the channels (on a UTC clock the first record kept), aware; None on an
    # elapsed clock, and where nothing carries a date
    start_utc: datetime | None
    # by the names above; each may have its own times
    channels: Mapping[str, Series]
    # Where the speed came from, in plain words, such as ``speed element`` or ``positions``
    speed_source: str | None = None
    # Lag that reading added to the speed, seconds >= 0: half a step where it is a difference of
    # positions stamped with the later time; 0 where it was stamped at mid-time
    extra_lag_s: float = 0.0
    cleaning: Cleaning = field(default_factory=Cleaning)  # What was dropped, and the gaps
    # Of a table: which column is taken for what, and its unit; a column map overrules it
    columns: str | None = None

    @property
    def speed(self) -> Series | None:
        """Speed over ground in m/s, if the log has it."""
        return self.channels.get(SPEED)

    @property
    def rpm(self) -> Series | None:
        """Engine speed in revolutions a minute, if the log has it."""
        return self.channels.get(RPM)
