"""How the clips of a film may stand together: one line an arrangement."""

from __future__ import annotations

from dataclasses import dataclass

from overlay.errors import UsageError

_WORDS = ("no", "one", "two", "three", "four")


@dataclass(frozen=True)
class Division:
    """How an arrangement divides a picture among its clips."""

    # Clips that it takes, at most four, since there are no more hues.
    least: int
    most: int
    columns: int = 1  # of cells; a lone last cell stands in the middle of its row
    # The layout's table for a cell's gauges, and that where there are more than two clips.
    table: str = "whole"
    crowded: str = ""
    shared: str = ""  # the layout's table for the gap bar between two runs; none when empty
    # Whether the picture is higher than wide; as most clips are when None.
    is_upright: bool | None = None
    is_named: bool = False  # whether each clip bears its number and the run's name
    called: str = ""  # on the desk's page, where that is not its name


# A clip alone keeps its own size.
ARRANGEMENTS: dict[str, Division] = {
    "alone": Division(1, 1, called="one clip"),
    "side by side": Division(2, 2, 2, "side", shared="shared-side", is_upright=False),
    "stacked": Division(
        2, 2, 1, "stack", shared="shared-stack", is_upright=True, called="one above the other"
    ),
    "grid": Division(2, 4, 2, "side", crowded="quarter", is_named=True),
}


def division_for(arrangement: str, count: int) -> Division:
    """The division of an arrangement, once it takes so many runs.

    Raises
    ------
    UsageError
        If it is unknown or does not take so many.

    Examples
    --------
    >>> division_for("stacked", 2).columns
    1
    """
    if arrangement not in ARRANGEMENTS:
        known = ", ".join(ARRANGEMENTS)
        raise UsageError(f"unknown arrangement {arrangement!r}: use one of {known}")
    division = ARRANGEMENTS[arrangement]
    least, most = division.least, division.most
    if not least <= count <= most:
        few = _WORDS[least] + (f" to {_WORDS[most]}" if most > least else "")
        runs, was = "run" if most == 1 else "runs", "was" if count == 1 else "were"
        raise UsageError(f"{arrangement} takes {few} {runs}; {count} {was} given")
    return division
