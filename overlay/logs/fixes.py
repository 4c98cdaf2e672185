"""What a receiver inside a camera says at each instant, gathered over a film."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

import numpy as np

from overlay.timebase import FloatArray


def _nothing() -> FloatArray:
    return np.zeros(0)


@dataclass(frozen=True, eq=False)
class Fixes:
    """Columns of one length; NaN where something is not said.

    Attributes
    ----------
    t_s : ndarray of float, shape (n,)
        Footage time, seconds.
    latitude_deg, longitude_deg, altitude_m, speed_mps, speed_3d_mps : ndarray of float
        Speed over ground, and in space where it is given as well.
    sigma_mps : ndarray of float
        Standard uncertainty of the speed.
    fix : ndarray of float
        0 none, 2 or 3 the dimensions known.
    dilution : ndarray of float
        Dilution of precision.
    utc_s : ndarray of float
        Seconds since 1970.
    """

    t_s: FloatArray = field(default_factory=_nothing)
    latitude_deg: FloatArray = field(default_factory=_nothing)
    longitude_deg: FloatArray = field(default_factory=_nothing)
    altitude_m: FloatArray = field(default_factory=_nothing)
    speed_mps: FloatArray = field(default_factory=_nothing)
    speed_3d_mps: FloatArray = field(default_factory=_nothing)
    sigma_mps: FloatArray = field(default_factory=_nothing)
    fix: FloatArray = field(default_factory=_nothing)
    dilution: FloatArray = field(default_factory=_nothing)
    utc_s: FloatArray = field(default_factory=_nothing)

    def __post_init__(self) -> None:
        for column in fields(self):
            if not len(getattr(self, column.name)):
                object.__setattr__(self, column.name, np.full(len(self.t_s), np.nan))

    def __len__(self) -> int:
        return len(self.t_s)


def together(parts: list[Fixes]) -> Fixes:
    """One after the other."""
    return Fixes(
        **{
            column.name: np.concatenate([getattr(part, column.name) for part in parts])
            for column in fields(Fixes)
        }
    )
