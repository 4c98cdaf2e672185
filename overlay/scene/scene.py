"""A film before it is encoded: cells with a run each, their gauges, and the note on them.

One clip with gauges, two side by side or stacked, and a grid are the same thing with other cells.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from overlay.errors import UndeterminedError, UsageError
from overlay.gauges.comb import LEAST_SIZE as COMB_LEAST
from overlay.gauges.imprint import Imprint, ImprintSide, SlowedPart
from overlay.gauges.ladder import LEAST_SIZE as LADDER_LEAST
from overlay.gauges.layout import KEEP_CLEAR, Box, GaugeKind, Layout, Placement, layout_in
from overlay.gauges.palette import SPIN, Color, build_hue
from overlay.gauges.scales import GaugeScale, scale_for
from overlay.scene.arrangement import (
    Arrangement,
    Geometry,
    PixelBox,
    clear_of_edges,
    geometry_of,
    safe_rows,
)
from overlay.scene.labels import cap_for, placed_words, safe_region, shown_while
from overlay.scene.layers import Layer
from overlay.scene.placed import (
    accel_layer,
    comb_layer,
    gap_layer,
    ladder_layer,
    ribbon_layer,
    strip_layer,
)
from overlay.scene.style import Style
from overlay.session import RunAnalysis

USUAL: tuple[GaugeKind, ...] = ("ribbon", "comb", "ladder")
LEAST_SIZES = {"comb": COMB_LEAST, "ladder": LADDER_LEAST}
LEAST_STRIP = (240, 100)


@dataclass(frozen=True, eq=False)
class Cell:
    """One run to show: what is known of it, its name, and its build's colour."""

    run: RunAnalysis
    name: str = ""
    hue: Color | None = None

    @property
    def launch_s(self) -> float:
        """Footage time of the launch.

        Raises
        ------
        UndeterminedError
            If the run has none.
        """
        if self.run.launch is None:
            raise UndeterminedError(
                f"{self.run.clip.path}: no launch from rest in it, so it cannot be set beside "
                "another; name a run that starts from standstill"
            )
        return self.run.launch.at_s


@dataclass(frozen=True, eq=False)
class Scene:
    """A film ready to be encoded.

    Attributes
    ----------
    geometry : Geometry
        Size of the picture, and where each clip stands.
    cells : tuple of Cell
        In reading order.
    layers : tuple of tuple of Layer
        Of each cell, drawn on its own footage time.
    common : tuple of Layer
        Of all cells, drawn on time since the common launch.
    imprint : Imprint
        Where everything stands, for whoever checks the finished film.
    notes : tuple of str
        What a person should know.
    """

    geometry: Geometry
    cells: tuple[Cell, ...]
    layers: tuple[tuple[Layer, ...], ...]
    common: tuple[Layer, ...]
    imprint: Imprint
    notes: tuple[str, ...] = ()

    @property
    def launches_s(self) -> tuple[float, ...]:
        """Footage time of each run's launch."""
        return tuple(cell.launch_s for cell in self.cells)

    @property
    def metadata(self) -> dict[str, str]:
        """Tags that travel in the finished file."""
        tags = {"comment": self.imprint.to_text()}
        if (slowed := self.imprint.slowed) is not None:
            tags["description"] = (
                f"slowed ×{slowed.factor:g} from {slowed.start_s:.3f} to {slowed.end_s:.3f} s of "
                "the footage"
            )
        return tags


