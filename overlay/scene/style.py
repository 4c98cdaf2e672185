"""How a film looks, whatever run it shows: units, splits, gauges and their places."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from overlay.gauges.layout import GaugeLayout, load_layout
from overlay.runs.model import SplitGoal


@dataclass(frozen=True)
class Style:
    """How a film looks.

    Attributes
    ----------
    units : str
        Unit of speed: ``mph``, ``km/h`` or ``m/s``.
    splits : sequence of str
        Goals such as ``60 m``; a set that fits the unit when empty.
    gauges : sequence of str or None
        Kinds of gauge to draw; the usual three when None.
    layout : path or None
        A layout of the user's own.
    """

    units: str = "mph"
    splits: Sequence[str] = ()
    gauges: Sequence[str] | None = None
    layout: str | Path | None = None

    @property
    def goals(self) -> tuple[SplitGoal, ...]:
        """The goals named, or the usual ones in the unit.

        Raises
        ------
        UsageError
            If one is no speed or distance.
        """
        from overlay.runs import default_goals, parse_goal

        if self.splits:
            return tuple(parse_goal(text) for text in self.splits)
        return default_goals(self.units)

    def own_layout(self) -> GaugeLayout | None:
        """The user's own layout, read; None for the built-in ones.

        Raises
        ------
        InputError
            If it is missing, no TOML, or places something wrongly.
        """
        return None if self.layout is None else load_layout(self.layout)
