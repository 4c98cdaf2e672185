"""What the gauges show: one frozen set of values for each kind, in SI units.

NaN means "not known" everywhere and is drawn as such, never as zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Spoiler = Literal["wheelspin", "limiter"]
RungStatus = Literal["waiting", "filling", "passed", "missed"]


@dataclass(frozen=True)
class RibbonValues:
    """Speed at one instant.

    Attributes
    ----------
    speed_mps : float
        Speed over ground, m/s, >= 0; NaN inside a gap of the log.
    sigma_mps : float
        Its standard uncertainty, m/s; NaN when not known (no fringe is drawn).
    wheel_speed_mps : float or None
        Speed of the driven wheel's rim; drawn where it runs ahead of the ground.
    """

    speed_mps: float
    sigma_mps: float = float("nan")
    wheel_speed_mps: float | None = None


@dataclass(frozen=True)
class CombValues:
    """Engine at one instant.

    Attributes
    ----------
    engine_rpm : float
        Revolutions a minute, >= 0; NaN when not known.
    is_cutting : bool
        Whether the limiter cuts now.
    is_spinning : bool
        Whether the driven wheel spins now.
    slip : float
        (wheel speed - ground speed) / ground speed, driving positive; NaN when not known.
    """

    engine_rpm: float
    is_cutting: bool = False
    is_spinning: bool = False
    slip: float = float("nan")


@dataclass(frozen=True)
class SpoiledPart:
    """A part of a rung that something spoiled, as fractions of the rung, 0 to 1."""

    kind: Spoiler
    start: float
    end: float


@dataclass(frozen=True)
class RungState:
    """One split at one instant.

    Attributes
    ----------
    status : str
        ``waiting`` (nothing yet), ``filling``, ``passed`` or ``missed`` (never reached).
    progress : float
        How far toward the goal, 0 to 1, in the goal's own quantity; used while filling or missed.
    time_s : float or None
        Time from launch, when passed.
    sigma_s : float or None
        Its standard uncertainty.
    spoiled : tuple of SpoiledPart
        What spoiled it, and where.
    reason : str
        Why it was missed, a few words.
    """

    status: RungStatus
    progress: float = 0.0
    time_s: float | None = None
    sigma_s: float | None = None
    spoiled: tuple[SpoiledPart, ...] = ()
    reason: str = ""


@dataclass(frozen=True)
class LadderValues:
    """All splits at one instant, in the order of the ladder's labels."""

    rungs: tuple[RungState, ...]


@dataclass(frozen=True)
class GapValues:
    """How far one build is ahead of the other at one instant; positive: the first is ahead.

    Attributes
    ----------
    gap_s : float
        Seconds at the same distance; NaN when not known.
    gap_m : float
        Metres at the same time; NaN when not known.
    sigma_s : float
        Standard uncertainty of `gap_s`; NaN when not known.
    """

    gap_s: float
    gap_m: float = float("nan")
    sigma_s: float = float("nan")


@dataclass(frozen=True)
class StripValues:
    """Distance from launch of each build at one instant, in metres; NaN when not known."""

    distances_m: tuple[float, ...]


@dataclass(frozen=True)
class AccelValues:
    """Acceleration at one instant.

    Attributes
    ----------
    accel_mps2 : float
        Along the path, m/s², forward positive; NaN when not known.
    sigma_mps2 : float
        Its standard uncertainty; NaN when not known.
    """

    accel_mps2: float
    sigma_mps2: float = float("nan")
