"""Where each gauge stands: layouts as TOML tables, turned into even pixel boxes for a picture.

Shares are of the title-safe part (5 % off every edge of the picture), so no layout can leave it.
The layouts that come with the program keep the middle of the horizon free: the middle third of
the width between 35 % and 60 % of the height, in each build's own part.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any, Literal, get_args

from overlay.errors import InputError, UsageError
from overlay.files import require_file

GaugeKind = Literal["ribbon", "comb", "ladder", "gap", "strip", "accel"]
GAUGE_KINDS: tuple[GaugeKind, ...] = get_args(GaugeKind)
Part = Literal[
    "whole",
    "left",
    "right",
    "top",
    "bottom",
    "top-left",
    "top-right",
    "bottom-left",
    "bottom-right",
    "shared-side",
    "shared-stack",
]
PARTS: tuple[Part, ...] = get_args(Part)
Box = tuple[int, int, int, int]

SAFE_SHARE = 0.05  # title-safe margin at every edge of the picture
SEAM_SHARE = 0.015  # margin at a seam between two parts, of the picture's side
KEEP_CLEAR = (1 / 3, 0.35, 2 / 3, 0.60)  # the horizon's middle: left, top, right, bottom
WIDE_FROM, TALL_TO = 1.25, 0.8  # width over height

# part: (left, top, right, bottom) of the picture, and the table that places its gauges
_PARTS: dict[str, tuple[tuple[float, float, float, float], str]] = {
    "whole": ((0, 0, 1, 1), "whole"),
    "left": ((0, 0, 0.5, 1), "side"),
    "right": ((0.5, 0, 1, 1), "side"),
    "top": ((0, 0, 1, 0.5), "stack"),
    "bottom": ((0, 0.5, 1, 1), "stack"),
    "top-left": ((0, 0, 0.5, 0.5), "quarter"),
    "top-right": ((0.5, 0, 1, 0.5), "quarter"),
    "bottom-left": ((0, 0.5, 0.5, 1), "quarter"),
    "bottom-right": ((0.5, 0.5, 1, 1), "quarter"),
    "shared-side": ((0, 0, 1, 1), "shared-side"),
    "shared-stack": ((0, 0, 1, 1), "shared-stack"),
}
TABLES = (*dict.fromkeys(table for _, table in _PARTS.values()), "narrow")


@dataclass(frozen=True)
class Placement:
    """One gauge's box in the finished picture; all numbers are even pixels."""

    gauge_kind: GaugeKind
    x: int
    y: int
    width: int
    height: int


@dataclass(frozen=True)
class Slot:
    """A gauge's box as shares of the safe part, 0 to 1; `rung` for ladders only."""

    x: float
    y: float
    width: float
    height: float
    rung: float | None = None


@dataclass(frozen=True)
class Layout:
    """Named tables of slots, by gauge kind."""

    name: str
    tables: Mapping[str, Mapping[GaugeKind, Slot]]


def layout_for(
    width: int,
    height: int,
    kinds: Sequence[GaugeKind],
    *,
    part: Part = "whole",
    layout: Layout | None = None,
    rungs: int = 4,
    skip_missing: bool = False,
) -> tuple[Placement, ...]:
    """Boxes of gauges in a picture.

    Parameters
    ----------
    width, height : int
        Of the whole finished picture in pixels, split-screen or not.
    kinds : sequence of str
        Gauges to place; the result is in the same order.
    part : str
        ``whole``; the build's part of a split-screen (``left``, ``right``, ``top``, ``bottom``,
        or a corner such as ``top-left``); ``shared-side`` or ``shared-stack`` for gauges common
        to the two builds of a split-screen.
    layout : Layout, optional
        From :func:`load_layout`; by default the one that comes with the program for this shape.
    rungs : int
        Number of splits on the ladder.
    skip_missing : bool
        Whether gauges that the layout has no place for are left out: a quarter of a wide picture
        has no room for a legible ladder.

    Raises
    ------
    UsageError
        If the layout has no place for one of them, or the part is unknown.

    Examples
    --------
    >>> layout_for(1920, 1080, ["ribbon"])
    (Placement(gauge_kind='ribbon', x=96, y=838, width=1044, height=188),)
    """
    if part not in PARTS:
        raise UsageError(f"unknown part {part!r} of the picture: use one of {', '.join(PARTS)}")
    (left, top, right, bottom), table = _PARTS[part]
    region = (left * width, top * height, (right - left) * width, (bottom - top) * height)
    return layout_in(
        (width, height),
        region,
        kinds,
        table=table,
        layout=layout,
        rungs=rungs,
        skip_missing=skip_missing,
    )


def layout_in(
    size: tuple[int, int],
    region: tuple[float, float, float, float],
    kinds: Sequence[GaugeKind],
    *,
    table: str,
    layout: Layout | None = None,
    rungs: int = 4,
    skip_missing: bool = False,
    seam_px: float | None = None,
) -> tuple[Placement, ...]:
    """Boxes of gauges in a region (x, y, w, h) of a picture, as :func:`layout_for`.

    `seam_px` is the margin at edges of the region inside the picture, if not the usual one. A
    layout without the table ``narrow`` places gauges there as in ``side``.
    """
    chosen = layout or built_in_layout(*size)
    if table == "narrow" and table not in chosen.tables:
        table = "side"
    slots = chosen.tables.get(table, {})
    safe = _safe_box(size, region, seam_px)
    placements = []
    for kind in kinds:
        if kind not in slots:
            if skip_missing:
                continue
            raise UsageError(
                f"layout {chosen.name}: no place for the {kind} in [{table}]; "
                "leave this gauge out or add its place to a layout of your own"
            )
        placements.append(_place(kind, slots[kind], safe, rungs))
    return tuple(placements)


