"""Films from the page: what is asked for, checked, and turned into a scene of kept runs."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from overlay.errors import UndeterminedError, UsageError
from overlay.gauges.layout import SAFE_SHARE, built_in_layout
from overlay.jobs.day_one import analysis_of, hue_of, kept_run
from overlay.jobs.day_run import FOLDER
from overlay.render.encoder import EncodeOptions
from overlay.scene import Cell, Scene, Style, scene_of
from overlay.sheet import DaySheet
from overlay.sheet.model import Name, ShownUnit

FILMS = "films"
Share = Annotated[float, Field(ge=0, le=1)]


class Place(BaseModel):
    """A gauge's box as shares of the safe part of the picture."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    x: Share
    y: Share
    width: Share
    height: Share
    rung: Share | None = None


class FilmOrder(BaseModel):
    """A film to draw."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: Name
    runs: Annotated[tuple[str, ...], Field(min_length=1, max_length=4)]
    arrangement: Literal["alone", "side by side", "stacked", "grid"] = "alone"
    units: ShownUnit = "mph"
    gauges: tuple[str, ...] | None = None
    places: dict[str, Place] = {}
    codec: Literal["h264", "h265", "av1"] = "h264"
    quality: Annotated[int, Field(ge=0, le=63)] | None = None

    @property
    def encoder(self) -> EncodeOptions:
        """How it is encoded."""
        return EncodeOptions(codec=self.codec, quality=self.quality)


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
    wanted = {"alone": (1, 1), "grid": (2, 4)}.get(order.arrangement, (2, 2))
    if not wanted[0] <= len(order.runs) <= wanted[1]:
        number = f"{wanted[0]}" if wanted[0] == wanted[1] else f"{wanted[0]} to {wanted[1]}"
        raise UsageError(
            f"{order.arrangement}: takes {number} run{'s' * (wanted[1] > 1)}, and "
            f"{len(order.runs)} are chosen; choose others or another arrangement"
        )
    cells = []
    for name in order.runs:
        said = sheet.run(name)
        kept = None if said is None else kept_run(sheet, name, sheet.folder / FOLDER)
        if said is None or kept is None:
            raise UndeterminedError(f"{name}: is not worked out yet; work it out under Runs first")
        found = analysis_of(sheet, kept, sheet.folder / FOLDER)
        cells.append(Cell(found, name, hue_of(sheet, said.build)))
    with tempfile.TemporaryDirectory() as place:
        layout = None
        if order.places:
            layout = Path(place) / "places of the page.toml"
            layout.write_text(layout_text(order.places), encoding="utf-8")
        style = Style(order.units, sheet.report.splits, order.gauges, layout)
        return scene_of(cells, style, order.arrangement)


def layout_text(places: dict[str, Place]) -> str:
    """The places as a layout file, as ``--layout`` takes it."""
    rows = []
    for kind, place in places.items():
        shares = place.model_dump(exclude_none=True).items()
        rows.append(f"{kind} = {{ {', '.join(f'{key} = {share:.4f}' for key, share in shares)} }}")
    return "\n".join(["[whole]", *rows, ""])


def usual_places(width: int, height: int) -> dict[str, Any]:
    """The built-in places for a picture, and how wide its unsafe edge is."""
    slots = built_in_layout(width, height).tables["whole"]
    places = {
        kind: {name: share for name, share in vars(slot).items() if share is not None}
        for kind, slot in slots.items()
    }
    return {"width": width, "height": height, "edge": SAFE_SHARE, "places": places}
