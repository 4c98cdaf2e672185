"""How long work tells how far it is."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, float], None]
"""Called with the name of the stage and the share of it that is done, 0 to 1."""


def silent(stage: str, share: float) -> None:
    """Tell nobody."""


def staged(progress: Progress, stage: str) -> Callable[[float], None]:
    """The progress of one stage, as a function of the share alone."""
    return lambda share: progress(stage, min(max(share, 0.0), 1.0))
