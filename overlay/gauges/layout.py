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
from importlib import resources
from pathlib import Path
from typing import Any

from overlay.errors import InputError, UsageError
from overlay.files import require_file
from overlay.gauges import GAUGES, gauge_class

Box = tuple[int, int, int, int]

SAFE_SHARE = 0.05  # title-safe margin at every edge of the picture
SEAM_SHARE = 0.015  # margin at a seam between two parts, of the picture's side
KEEP_CLEAR = (1 / 3, 0.35, 2 / 3, 0.60)  # the horizon's middle: left, top, right, bottom
WIDE_FROM, TALL_TO = 1.25, 0.8  # width over height
TABLES = ("whole", "side", "stack", "quarter", "shared-side", "shared-stack", "narrow")


@dataclass(frozen=True)
class Placement:
    """One gauge's box in the finished picture; all numbers are even pixels."""

    gauge_kind: str
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
class GaugeLayout:
    """Named tables of slots, by gauge kind."""

    name: str
    tables: Mapping[str, Mapping[str, Slot]]


@dataclass(frozen=True)
class LayoutRegion:
    """What gauges are laid out on."""

    region: tuple[float, float, float, float]  # a part of the picture, pixels
    # Of the layout, one of `TABLES`; one without ``narrow`` places gauges there as in ``side``.
    table: str
    # Margin at edges of the region inside the picture; the usual one when None.
    seam_px: float | None = None


def layout_for(
    width: int,
    height: int,
    kinds: Sequence[str],
    ground: LayoutRegion | None = None,
    *,
    layout: GaugeLayout | None = None,
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
    ground : LayoutRegion, optional
        Where; on the whole picture by default.
    layout : GaugeLayout, optional
        From :func:`load_layout`; by default that of :func:`built_in_layout`.
    rungs : int
        Number of splits on the ladder.
    skip_missing : bool
        Whether gauges that the layout has no place for are left out: a quarter of a wide picture
        has no room for a legible ladder.

    Raises
    ------
    UsageError
        If the layout has no place for one of them.

    Examples
    --------
    >>> layout_for(1920, 1080, ["ribbon"])
    (Placement(gauge_kind='ribbon', x=96, y=838, width=1044, height=188),)
    """
    ground = ground or LayoutRegion((0, 0, width, height), "whole")
    chosen = layout or built_in_layout(width, height)
    table = ground.table
    if table == "narrow" and table not in chosen.tables:
        table = "side"
    slots = chosen.tables.get(table, {})
    safe = safe_box((width, height), ground)
    placements = []
    for kind in kinds:
        slot = slots.get(kind)
        if slot is not None:
            placements.append(_place(kind, slot, safe, rungs))
        elif not skip_missing:
            gauge_class(kind)  # refuses one that there is not
            raise UsageError(
                f"layout {chosen.name}: no place for the {kind} in [{table}]; "
                "leave this gauge out or add its place to a layout of your own"
            )
    return tuple(placements)


def safe_box(size: tuple[int, int], ground: LayoutRegion) -> tuple[float, float, float, float]:
    """Left, top, right, bottom of what may be drawn on: off the picture's edges and the seams."""
    ends = []
    for whole, start, length in zip(size, ground.region[:2], ground.region[2:], strict=True):
        seam = SEAM_SHARE * whole if ground.seam_px is None else ground.seam_px
        edge, end = SAFE_SHARE * whole, start + length
        low = max(edge, start + seam) if start > 0 else edge
        ends.append((low, min(whole - edge, end - seam) if end < whole else whole - edge))
    (left, right), (top, bottom) = ends
    return left, top, right, bottom


def _place(kind: str, slot: Slot, safe: tuple[float, float, float, float], rungs: int) -> Placement:
    across, down = safe[2] - safe[0], safe[3] - safe[1]
    share = slot.height if slot.rung is None else min(slot.height, rungs * slot.rung)
    # Corners go inward to even pixels, so that no gauge leaves the safe part by rounding.
    left = 2 * math.ceil((safe[0] + slot.x * across - 1e-6) / 2)
    top = 2 * math.ceil((safe[1] + slot.y * down - 1e-6) / 2)
    right = 2 * math.floor((safe[0] + (slot.x + slot.width) * across + 1e-6) / 2)
    bottom = 2 * math.floor((safe[1] + (slot.y + share) * down + 1e-6) / 2)
    return Placement(kind, left, top, right - left, bottom - top)


def built_in_layout(width: int, height: int) -> GaugeLayout:
    """The layout that comes with the program for a picture of this shape.

    A gauge that it does not name takes the place that it brings itself.
    """
    shape = width / height
    name = "wide" if shape >= WIDE_FROM else "tall" if shape <= TALL_TO else "square"
    text = (resources.files("overlay.gauges") / "layouts" / f"{name}.toml").read_text("utf-8")
    tables = dict(parse_layout(text, name).tables)
    for kind in GAUGES:
        for table, place in gauge_class(kind).places.items():
            tables[table] = {kind: Slot(*place), **tables.get(table, {})}
    return GaugeLayout(name, tables)


def load_layout(path: str | Path) -> GaugeLayout:
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


def parse_layout(text: str, name: str) -> GaugeLayout:
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
    tables: dict[str, dict[str, Slot]] = {}
    for table, content in raw.items():
        if table not in TABLES:
            raise InputError(f"{name}: [{table}]: unknown table; use one of {', '.join(TABLES)}")
        if not isinstance(content, dict):
            raise InputError(f"{name}: {table} must be a table of gauges, such as [{table}]")
        tables[table] = {
            kind: _slot(kind, value, f"{name}: [{table}] {kind}") for kind, value in content.items()
        }
    return GaugeLayout(name, tables)


def _slot(kind: str, value: Any, where: str) -> Slot:
    if kind not in GAUGES:
        raise InputError(f"{where}: unknown gauge; use one of {', '.join(GAUGES)}")
    if not isinstance(value, dict):
        raise InputError(f"{where}: must be {{ x = …, y = …, width = …, height = … }}")
    needed = ("x", "y", "width", "height")
    allowed = (*needed, "rung") if kind == "ladder" else needed
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
    return slot
