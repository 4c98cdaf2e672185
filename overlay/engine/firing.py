"""How often an engine repeats itself, and which harmonics of that its sound is bound to hold.

An engine's sound repeats with its working cycle: two turns of the crank for four strokes, one for
two (elementary). A single four-stroke so fires at ``rpm / 120`` hertz, and its sound holds all
multiples of that, the "half orders" of the crank among them. Evenly firing engines of several
cylinders lean on every n-th multiple.
"""

from __future__ import annotations

from dataclasses import dataclass

from overlay.errors import UsageError


@dataclass(frozen=True)
class Firing:
    """Firing scheme of an engine.

    Attributes
    ----------
    cylinders : int
        1 to 16.
    strokes : int
        2 or 4.
    """

    cylinders: int = 1
    strokes: int = 4

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

    def leans_on(self, order: int) -> bool:
        """Whether an even engine of this kind sounds strongly at this multiple of its cycle."""
        return order % self.cylinders == 0
