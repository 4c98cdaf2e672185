"""Where the ribbons stand in a finished clip: a note that travels in the file itself.

The note is a JSON object in the container's comment tag. It holds places and sizes only, never
speeds: whoever checks a clip reads those from the picture. A clip that lost the note (after a
re-encode elsewhere) can still be checked where it has the standard layout.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import Any

from overlay.errors import InputError
from overlay.gauges.readback import ReadBand

KEY = "timetrue"
VERSION = 1


@dataclass(frozen=True)
class ImprintSide:
    """One run in the picture.

    Attributes
    ----------
    name : str
        Of the run.
    region : (x, y, w, h)
        The part of the picture with the run's footage, pixels.
    ribbon_at : (x, y)
        Top left of the ribbon, pixels.
    band : ReadBand
        The tape's core within the ribbon.
    """

    name: str
    region: tuple[int, int, int, int]
    ribbon_at: tuple[int, int]
    band: ReadBand

    @property
    def crop(self) -> tuple[int, int, int, int]:
        """The tape's core in the picture: x, y, w, h in pixels."""
        left, top, right, bottom = self.band.crop
        return self.ribbon_at[0] + left, self.ribbon_at[1] + top, right - left, bottom - top


@dataclass(frozen=True)
class Imprint:
    """Everything a checker needs to know about the places of the gauges.

    Attributes
    ----------
    size : (width, height)
        Of the picture as made, pixels.
    sides : tuple of ImprintSide
    boxes : tuple of (x, y, w, h)
        Everything laid over the footage, pixels.
    """

    size: tuple[int, int]
    sides: tuple[ImprintSide, ...]
    boxes: tuple[tuple[int, int, int, int], ...]

    def to_text(self) -> str:
        """The note as compact JSON."""
        return json.dumps({KEY: VERSION, **asdict(self)}, separators=(",", ":"))


def imprint_from_text(text: str) -> Imprint | None:
    """Read the note; None if the text is not one.

    Raises
    ------
    InputError
        If it is one of an unknown version, or damaged.
    """
    try:
        note = json.loads(text)
    except ValueError:
        return None
    if not isinstance(note, dict) or KEY not in note:
        return None
    if note[KEY] != VERSION:
        raise InputError(
            f"the clip's note on its gauges has version {note[KEY]}, this program knows {VERSION}; "
            "use the program that made the clip"
        )
    try:
        sides = tuple(_side(item) for item in note["sides"])
        boxes = tuple(_whole(box, 4) for box in note["boxes"])
        return Imprint(_whole(note["size"], 2), sides, boxes)  # type: ignore[arg-type]
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"the clip's note on its gauges is damaged ({error}); draw the clip again"
        ) from error


def _side(item: dict[str, Any]) -> ImprintSide:
    return ImprintSide(
        name=str(item["name"]),
        region=_whole(item["region"], 4),  # type: ignore[arg-type]
        ribbon_at=_whole(item["ribbon_at"], 2),  # type: ignore[arg-type]
        band=ReadBand(**item["band"]),
    )


def _whole(values: Any, count: int) -> tuple[int, ...]:
    whole = tuple(int(value) for value in values)
    if len(whole) != count:
        raise ValueError(f"{len(whole)} numbers where {count} belong")
    return whole
