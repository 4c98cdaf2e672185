"""What a receiver inside a camera says at each instant, gathered over a film."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from overlay.timebase import FloatArray


@dataclass(frozen=True, eq=False)
class Fixes:
    """Columns of one length; NaN where something is not said."""

    # shape (n,): footage time, seconds; NaN in a packet, which has one time that its rows share out
    t_s: FloatArray
    # Speed over ground, and in space where it is given as well
    latitude_deg: FloatArray
    longitude_deg: FloatArray
    altitude_m: FloatArray
    speed_mps: FloatArray
    speed_3d_mps: FloatArray
    sigma_mps: FloatArray  # Standard uncertainty of the speed
    fix: FloatArray  # 0 none, 2 or 3 the dimensions known
    dilution: FloatArray  # Dilution of precision
    utc_s: FloatArray  # Seconds since 1970

    def __len__(self) -> int:
        return len(self.t_s)


def fixes_of(rows: FloatArray, **others: FloatArray | float) -> Fixes:
    """Fixes without times.

    Parameters
    ----------
    rows : ndarray of float, shape (n, 5)
        Latitude, longitude, altitude, speed over ground, speed in space.
    others
        Further columns by name, or one value for all rows.
    """
    count = len(rows)
    given = dict(zip((column.name for column in fields(Fixes)[1:6]), rows.T, strict=True)) | others
    names = (column.name for column in fields(Fixes))
    return Fixes(**{n: np.full(count, given.get(n, np.nan), dtype=np.float64) for n in names})


def together(parts: Sequence[Fixes], t_s: FloatArray) -> Fixes:
    """One after the other, at those times."""
    columns = (column.name for column in fields(Fixes)[1:])
    return Fixes(t_s, *(np.concatenate([getattr(p, name) for p in parts]) for name in columns))
