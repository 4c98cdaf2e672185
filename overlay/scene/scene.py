"""A film before it is encoded: cells with a run each, their gauges, and the note on them.

One clip with gauges, two side by side or stacked, and a grid are the same thing with other cells.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from overlay.arrangements import ARRANGEMENTS
from overlay.errors import UndeterminedError, UsageError
from overlay.gauges import gauge_class
from overlay.gauges.base import Gauge, Subject
from overlay.gauges.canvas import Rgba
from overlay.gauges.imprint import Imprint, ImprintSide, SlowedPart
from overlay.gauges.layout import KEEP_CLEAR, Box, GaugeLayout, Placement, layout_for
from overlay.gauges.palette import SPIN, Color, build_hue
from overlay.gauges.ribbon import Ribbon
from overlay.gauges.scales import scale_for
from overlay.scene.arrangement import (
    Geometry,
    Rect,
    clear_of_edges,
    geometry_of,
    safe_rows,
)
from overlay.scene.labels import cap_for, placed_words, safe_region, shown_while
from overlay.scene.layers import Layer
from overlay.scene.style import Style
from overlay.session import RunAnalysis

USUAL = ("ribbon", "comb", "ladder")
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
    """A film ready to be encoded."""

    geometry: Geometry  # size of the picture, and where each clip stands
    cells: tuple[Cell, ...]  # in reading order
    layers: tuple[tuple[Layer, ...], ...]  # of each cell, drawn on its own footage time
    common: tuple[Layer, ...]  # of all cells, drawn on time since the common launch
    imprint: Imprint  # where everything stands, for whoever checks the finished film
    notes: tuple[str, ...] = ()  # what a person should know

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


def scene_of(cells: Sequence[Cell], style: Style, arrangement: str = "alone") -> Scene:
    """Lay out the gauges of one run, or of several from the same launch.

    Parameters
    ----------
    cells : sequence of Cell
        One for ``alone``, two for ``side by side`` and ``stacked``, two to four for ``grid``.

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
        subject = Subject((cell.run,), scale, (cell.name or "run",), (hues[index],))
        places, left_out = _places(subject, geometry, index, style, layout)
        made = [gauge_layer(place, subject) for place in places]
        own = [layer for layer, _ in made]
        sides.append(_side(cell.name, geometry.panes[index], made))
        if ARRANGEMENTS[arrangement].is_named:
            own.append(_name(cell, index, geometry, own))
        layers.append(tuple(own))
        notes += [note for note in left_out if note not in notes]
    all_runs = Subject(
        tuple(cell.run for cell in cells), scale, tuple(c.name for c in cells), hues, True
    )
    common = _common(all_runs, geometry)
    everything = [layer for own in layers for layer in own] + [*common]
    covers = cells[0].run.options.covers if len(cells) == 1 else ()
    boxes = (*(layer.box for layer in everything), *covers)
    imprint = Imprint(geometry.size, tuple(sides), boxes)
    return Scene(geometry, cells, tuple(layers), common, imprint, tuple(notes))


def gauge_layer(place: Placement, subject: Subject) -> tuple[Layer, Gauge[Any]]:
    """A gauge at its place; two instants whose values look the same are drawn once."""
    gauge = gauge_class(place.gauge_kind).of(subject, place.width, place.height)

    def draw(t_s: float) -> Rgba:
        return gauge.draw(gauge.values(subject, t_s))

    def seen(t_s: float) -> Hashable:
        return gauge.seen(gauge.values(subject, t_s))

    return Layer(place.x, place.y, place.width, place.height, draw, seen, place.gauge_kind), gauge


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


def _side(name: str, pane: Rect, made: Sequence[tuple[Layer, Gauge[Any]]]) -> ImprintSide:
    """Where a run and its ribbon stand."""
    for layer, gauge in made:
        if isinstance(gauge, Ribbon):
            return ImprintSide(name, pane.xywh, (layer.x, layer.y), gauge.band)
    raise UsageError("the ribbon is missing: verify reads it back, so every clip has one")


def _places(
    subject: Subject, geometry: Geometry, index: int, style: Style, layout: GaugeLayout | None
) -> tuple[list[Placement], list[str]]:
    """Places of one run's gauges: those named, or ribbon, comb (where RPM is known) and ladder.

    Those that have nothing to show are left out; of the usual three also those that the layout
    has no room for, and those that would be too small to read.
    """
    wanted, is_usual = style.gauges or USUAL, style.gauges is None
    kinds = [kind for kind in wanted if gauge_class(kind).has_something(subject)]
    run = subject.run

    def placed(rungs: int) -> tuple[Placement, ...]:
        found = layout_for(
            *geometry.size,
            kinds,
            geometry.ground(index),
            layout=layout,
            rungs=rungs,
            skip_missing=is_usual,
        )
        return clear_of_edges(found, geometry, index)

    places = placed(max(1, len(run.splits)))
    if len(run.splits) <= 1:  # a lone rung of a small picture gets the height of two
        least = gauge_class("ladder").least_size[1]
        places = tuple(
            two if one.height < least and one.gauge_kind == "ladder" else one
            for one, two in zip(places, placed(2), strict=True)
        )
    kept, notes = [], []
    for place in places:
        wide, high = gauge_class(place.gauge_kind).least_size
        is_small = place.width < wide or place.height < high
        if is_usual and is_small and place.gauge_kind != "ribbon":
            notes.append(f"the {place.gauge_kind} is left out: too small to read in this picture")
        else:
            kept.append(place)
    if run.launch is None and run.splits and "ladder" in wanted:
        notes.append("the ladder is left out: no launch from rest, so there is nothing to time")
    return kept, notes


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


def _room_for_words(pane: Rect, geometry: Geometry) -> Box:
    """The part of a clip's picture that may hold words: off the picture's edges and the seams."""
    width, height = geometry.size
    top, bottom = safe_rows(pane, height)
    # The same rule across as down.
    left, right = safe_rows(Rect(pane.y, pane.x, pane.height, pane.width), width)
    return left, top, right - left, bottom - top


def _common(subject: Subject, geometry: Geometry) -> tuple[Layer, ...]:
    """The gap bar of two runs; the track strip of three, if a lone last cell leaves room."""
    if geometry.gap is not None:
        return (gauge_layer(geometry.gap, subject)[0],)
    place = _beside_lone_cell(geometry) if len(subject.runs) == 3 else None
    if place is None:
        return ()
    numbers = tuple(str(index + 1) for index in range(len(subject.runs)))
    return (gauge_layer(place, replace(subject, names=numbers))[0],)


def _beside_lone_cell(geometry: Geometry) -> Placement | None:
    last = geometry.cells[-1]
    left = last.right + geometry.width // 100
    right = round(0.95 * geometry.width)
    width, height = (right - left) // 2 * 2, round(0.28 * last.height / 2) * 2
    if width < LEAST_STRIP[0] or height < LEAST_STRIP[1]:
        return None
    y = last.y + (last.height - height) // 4 * 2
    return Placement("strip", left // 2 * 2, y, width, height)