def _safe_box(
    size: tuple[int, int],
    region: tuple[float, float, float, float],
    seam_px: float | None = None,
) -> tuple[float, float, float, float]:
    """Left, top, right, bottom of what may be drawn on: off the picture's edges and the seams."""
    ends = []
    for whole, start, length in zip(size, region[:2], region[2:], strict=True):
        seam, edge = SEAM_SHARE * whole if seam_px is None else seam_px, SAFE_SHARE * whole
        low = max(edge, start + seam) if start > 0 else edge
        end = start + length
        high = min(whole - edge, end - seam) if end < whole else whole - edge
        ends.append((low, high))
    (left, right), (top, bottom) = ends
    return left, top, right, bottom


def _place(
    kind: GaugeKind, slot: Slot, safe: tuple[float, float, float, float], rungs: int
) -> Placement:
    across, down = safe[2] - safe[0], safe[3] - safe[1]
    share = slot.height if slot.rung is None else min(slot.height, rungs * slot.rung)
    # Corners go inward to even pixels, so that no gauge leaves the safe part by rounding.
    left = 2 * math.ceil((safe[0] + slot.x * across - 1e-6) / 2)
    top = 2 * math.ceil((safe[1] + slot.y * down - 1e-6) / 2)
    right = 2 * math.floor((safe[0] + (slot.x + slot.width) * across + 1e-6) / 2)
    bottom = 2 * math.floor((safe[1] + (slot.y + share) * down + 1e-6) / 2)
    return Placement(kind, left, top, right - left, bottom - top)


def built_in_layout(width: int, height: int) -> Layout:
    """The layout that comes with the program for a picture of this shape."""
    shape = width / height
    name = "wide" if shape >= WIDE_FROM else "tall" if shape <= TALL_TO else "square"
    return _packaged(name)


@lru_cache(maxsize=8)
def _packaged(name: str) -> Layout:
    text = (resources.files("overlay.gauges") / "layouts" / f"{name}.toml").read_text("utf-8")
    return parse_layout(text, name)


def load_layout(path: str | Path) -> Layout:
    """Read a layout of one's own.

    Parameters
    ----------
    path : path of a TOML file
        With tables as in the files of ``overlay/gauges/layouts``.

    Raises
    ------
    InputError
        If it is missing, no TOML, or places something wrongly.
    """
    found = require_file(path)
    try:
        text = found.read_text("utf-8")
    except UnicodeDecodeError:
        raise InputError(f"{found}: is not UTF-8 text; save it as UTF-8") from None
    return parse_layout(text, str(found))


def parse_layout(text: str, name: str) -> Layout:
    """A layout from TOML text; `name` stands in messages.

    Raises
    ------
    InputError
        If it is no TOML, or a table, gauge or number is wrong.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{name}: is not valid TOML: {error}") from None
    if not raw:
        raise InputError(f"{name}: places no gauge; add a table such as [whole]")
    tables: dict[str, dict[GaugeKind, Slot]] = {}
    for table, content in raw.items():
        if table not in TABLES:
            raise InputError(f"{name}: [{table}]: unknown table; use one of {', '.join(TABLES)}")
        if not isinstance(content, dict):
            raise InputError(f"{name}: {table} must be a table of gauges, such as [{table}]")
        tables[table] = dict(
            _read_slot(kind, value, f"{name}: [{table}] {kind}") for kind, value in content.items()
        )
    return Layout(name, tables)


def _read_slot(kind: str, value: Any, where: str) -> tuple[GaugeKind, Slot]:
    known = next((k for k in GAUGE_KINDS if k == kind), None)
    if known is None:
        raise InputError(f"{where}: unknown gauge; use one of {', '.join(GAUGE_KINDS)}")
    if not isinstance(value, dict):
        raise InputError(f"{where}: must be {{ x = …, y = …, width = …, height = … }}")
    needed = ("x", "y", "width", "height")
    allowed = (*needed, "rung") if known == "ladder" else needed
    for key in needed:
        if key not in value:
            raise InputError(f"{where}: {key} is missing; add a share from 0 to 1")
    for key, number in value.items():
        if key not in allowed:
            raise InputError(f"{where}: unknown key {key}; use {', '.join(allowed)}")
        is_number = isinstance(number, int | float) and not isinstance(number, bool)
        if not is_number or not 0 <= number <= 1:
            raise InputError(f"{where}: {key} = {number!r} must be a share from 0 to 1")
    slot = Slot(**{key: float(number) for key, number in value.items()})
    for side, start, length in (("right", slot.x, slot.width), ("bottom", slot.y, slot.height)):
        if length <= 0 or start + length > 1 + 1e-9:
            raise InputError(
                f"{where}: leaves the safe area at the {side}, or has no size: "
                f"{start:g} + {length:g} must be above {start:g} and at most 1"
            )
    return known, slot
