"""Logs in: one module a format, cleaned and counted, in SI units."""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import TYPE_CHECKING

from overlay.errors import InputError, UsageError
from overlay.files import require_file
from overlay.logs.clean import cleaned
from overlay.logs.detect import detect, is_film, log_format
from overlay.logs.formats import HEAD_BYTES, Reading
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
    from overlay.footage.model import ClipFacts

__all__ = [
    "ALTITUDE",
    "LATITUDE",
    "LONGITUDE",
    "RPM",
    "SPEED",
    "WHEEL_SPEED",
    "Cleaning",
    "Log",
    "is_log",
    "read_log",
    "read_track_log",
]


def read_log(
    path: str | os.PathLike[str],
    *,
    columns: Mapping[str, str] | None = None,
    utc_offset_h: float = 0.0,
) -> Log:
    """Read a GPX, NMEA 0183, FIT or CSV log, timed text, or the track inside a clip.

    The content says which of them it is, not the name.

    Parameters
    ----------
    path : str or path
        The log. It is only read.
    columns : mapping of str to str, optional
        For CSV tables whose header does not say it: which column is what and its unit, such as
        ``{"time": "T:ms", "speed": "V:mph", "rpm": "N"}``. Keys are ``time``, ``date``, ``speed``,
        ``rpm``, ``wheel_speed``, ``lat``, ``lon``, ``alt``. Columns of a table without a header
        are named ``1``, ``2``, ... For a clip: ``device``, a part of its name.
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
    found = require_file(path)
    name = str(path)
    try:
        with found.open("rb") as file:
            data = file.read(HEAD_BYTES)
            if is_film(data):
                return _inside(name, columns)
            data += file.read()
    except OSError as error:
        raise InputError(f"{found}: cannot be read: {error.strerror or error}") from error
    kind = detect(data, name)
    chosen = log_format(kind)
    if columns and not chosen.takes_columns:
        raise UsageError(
            f"{name}: is {kind.upper()}, which has no columns to map; leave the map out"
        )
    return cleaned(chosen.read(data, name, Reading(columns or None, utc_offset_h)))


def is_log(path: str | os.PathLike[str]) -> bool:
    """Whether a file is a log and no clip, by its first bytes.

    Raises
    ------
    InputError
        If the file is missing, empty or unreadable.
    """
    with require_file(path).open("rb") as file:
        head = file.read(HEAD_BYTES)
    try:
        detect(head, str(path))
    except InputError:
        return False
    return True


def _inside(path: str, columns: Mapping[str, str] | None) -> Log:
    from overlay.footage import probe

    log = read_track_log(probe(path), columns=columns)
    if log is None:
        raise InputError(
            f"{path}: is a video without a track of speed or position inside; give a GPX, NMEA or "
            "CSV log"
        )
    return log


def read_track_log(clip: ClipFacts, *, columns: Mapping[str, str] | None = None) -> Log | None:
    """The track that a camera keeps inside its clip, on the footage's clock; None without one.

    Parameters
    ----------
    clip : ClipFacts
        Of a film on disk.
    columns : mapping, optional
        ``{"device": NAME}`` to take another of several devices.

    Raises
    ------
    InputError
        If there is a track, but damaged or without a fix.
    UsageError
        If `columns` names a device that is not there.
    """
    from overlay.logs.track import read_track

    raw = read_track(clip, columns=columns)
    return None if raw is None else cleaned(raw)
