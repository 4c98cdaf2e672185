"""Where the ribbons stand in a finished clip: a note that travels in the file itself.

The note is a JSON object in the container's comment tag. It holds places, sizes and what was
slowed, never speeds: whoever checks a clip reads those from the picture. A clip that lost the note
(after a re-encode elsewhere) can still be checked where it has the standard layout.
"""

from __future__ import annotations

import json
import math
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
class SlowedPart:
    """A section shown slower than it was filmed.

    Attributes
    ----------
    start_s, end_s : float
        Its edges on footage time.
    factor : float
        How many times as long it is shown, > 1.
    """

    start_s: float
    end_s: float
    factor: float

    def footage_s(self, shown_s: float) -> float:
        """Footage time of what is on screen at a time of the finished clip.

        Examples
        --------
        >>> part = SlowedPart(2.0, 3.0, 4.0)
        >>> [part.footage_s(t) for t in (1.0, 2.0, 4.0, 6.0, 7.0)]
        [1.0, 2.0, 2.5, 3.0, 4.0]
        """
        inside_s = min(max(shown_s - self.start_s, 0.0), self.factor * (self.end_s - self.start_s))
        return shown_s - inside_s * (1 - 1 / self.factor)


@dataclass(frozen=True)
class Imprint:
    """Everything a checker needs to know about the places of the gauges, and their time.

    Attributes
    ----------
    size : (width, height)
        Of the picture as made, pixels.
    sides : tuple of ImprintSide
    boxes : tuple of (x, y, w, h)
        Everything laid over the footage, pixels.
    slowed : SlowedPart or None
        The section shown slower than it was filmed, if there is one.
    """

    size: tuple[int, int]
    sides: tuple[ImprintSide, ...]
    boxes: tuple[tuple[int, int, int, int], ...]
    slowed: SlowedPart | None = None

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
        size = _whole(note["size"], 2)
        return Imprint(size, sides, boxes, _slowed(note.get("slowed")))  # type: ignore[arg-type]
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


def _slowed(item: dict[str, Any] | None) -> SlowedPart | None:
    if item is None:
        return None
    part = SlowedPart(*(float(item[name]) for name in ("start_s", "end_s", "factor")))
    if not (part.factor > 1 and 0 <= part.start_s < part.end_s < math.inf):
        raise ValueError(f"a slowed section that cannot be: {item}")
    return part


def _whole(values: Any, count: int) -> tuple[int, ...]:
    whole = tuple(int(value) for value in values)
    if len(whole) != count:
        raise ValueError(f"{len(whole)} numbers where {count} belong")
    return whole