def scene_of(cells: Sequence[Cell], style: Style, arrangement: Arrangement = "alone") -> Scene:
    """Lay out the gauges of one run, or of several from the same launch.

    Parameters
    ----------
    cells : sequence of Cell
        One for ``alone``, two for ``side by side`` and ``stacked``, two to four for ``grid``.
    style : Style
    arrangement : str

    Raises
    ------
    UndeterminedError
        If several runs are to be shown and one has no launch.
    UsageError
        If a layout has no place for a gauge that is asked for, or the ribbon is left out.
    """
    layout = style.own_layout()
    hues = tuple(cell.hue or build_hue(index) for index, cell in enumerate(cells))
    cells = tuple(replace(cell, hue=hue) for cell, hue in zip(cells, hues, strict=True))
    if arrangement != "alone":
        _ = [cell.launch_s for cell in cells]
    geometry = geometry_of([cell.run.clip for cell in cells], arrangement, layout=layout)
    courses = [cell.run.course for cell in cells]
    limiters = [rpm for cell in cells if (rpm := cell.run.machine.limiter_rpm)]
    scale = scale_for(courses, style.units, limiters_rpm=limiters)
    layers, sides, notes = [], [], []
    for index, cell in enumerate(cells):
        own, side, told = _gauges(cell, scale, geometry, index, style, layout)
        if arrangement == "grid":
            own += (_name(cell, index, geometry, own),)
        layers.append(own)
        sides.append(side)
        notes += [note for note in told if note not in notes]
    common = _common(cells, hues, geometry, arrangement)
    shown = [layer for own in layers for layer in own] + [*common]
    covers = cells[0].run.options.covers if arrangement == "alone" else ()
    boxes = (*(layer.box for layer in shown), *covers)
    imprint = Imprint(geometry.size, tuple(sides), boxes)
    return Scene(geometry, cells, tuple(layers), common, imprint, tuple(notes))


def with_slowed(scene: Scene, slowed: SlowedPart) -> Scene:
    """The scene of one run with a plate that says what is slowed, as long as that lasts."""
    clip = scene.cells[0].run.clip
    picture, x, y = placed_words(
        f"slowed ×{slowed.factor:g}",
        safe_region(*scene.geometry.size),
        scene.imprint.boxes,
        cap_for(*scene.geometry.size),
        hue=SPIN,
        quiet="true values",
    )
    half_s = 0.25 * clip.frame_times.median_step_s  # frame times are compared, not met
    start_s, end_s = slowed.start_s - half_s, slowed.end_s - half_s
    sign = shown_while(picture, x, y, lambda t_s: start_s <= t_s < end_s)
    imprint = replace(scene.imprint, boxes=(*scene.imprint.boxes, sign.box), slowed=slowed)
    return replace(scene, layers=((*scene.layers[0], sign),), imprint=imprint)


def _gauges(
    cell: Cell,
    scale: GaugeScale,
    geometry: Geometry,
    index: int,
    style: Style,
    layout: Layout | None,
) -> tuple[tuple[Layer, ...], ImprintSide, tuple[str, ...]]:
    """Gauges of one run: those named, or ribbon, comb (where RPM is known) and ladder.

    Those that have nothing to show are left out; of the usual three also those that the layout
    has no room for.
    """
    kinds = [kind for kind in style.gauges or USUAL if _can_show(kind, cell.run, scale)]
    places, notes = _places(kinds, cell, geometry, index, layout, is_usual=style.gauges is None)
    if cell.run.launch is None and cell.run.splits and "ladder" in (style.gauges or USUAL):
        notes += ("the ladder is left out: no launch from rest, so there is nothing to time",)
    course, hue = cell.run.course, cell.hue or build_hue(index)
    layers: list[Layer] = []
    side: ImprintSide | None = None
    for place in places:
        if place.gauge_kind == "ribbon":
            layer, ribbon = ribbon_layer(course, scale, place, hue)
            region = geometry.panes[index].xywh
            side = ImprintSide(cell.name, region, (place.x, place.y), ribbon.band)
        elif place.gauge_kind == "comb":
            layer = comb_layer(cell.run, scale, place, hue)
        elif place.gauge_kind == "ladder":
            layer = ladder_layer(course, place, hue)
        elif place.gauge_kind == "accel":
            layer = accel_layer(course, place, hue)
        else:
            layer = strip_layer([course], place, names=[cell.name or "run"], hues=[hue])
        layers.append(layer)
    if side is None:
        raise UsageError("the ribbon is missing: verify reads it back, so every clip has one")
    return tuple(layers), side, notes


