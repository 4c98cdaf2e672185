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
    """What was found and taken out while a log was read; nothing is repaired silently.

    Attributes
    ----------
    records_read : int
        Records (lines, points, sentences) of any kind in the file.
    records_kept : int
        Records that gave at least one value; several NMEA sentences of one instant are one.
    bad_checksums, unparsable, duplicates, backward_steps, out_of_range : int
        Records dropped for each reason.
    void_fixes : int
        Instants that the receiver itself marked as without a valid fix, left out.
    without_time : int
        Records without a time, left out.
    rollovers : int
        Midnights or GPS weeks passed and accounted for.
    gaps_s : tuple of (float, float)
        Start and end, on the log's clock, of stretches without speed longer than 2.5 of its
        median steps.
    notes : tuple of str
        Anything else a person should know, one sentence each.
    """

    records_read: int = 0
    records_kept: int = 0
    bad_checksums: int = 0
    unparsable: int = 0
    duplicates: int = 0
    backward_steps: int = 0
    out_of_range: int = 0
    void_fixes: int = 0
    without_time: int = 0
    rollovers: int = 0
    gaps_s: tuple[tuple[float, float], ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Log:
    """One log file: channels in SI units on one clock.

    Attributes
    ----------
    path : str
        The file as named by the user.
    format : str
        ``gpx``, ``nmea``, ``fit``, ``captions``, ``table``; ``camm`` or ``gpmd`` for the track
        inside a clip; ``readout`` for a speed burnt into its picture.
    clock : str
        ``utc`` when records carry a date and time, seconds since 1970, or a time of day that
        the file calls UTC: then channel times are seconds from the first record kept, whose
        time is `start_utc`. ``elapsed`` when the file has a time column of its own: then channel
        times are that column, in seconds, unchanged (a time of day counts from midnight).
        ``footage`` when they are on the clock of the pictures, seconds from the first of them: the
        track inside a clip, timed text, and a time column called footage time.
    start_utc : datetime or None
        UTC at time 0 of the channels (on a UTC clock the first record kept), aware; None on an
        elapsed clock, and where nothing carries a date.
    channels : mapping of str to Series
        By the names above; each may have its own times.
    speed_source : str or None
        Where the speed came from, in plain words, such as ``speed element`` or ``positions``.
    extra_lag_s : float
        Lag that reading added to the speed, seconds >= 0: half a step where it is a difference
        of positions stamped with the later time; 0 where it was stamped at mid-time.
    cleaning : Cleaning
        What was dropped, and the gaps.
    columns : str or None
        Of a table: which column is taken for what, and its unit; a column map overrules it.
    """

    path: str
    format: str
    clock: Literal["utc", "elapsed", "footage"]
    start_utc: datetime | None
    channels: Mapping[str, Series]
    speed_source: str | None = None
    extra_lag_s: float = 0.0
    cleaning: Cleaning = field(default_factory=Cleaning)
    columns: str | None = None

    @property
    def speed(self) -> Series | None:
        """Speed over ground in m/s, if the log has it."""
        return self.channels.get(SPEED)

    @property
    def rpm(self) -> Series | None:
        """Engine speed in revolutions a minute, if the log has it."""
        return self.channels.get(RPM)
