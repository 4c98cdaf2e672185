"""Logs in: one module a format, cleaned and counted, in SI units."""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import TYPE_CHECKING

from overlay.logs.model import (
    ALTITUDE,
    LATITUDE,
    LONGITUDE,
    RPM,
    SPEED,
    WHEEL_SPEED,
    Cleaning,
    Log,
)

if TYPE_CHECKING:
    from overlay.logs.clean import Raw

__all__ = [
    "ALTITUDE",
    "LATITUDE",
    "LONGITUDE",
    "RPM",
    "SPEED",
    "WHEEL_SPEED",
    "Cleaning",
    "Log",
    "read_log",
]


def read_log(
    path: str | os.PathLike[str],
    *,
    columns: Mapping[str, str] | None = None,
    utc_offset_h: float = 0.0,
) -> Log:
    """Read a GPX, NMEA 0183 or CSV log; the format is found from the content.

    Parameters
    ----------
    path : str or path
        The log. It is only read.
    columns : mapping of str to str, optional
        For CSV tables whose header does not say it: which column is what and its unit, such as
        ``{"time": "T:ms", "speed": "V:mph", "rpm": "N"}``. Keys are ``time``, ``date``, ``speed``,
        ``rpm``, ``wheel_speed``, ``lat``, ``lon``, ``alt``. Columns of a table without a header
        are named ``1``, ``2``, ...
    utc_offset_h : float
        Hours that date-times without a zone in a CSV table run ahead of UTC; 0 when they are UTC.

    Returns
    -------
    Log
        Channels in SI units on the log's clock, with what was dropped and why in `cleaning`.

    Raises
    ------
    InputError
        If the file is missing, empty, damaged beyond use, without times, or ambiguous in a unit.
    UsageError
        If `columns` names something that is not in the table, or an unknown unit.
    """
    from overlay.errors import InputError, UsageError
    from overlay.files import require_file
    from overlay.logs.clean import cleaned
    from overlay.logs.detect import detect

    found = require_file(path)
    try:
        data = found.read_bytes()
    except OSError as error:
        raise InputError(f"{found}: cannot be read: {error.strerror or error}") from error
    name = str(path)
    kind = detect(data, name)
    if columns and kind != "table":
        raise UsageError(
            f"{name}: is {kind.upper()}, which has no columns to map; leave the map out"
        )
    raw: Raw
    if kind == "gpx":
        from overlay.logs.gpx import read_gpx

        raw = read_gpx(data, name)
    elif kind == "nmea":
        from overlay.logs.nmea import read_nmea

        raw = read_nmea(data, name)
    else:
        from overlay.logs.table import read_table

        raw = read_table(data, name, columns=columns or None, utc_offset_h=utc_offset_h)
    return cleaned(raw)
