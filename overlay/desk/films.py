"""Films from the page: what is asked for, checked, and turned into a scene of kept runs."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, Field

from overlay.arrangements import division_for
from overlay.desk.asked import Asked
from overlay.errors import UndeterminedError
from overlay.gauges import GAUGES
from overlay.gauges.layout import Slot, built_in_layout, safe_box
from overlay.jobs.day_one import RunTask, cell_of
from overlay.jobs.names import FILMS, FOLDER
from overlay.render.encoder import EncodeOptions
from overlay.scene import Scene, Style, scene_of
from overlay.sheet import DaySheet
from overlay.sheet.films import Film, Place

SIDES = ("x", "y", "width", "height", "rung")


def _known(kind: str) -> str:
    if kind not in GAUGES:
        raise ValueError(f"no gauge is called {kind!r}")
    return kind


Gauge = Annotated[str, AfterValidator(_known)]


class FilmOrder(Film):
    """A film to draw, its gauges known."""

    gauges: tuple[Gauge, ...] | None = None
    places: dict[Gauge, Place] = Field(default={})

    @property
    def encoder(self) -> EncodeOptions:
        """How it is encoded."""
        return EncodeOptions(codec=self.codec, quality=self.quality)


class AskFilm(Asked):
    """A film of runs of a draft; with `at_s` one picture of it, footage time in seconds."""

    film: FilmOrder
    at_s: float | None = Field(default=None, ge=0)


def film_path(folder: Path, order: FilmOrder) -> Path:
    """Where the film goes."""
    return folder / FOLDER / FILMS / f"{order.name}.mp4"


def scene_for(sheet: DaySheet, order: FilmOrder) -> Scene:
    """The film's scene, of runs that are worked out.

    Raises
    ------
    UsageError
        If runs and arrangement do not go together, or a place leaves the safe part.
    UndeterminedError
        If a run is not worked out yet.
    """
    division_for(order.arrangement, len(order.runs))
    cells = []
    for name in order.runs:
        said = sheet.run(name)
        task = None if said is None else RunTask(sheet, said, sheet.folder / FOLDER)
        kept = None if task is None else task.kept_run()
        if task is None or kept is None:
            raise UndeterminedError(f"{name}: is not worked out yet; work it out under Runs first")
        cells.append(cell_of(task, kept))
    units = order.units or sheet.report.speed_unit
    style = Style(units, sheet.report.splits, order.gauges)
    scene = scene_of(cells, style, order.arrangement)
    if not order.places:
        return scene
    with tempfile.TemporaryDirectory() as place:
        layout = Path(place) / "places of the page.toml"
        layout.write_text(layout_text(order.places, scene), encoding="utf-8")
        return scene_of(cells, replace(style, layout=layout), order.arrangement)


def layout_text(places: Mapping[str, Sequence[float]], scene: Scene) -> str:
    """The built-in layout with other places for gauges, as ``--layout`` takes it.

    They hold in every run's part of the picture. A ladder's rungs fill its place.
    """
    rungs = max(1, len(scene.cells[0].run.splits))
    own = {scene.geometry.ground(index).table for index in range(len(scene.cells))}
    rows = []
    for table, slots in built_in_layout(*scene.geometry.size).tables.items():
        placed = {kind: _shares(slot) for kind, slot in slots.items()}
        for kind, place in places.items() if table in own else ():
            rung = [place[3] / rungs] if kind == "ladder" else []
            placed[kind] = [*place[:4], *rung]
        rows.append(f"[{table}]")
        for kind, shares in placed.items():
            said = (f"{key} = {share:.4f}" for key, share in zip(SIDES, shares, strict=False))
            rows.append(f"{kind} = {{ {', '.join(said)} }}")
    return "\n".join([*rows, ""])


def _shares(slot: Slot) -> list[float]:
    return [share for side in SIDES if (share := getattr(slot, side)) is not None]


def places_of(scene: Scene) -> dict[str, Any]:
    """Size of a film's picture, and where gauges may stand and stand.

    Of each run the part that gauges may stand in, as left, top, width and height in shares of the
    picture, and the box of each gauge in shares of that part; of a film of one run also the usual
    ones, whether shown or not.
    """
    width, height = scene.geometry.size
    cells = []
    for index, layers in enumerate(scene.layers):
        left, top, right, bottom = safe_box((width, height), scene.geometry.ground(index))
        wide, high = right - left, bottom - top
        boxes = {
            layer.kind: [
                (layer.x - left) / wide,
                (layer.y - top) / high,
                layer.width / wide,
                layer.height / high,
            ]
            for layer in layers
            if layer.kind
        }
        safe = [left / width, top / height, wide / width, high / height]
        cells.append({"safe": safe, "boxes": boxes})
    return {"width": width, "height": height, "cells": cells, "usual": _usual(scene)}


def _usual(scene: Scene) -> dict[str, list[float]]:
    if len(scene.cells) > 1:
        return {}
    slots = built_in_layout(*scene.geometry.size).tables["whole"]
    usual = {kind: _shares(slot)[:4] for kind, slot in slots.items()}
    rung = slots["ladder"].rung or 1.0
    rungs = max(1, len(scene.cells[0].run.splits))
    usual["ladder"][3] = min(usual["ladder"][3], rungs * rung)
    return usual
