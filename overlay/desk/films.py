"""Films from the page: what is asked for, checked, and turned into a scene of kept runs."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, Field

from overlay.desk.asked import Asked
from overlay.errors import UndeterminedError, UsageError
from overlay.gauges import GAUGES
from overlay.gauges.layout import SAFE_SHARE, built_in_layout
from overlay.jobs.day_one import RunTask, cell_of
from overlay.jobs.names import FILMS, FOLDER
from overlay.render.encoder import EncodeOptions
from overlay.scene import Scene, Style, scene_of
from overlay.scene.arrangement import ARRANGEMENTS
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
    division = ARRANGEMENTS[order.arrangement]
    wanted = division.least, division.most
    if not wanted[0] <= len(order.runs) <= wanted[1]:
        number = f"{wanted[0]}" if wanted[0] == wanted[1] else f"{wanted[0]} to {wanted[1]}"
        raise UsageError(
            f"{order.arrangement}: takes {number} run{'s' * (wanted[1] > 1)}, and "
            f"{len(order.runs)} are chosen; choose others or another arrangement"
        )
    cells = []
    for name in order.runs:
        said = sheet.run(name)
        task = None if said is None else RunTask(sheet, said, sheet.folder / FOLDER)
        kept = None if task is None else task.kept_run()
        if task is None or kept is None:
            raise UndeterminedError(f"{name}: is not worked out yet; work it out under Runs first")
        cells.append(cell_of(task, kept))
    with tempfile.TemporaryDirectory() as place:
        layout = None
        if order.places:
            layout = Path(place) / "places of the page.toml"
            layout.write_text(layout_text(order.places), encoding="utf-8")
        units = order.units or sheet.report.speed_unit
        style = Style(units, sheet.report.splits, order.gauges, layout)
        return scene_of(cells, style, order.arrangement)


def layout_text(places: dict[str, Place]) -> str:
    """The places as a layout file, as ``--layout`` takes it."""
    rows = []
    for kind, place in places.items():
        shares = zip(SIDES, place, strict=False)
        rows.append(f"{kind} = {{ {', '.join(f'{key} = {share:.4f}' for key, share in shares)} }}")
    return "\n".join(["[whole]", *rows, ""])


def usual_places(width: int, height: int, rungs: int) -> dict[str, Any]:
    """The built-in places for a picture, and how wide its unsafe edge is.

    A ladder is as high as its rungs, one a split.
    """
    slots = built_in_layout(width, height).tables["whole"]
    places = {
        kind: [share for side in SIDES if (share := getattr(slot, side)) is not None]
        for kind, slot in slots.items()
    }
    for place in places.values():
        if place[4:]:
            place[3] = min(place[3], max(1, rungs) * place[4])
    return {"width": width, "height": height, "edge": SAFE_SHARE, "places": places}
