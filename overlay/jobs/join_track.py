"""The tracks inside the files of one recording, made one log on the joined clip's clock."""

from __future__ import annotations

import csv
import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from overlay.errors import InputError
from overlay.files import written_whole
from overlay.footage import join_parts
from overlay.logs import ALTITUDE, LATITUDE, LONGITUDE, SPEED, read_track_log

HEADER = {
    SPEED: "speed (m/s)",
    LATITUDE: "latitude (deg)",
    LONGITUDE: "longitude (deg)",
    ALTITUDE: "altitude (m)",
}


def write_joined_track(
    parts: Sequence[str | os.PathLike[str]], target: str | os.PathLike[str]
) -> int:
    """Write the tracks of the parts, end to end, as a CSV table; copying the clips loses them.

    The parts come in the order of recording. Gives the number of records; no table is written
    where no part has a track.

    Raises
    ------
    InputError, MismatchError
        As :func:`overlay.footage.join_parts` says.
    OutputError
        If the table cannot be written.
    """
    chapters = join_parts(parts)
    rows: list[list[str]] = []
    for part, start_s in zip(chapters.parts, chapters.starts_s, strict=True):
        try:
            log = read_track_log(part)
        except InputError:  # a part without a fix leaves a gap, as it would in one file
            continue
        if log is None or log.speed is None:
            continue
        at_s = log.speed.t_s
        columns = [
            log.channels[name].at(at_s) if name in log.channels else np.full(len(at_s), np.nan)
            for name in HEADER
        ]
        for t_s, *values in zip(at_s + start_s, *columns, strict=True):
            cells = ["" if np.isnan(value) else f"{value:.9g}" for value in values]
            rows.append([f"{t_s:.6f}", *cells])
    if rows:
        with written_whole(Path(target)) as place, place.open("w", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(["footage time (s)", *HEADER.values()])
            writer.writerows(rows)
    return len(rows)