def _can_show(kind: GaugeKind, run: RunAnalysis, scale: GaugeScale) -> bool:
    """Whether a gauge of this kind has anything to show of one run."""
    if kind == "gap":
        raise UsageError("the gap bar needs two runs: use pair")
    if kind == "comb":
        return run.rpm is not None and scale.full_rpm is not None
    if kind == "ladder":
        return bool(run.splits) and run.launch is not None
    return kind != "strip" or run.launch is not None


def _places(
    kinds: Sequence[GaugeKind],
    cell: Cell,
    geometry: Geometry,
    index: int,
    layout: Layout | None,
    *,
    is_usual: bool,
) -> tuple[list[Placement], tuple[str, ...]]:
    """Places of gauges; of the usual ones those that would be too small to read are left out."""
    rungs = max(1, len(cell.run.splits))
    ground = geometry.ground(index)

    def placed(rungs: int) -> tuple[Placement, ...]:
        found = layout_in(
            geometry.size,
            ground.box.xywh,
            kinds,
            table=ground.table,
            seam_px=ground.seam_px,
            layout=layout,
            rungs=rungs,
            skip_missing=is_usual,
        )
        return clear_of_edges(found, geometry, index)

    places = placed(rungs)
    if rungs == 1:  # a lone rung of a small picture gets the height of two
        places = tuple(
            two if one.height < LADDER_LEAST[1] and one.gauge_kind == "ladder" else one
            for one, two in zip(places, placed(2), strict=True)
        )
    if not is_usual:
        return list(places), ()
    kept, notes = [], []
    for place in places:
        wide, high = LEAST_SIZES.get(place.gauge_kind, (0, 0))
        if place.width < wide or place.height < high:
            notes.append(f"the {place.gauge_kind} is left out: too small to read in this picture")
        else:
            kept.append(place)
    return kept, tuple(notes)


def _name(cell: Cell, index: int, geometry: Geometry, own: Sequence[Layer]) -> Layer:
    """Number and name of a run, where its gauges leave room, clear of the horizon's middle."""
    pane = geometry.panes[index]
    left, top, right, bottom = KEEP_CLEAR
    horizon: Box = (
        pane.x + round(left * pane.width),
        pane.y + round(top * pane.height),
        round((right - left) * pane.width),
        round((bottom - top) * pane.height),
    )
    picture, x, y = placed_words(
        f"{index + 1} {cell.name}",
        _room_for_words(pane, geometry),
        [*(layer.box for layer in own), horizon],
        cap_for(*geometry.size),
        hue=cell.hue,
    )
    return shown_while(picture, x, y)


def _room_for_words(pane: PixelBox, geometry: Geometry) -> Box:
    """The part of a clip's picture that may hold words: off the picture's edges and the seams."""
    width, height = geometry.size
    top, bottom = safe_rows(pane, height)
    # The same rule across as down.
    left, right = safe_rows(PixelBox(pane.y, pane.x, pane.height, pane.width), width)
    return left, top, right - left, bottom - top


def _common(
    cells: Sequence[Cell], hues: Sequence[Color], geometry: Geometry, arrangement: Arrangement
) -> tuple[Layer, ...]:
    """The gap bar of two runs; the track strip of a grid, if a lone last cell leaves room."""
    courses = [cell.run.course for cell in cells]
    if geometry.gap is not None:
        names = (cells[0].name, cells[1].name)
        return (gap_layer(courses, geometry.gap, names=names, hues=(hues[0], hues[1])),)
    place = _beside_lone_cell(geometry) if arrangement == "grid" and len(cells) == 3 else None
    if place is None:
        return ()
    numbers = [str(index + 1) for index in range(len(cells))]
    return (strip_layer(courses, place, names=numbers, hues=hues, since_launch=True),)


def _beside_lone_cell(geometry: Geometry) -> Placement | None:
    last = geometry.cells[-1]
    left = last.right + geometry.width // 100
    right = round(0.95 * geometry.width)
    width, height = (right - left) // 2 * 2, round(0.28 * last.height / 2) * 2
    if width < LEAST_STRIP[0] or height < LEAST_STRIP[1]:
        return None
    y = last.y + (last.height - height) // 4 * 2
    return Placement("strip", left // 2 * 2, y, width, height)


__all__ = ["Cell", "Scene", "scene_of", "with_slowed"]
