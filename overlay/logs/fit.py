"""FIT activity files of watches and cycle computers, read by fitdecode.

The ``record`` messages hold the track: position in semicircles (2**31 of them are 180 degrees),
speed in metres per second, times in whole seconds since 1989 UTC.
"""

from __future__ import annotations

import io
import warnings
from datetime import UTC, datetime
from typing import Any

import numpy as np

from overlay.errors import InputError
from overlay.logs.clean import Raw
from overlay.logs.formats import LogFormat, Reading
from overlay.logs.model import ALTITUDE, LATITUDE, LONGITUDE, RPM, SPEED, Cleaning
from overlay.logs.times import since_first

DEGREES = 180 / 2**31
MOST_RECORDS = 2_000_000
# The field that says it best first.
FIELDS: dict[str, tuple[tuple[str, float], ...]] = {
    SPEED: (("enhanced_speed", 1.0), ("speed", 1.0)),
    LATITUDE: (("position_lat", DEGREES),),
    LONGITUDE: (("position_long", DEGREES),),
    ALTITUDE: (("enhanced_altitude", 1.0), ("altitude", 1.0)),
    RPM: (("engine_rpm", 1.0), ("rpm", 1.0)),
}


def read_fit(data: bytes, path: str, _: Reading) -> Raw:
    """Read the records of a FIT file; of a damaged one those before the damage.

    Raises
    ------
    InputError
        If no record with a time can be read.
    """
    times: list[datetime | None] = []
    rows: list[list[float]] = []
    damage = _collect(data, times, rows)
    t_s, origin = since_first(times)
    if origin is None:
        why = f"damaged ({damage})" if damage else "without a recorded track"
        raise InputError(
            f"{path}: is a FIT file {why}: none of its {len(times)} records has a time; "
            "export the activity again"
        )
    values = dict(zip(FIELDS, np.array(rows).T, strict=True))
    if not np.any(np.isfinite(values[SPEED])):
        del values[SPEED]
    notes = [f"the file is damaged ({damage}): its {len(times)} records before that are used"]
    counts = Cleaning(records_read=len(times), notes=tuple(notes if damage else ()))
    source = "speed field" if SPEED in values else None
    return Raw(path, "fit", "utc", t_s, values, origin, speed_source=source, counts=counts)


def _collect(data: bytes, times: list[datetime | None], rows: list[list[float]]) -> str | None:
    """Gather records; in words what stopped it before the end."""
    import fitdecode

    try:
        with warnings.catch_warnings(), fitdecode.FitReader(io.BytesIO(data)) as reader:
            warnings.simplefilter("ignore")
            for frame in reader:
                if not isinstance(frame, fitdecode.FitDataMessage) or frame.name != "record":
                    continue
                time = _value(frame, "timestamp")
                known = isinstance(time, datetime)
                times.append((time if time.tzinfo else time.replace(tzinfo=UTC)) if known else None)
                rows.append([_first(frame, fields) for fields in FIELDS.values()])
                if len(rows) >= MOST_RECORDS:
                    return f"more than {MOST_RECORDS} records"
    except Exception as error:  # the decoder raises whatever its field converters raise
        return f"{type(error).__name__} after record {len(times)}"
    return None


def _value(frame: Any, name: str) -> Any:
    return frame.get_value(name, fallback=None)


def _first(frame: Any, fields: tuple[tuple[str, float], ...]) -> float:
    for name, factor in fields:
        value = _value(frame, name)
        if isinstance(value, int | float):
            return float(value) * factor
    return float("nan")


FORMAT = LogFormat(lambda head: head.data[8:12] == b".FIT", read_fit)  # FIT protocol, file header
