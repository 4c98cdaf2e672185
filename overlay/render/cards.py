"""Title and result cards: quiet still pictures with few words."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from overlay.errors import UsageError
from overlay.gauges.canvas import Canvas
from overlay.gauges.palette import GROUND, INK, QUIET_INK, TRACK, Color, build_hue
from overlay.gauges.type import Face, face, put_text

Rgb = npt.NDArray[np.uint8]

LEAST_CAP_SHARE = 0.0135  # of the width: 4.9 px at 360 px wide, where digits are told apart
CLOSED_COURSE = "Closed course. Local law and the rules of the venue come first."


@dataclass(frozen=True)
class Card:
    """What a card says."""

    title: str  # in large letters; broken into lines where it is long
    lines: tuple[str, ...] = ()  # below it, each as far as the width goes and then broken
    builds: tuple[str, ...] = ()  # names shown with the builds' hues, in their order
    small: str = CLOSED_COURSE  # at the foot
    shown_s: float = 3.0  # how long it is read, 1 to 30, fades not counted


def card_picture(card: Card, width: int, height: int) -> Rgb:
    """The card as a picture, uint8, shape (height, width, 3).

    Raises
    ------
    UsageError
        If the words do not fit at a size that can be read.
    """
    across, down = round(0.84 * width), round(0.84 * height)
    for share in (0.046, 0.04, 0.034, 0.029, 0.025):
        rows = _rows(card, share * min(width, 1.4 * height), across, LEAST_CAP_SHARE * width)
        total = sum(row.high for row in rows)
        if total <= down and all(row.wide <= across for row in rows):
            return _drawn(rows, width, height, total)
    raise UsageError(
        f"the card {card.title[:40]!r} has more words than a picture holds; shorten it"
    )


@dataclass(frozen=True)
class _Row:
    text: str
    type_face: Face
    color: Color
    above: float  # free rows over it, in pixels
    hue: Color | None = None

    @property
    def high(self) -> float:
        return self.above + self.type_face.cap_px

    @property
    def mark(self) -> int:
        """Pixels that the build's mark takes before the words."""
        return 0 if self.hue is None else round(1.6 * self.type_face.cap_px)

    @property
    def wide(self) -> int:
        return self.mark + self.type_face.width(self.text)


def _rows(card: Card, cap_px: float, across: int, least_px: float) -> list[_Row]:
    large = face(max(cap_px, least_px), bold=True)
    plain = face(max(0.56 * cap_px, least_px))
    small = face(max(0.4 * cap_px, least_px))
    rows = [
        _Row(text, large, INK, (0.0 if index == 0 else 0.75) * large.cap_px)
        for index, text in enumerate(_broken(card.title, large, across))
    ]
    for index, name in enumerate(card.builds):
        above = (2.2 if index == 0 else 1.1) * plain.cap_px
        rows.append(_Row(name, plain, INK, above, build_hue(index)))
    for index, line in enumerate(card.lines):
        for number, text in enumerate(_broken(line, plain, across)):
            above = (2.2 if index == number == 0 else 1.3 if number == 0 else 0.8) * plain.cap_px
            rows.append(_Row(text, plain, INK, above))
    for number, text in enumerate(_broken(card.small, small, across)):
        rows.append(_Row(text, small, QUIET_INK, (3.2 if number == 0 else 0.8) * small.cap_px))
    return rows


def _broken(text: str, type_face: Face, across: int) -> list[str]:
    return lines_of(text, max(8, across // type_face.advance_px))


def lines_of(text: str, letters: int) -> list[str]:
    """Text broken into lines of at most so many letters; a figure stays with its uncertainty.

    Examples
    --------
    >>> lines_of("6.6 mph ± 0.4 in top speed", 14)
    ['6.6 mph ± 0.4', 'in top speed']
    >>> lines_of("it bought 6.6 mph ± 0.4", 20)
    ['it bought 6.6', 'mph ± 0.4']
    """
    # textwrap breaks at plain spaces only.
    whole = text.replace(" ± ", "\u00a0±\u00a0")
    return [line.replace("\u00a0", " ") for line in textwrap.wrap(whole, letters)]


def _drawn(rows: Sequence[_Row], width: int, height: int, total: float) -> Rgb:
    canvas = Canvas(width, height)
    canvas.box((0, 0, width, height), GROUND)
    left = round(0.08 * width)
    top = (height - total) / 2
    bar = round(0.012 * min(width, height))
    canvas.box((left / 2 - bar / 2, top, left / 2 + bar / 2, top + total), TRACK, radius=bar / 2)
    y = top
    for row in rows:
        y += row.high
        if row.hue is not None:
            cap = row.type_face.cap_px
            canvas.box((left, y - cap, left + cap, y), row.hue, radius=0.22 * cap)
        put_text(canvas, row.text, left + row.mark, y, row.type_face, row.color)
    return np.ascontiguousarray(canvas.rgba()[..., :3])
