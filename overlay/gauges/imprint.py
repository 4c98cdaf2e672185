"""Where the ribbons stand in a finished clip: a note that travels in the file itself.

The note is a JSON object in the container's comment tag. It holds places, sizes and what was
slowed, never speeds: whoever checks a clip reads those from the picture. A clip that lost the note
(after a re-encode elsewhere) can still be checked where it has the standard layout.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from overlay.errors import InputError
from overlay.gauges.readback import ReadBand

KEY = "timetrue"
VERSION = 1
MOST_PIXELS = 1 << 15  # of a side; a clip may come from anybody, and its note with it
MOST_BOXES = 200
MOST_SIDES = 4


@dataclass(frozen=True)
class ImprintSide:
    """One run in the picture."""

    name: str  # of the run
    region: tuple[int, int, int, int]  # the part of the picture with the run's footage, pixels
    ribbon_at: tuple[int, int]  # top left of the ribbon, pixels
    band: ReadBand  # the tape's core within the ribbon

    @property
    def crop(self) -> tuple[int, int, int, int]:
        """The tape's core in the picture: x, y, w, h in pixels."""
        left, top, right, bottom = self.band.crop
        return self.ribbon_at[0] + left, self.ribbon_at[1] + top, right - left, bottom - top


@dataclass(frozen=True)
class SlowedPart:
    """A section shown slower than it was filmed."""

    # Its edges on footage time.
    start_s: float
    end_s: float
    factor: float  # how many times as long it is shown, > 1

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
    """Everything a checker needs to know about the places of the gauges, and their time."""

    size: tuple[int, int]  # of the picture as made, pixels
    sides: tuple[ImprintSide, ...]
    boxes: tuple[tuple[int, int, int, int], ...]  # everything laid over the footage, pixels
    slowed: SlowedPart | None = None  # the section shown slower than it was filmed, if there is one

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
    except (ValueError, RecursionError):
        return None
    if not isinstance(note, dict) or KEY not in note:
        return None
    if note[KEY] != VERSION:
        raise InputError(
            f"the clip's note on its gauges has version {note[KEY]!r:.20}, this program knows "
            f"{VERSION}; use the program that made the clip"
        )
    try:
        size = _whole(note["size"], 2)
        if not 0 < min(size) <= max(size) <= MOST_PIXELS:
            raise ValueError(f"a picture of {size[0]}×{size[1]}")
        sides = tuple(_side(item, size) for item in _listed(note["sides"], MOST_SIDES))
        if not sides:
            raise ValueError("no run")
        boxes = tuple(_cut(box, size) for box in _listed(note["boxes"], MOST_BOXES))
        return Imprint((size[0], size[1]), sides, boxes, _slowed(note.get("slowed")))
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        raise InputError(
            f"the clip's note on its gauges is damaged ({error}); draw the clip again"
        ) from error


def _side(item: dict[str, Any], size: Sequence[int]) -> ImprintSide:
    """One run's places, each inside the picture."""
    numbers = item["band"]
    rows = {name: _whole([numbers[name]], 1)[0] for name in ("y0", "y1", "anchor_px")}
    real = {name: float(numbers[name]) for name in ("x0", "x1", "full_scale_mps", "luma_step")}
    band = ReadBand(**rows, **real)  # type: ignore[arg-type]
    known = len(numbers) == len(rows) + len(real) and all(map(math.isfinite, real.values()))
    sound = band.full_scale_mps > 0 and band.luma_step > 0 and band.anchor_px > 0
    if not (known and sound and band.x0 < band.x1 and band.y0 < band.y1):
        raise ValueError(f"a ribbon that cannot be: {numbers}")
    at = _whole(item["ribbon_at"], 2)
    _box((*at, 1, 1), size)
    left, top, right, bottom = band.crop
    _box((at[0] + left, at[1] + top, right - left, bottom - top), size)
    return ImprintSide(str(item["name"]), _box(item["region"], size), (at[0], at[1]), band)


def _slowed(item: dict[str, Any] | None) -> SlowedPart | None:
    if item is None:
        return None
    part = SlowedPart(*(float(item[name]) for name in ("start_s", "end_s", "factor")))
    if not (part.factor > 1 and 0 <= part.start_s < part.end_s < math.inf):
        raise ValueError(f"a slowed section that cannot be: {item}")
    return part


def _listed(values: Any, most: int) -> list[Any]:
    if not isinstance(values, list) or len(values) > most:
        raise ValueError(f"no list of at most {most} items")
    return values


def _box(values: Any, size: Sequence[int]) -> tuple[int, int, int, int]:
    x, y, w, h = _whole(values, 4)
    if min(x, y) < 0 or min(w, h) < 1 or x + w > size[0] or y + h > size[1]:
        raise ValueError(f"the box {x},{y},{w},{h} outside the {size[0]}×{size[1]} picture")
    return x, y, w, h


def _cut(values: Any, size: Sequence[int]) -> tuple[int, int, int, int]:
    """A box that may reach beyond the picture, as a cover may, without that part."""
    x, y, w, h = _whole(values, 4)
    if max(w, h) > MOST_PIXELS:
        raise ValueError(f"a box of {w}×{h}")
    return _box((x, y, min(w, size[0] - x), min(h, size[1] - y)), size)


def _whole(values: Any, count: int) -> tuple[int, ...]:
    whole = tuple(int(value) for value in values)
    if len(whole) != count or any(a != b for a, b in zip(whole, values, strict=True)):
        raise ValueError(f"{values} where {count} whole numbers belong")
    return whole
