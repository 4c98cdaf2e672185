"""How often an engine repeats itself and fires.

An engine's sound repeats with its working cycle: two turns of the crank for four strokes, one for
two (elementary). A single four-stroke so fires at ``rpm / 120`` hertz, and its sound holds all
multiples of that, the "half orders" of the crank among them. An evenly firing engine of several
cylinders leans on every n-th multiple, that is, on its firing rate.
"""

from __future__ import annotations

from dataclasses import dataclass

from overlay.errors import UsageError


@dataclass(frozen=True)
class Firing:
    """Firing scheme of an engine."""

    cylinders: int = 1  # 1 to 16
    strokes: int = 4  # 2 or 4

    def __post_init__(self) -> None:
        if self.strokes not in (2, 4):
            raise UsageError(f"{self.strokes} strokes: an engine has 2 or 4")
        if not 1 <= self.cylinders <= 16:
            raise UsageError(f"{self.cylinders} cylinders: from 1 to 16 are possible")

    @property
    def rpm_per_cycle_hz(self) -> float:
        """Revolutions a minute for one working cycle a second.

        Examples
        --------
        >>> Firing(cylinders=1, strokes=4).rpm_per_cycle_hz  # 6000 rpm fires at 50 Hz
        120.0
        """
        return 60.0 * self.strokes / 2

    @property
    def rpm_per_firing_hz(self) -> float:
        """Revolutions a minute for one firing a second of an evenly firing engine.

        Examples
        --------
        >>> Firing(cylinders=4, strokes=4).rpm_per_firing_hz  # two firings a turn
        30.0
        """
        return self.rpm_per_cycle_hz / self.cylinders
