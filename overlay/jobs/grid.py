"""Two to four runs in one picture, all from the same launch."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from overlay.errors import UndeterminedError, UsageError
from overlay.files import forbid_overwriting_inputs
from overlay.gauges.imprint import Imprint, ImprintSide
from overlay.gauges.layout import KEEP_CLEAR, SAFE_SHARE, SEAM_SHARE, Part, Placement
from overlay.gauges.palette import build_hue
from overlay.jobs.analyse import AlignedRun, RunAnalysis
from overlay.jobs.draw import DrawReport, DrawRequest, analyse, course_of, run_lines
from overlay.jobs.gauge_layers import (
    GaugeScale,
    PlacedGauges,
    run_layers,
    scale_for,
    strip_layer,
)
from overlay.jobs.labels import cap_for, placed_words, shown_while
from overlay.jobs.machine import Machine
from overlay.jobs.pair import PairRun, align_sides
from overlay.jobs.progress import Progress, silent
from overlay.jobs.sheet_runs import sheet_path, whole_run
from overlay.render import Geometry, Layer, PairSide, PixelBox
from overlay.runs.course import Course
from overlay.sheet import load_sheet

PARTS: tuple[Part, ...] = ("top-left", "top-right", "bottom-left", "bottom-right")
LEAST_STRIP = (240, 100)


@dataclass(frozen=True, eq=False)
class _Cell:
    """One run of the grid: its course, its gauges and its name on the picture."""

    course: Course
    gauges: PlacedGauges
    name: Layer


def sides_from_sheet(path: str | Path, names: Sequence[str]) -> tuple[PairRun, ...]:
    """Runs of a sheet to set in a grid.

    Raises
    ------
    UsageError
        If a name is no run's, is named twice, or its run is part of a longer clip.
    SheetError
        If the sheet has problems.
    """
    sheet = load_sheet(sheet_path(path))
    for index, name in enumerate(names):
        if name in names[:index]:
            raise UsageError(f"{name}: is named twice; name different runs")
    return tuple(whole_run(sheet, name) for name in names)


def grid_runs(
    sides: Sequence[PairRun],
    target: str | Path,
    request: DrawRequest,
    *,
    sound: Sequence[int] | None = None,
    lead_s: float = 1.0,
    progress: Progress = silent,
) -> tuple[DrawReport, ...]:
    """Read, align and correct two to four runs, and write them as one clip.

    Parameters
    ----------
    sides : sequence of PairRun
        In reading order.
    target : path
    request : DrawRequest
        What all share: units, splits, encoder.
    sound : sequence of int, optional
        Which runs are heard, counted from 0; all by default.
    lead_s : float
        Seconds shown before launch.

    Raises
    ------
    UndeterminedError
        If a run has no launch to align at.
    """
    if not 2 <= len(sides) <= 4:
        raise UsageError(f"a grid of {len(sides)} runs: name two to four")
    files = [Path(path) for side in sides for path in (side.clip, *side.logs)]
    forbid_overwriting_inputs(Path(target), files)
    aligned = align_sides(sides, request, progress=progress)
    return grid_aligned(
        aligned,
        [side.name for side in sides],
        target,
        request,
        machines=[side.machine or request.machine for side in sides],
        sound=sound,
        lead_s=lead_s,
        progress=progress,
    )


def grid_aligned(
    aligned: Sequence[AlignedRun],
    names: Sequence[str],
    target: str | Path,
    request: DrawRequest,
    *,
    machines: Sequence[Machine] | None = None,
    sound: Sequence[int] | None = None,
    lead_s: float = 1.0,
    progress: Progress = silent,
) -> tuple[DrawReport, ...]:
    """Write runs that are already aligned as one clip; see :func:`grid_runs`."""
    from overlay.render import grid_clips, grid_geometry

    machines = machines or [request.machine] * len(aligned)
    runs = [
        analyse(one, replace(request, machine=machine))
        for one, machine in zip(aligned, machines, strict=True)
    ]
    launches = [_launch_s(run) for run in runs]
    geometry = grid_geometry([run.clip for run in runs])
    courses = [course_of(run) for run in runs]
    limits = [machine.limiter_rpm for machine in machines if machine.limiter_rpm]
    scale = scale_for(courses, request.units, limiter_rpm=max(limits, default=None))
    scales = [
        replace(
            scale,
            limiter_rpm=one.limiter_rpm,
            stock_limit_rpm=one.stock_limit_rpm,
            rpm_from_sound=run.rpm_from_sound,
        )
        for run, one in zip(runs, machines, strict=True)
    ]
    cells = [
        _cell(course, own, geometry, index, name, request)
        for index, (course, own, name) in enumerate(zip(courses, scales, names, strict=True))
    ]
    strip = _strip(courses, geometry)
    sides = [
        PairSide(run.clip, launch_s, layers=(*cell.gauges.layers, cell.name))
        for run, launch_s, cell in zip(runs, launches, cells, strict=True)
    ]
    layers = [*(layer for side in sides for layer in side.layers), *strip]
    imprint = Imprint(
        (geometry.width, geometry.height),
        tuple(cell.gauges.side for cell in cells),
        tuple((item.x, item.y, item.width, item.height) for item in layers),
    )
    rendered = grid_clips(
        sides,
        target,
        common=strip,
        lead_s=min(lead_s, *launches),
        sound=sound,
        options=request.encode_options(),
        progress=lambda told: progress(f"drawing {Path(target).name}", told.share),
        metadata={"comment": imprint.to_text()},
    )
    last = [()] * (len(runs) - 1) + [(*rendered.notes, f"wrote {target}")]
    return tuple(
        DrawReport(run, (*run_lines(run, request.units), *more))
        for run, more in zip(runs, last, strict=True)
    )


def _launch_s(run: RunAnalysis) -> float:
    if run.launch is None:
        raise UndeterminedError(
            f"{run.clip.path}: no launch from rest in it, so it cannot be set beside others; "
            "name a run that starts from standstill"
        )
    return run.launch.at_s


def _cell(
    course: Course,
    scale: GaugeScale,
    geometry: Geometry,
    index: int,
    name: str,
    request: DrawRequest,
) -> _Cell:
    """Gauges and name of one run in its cell."""
    size = (geometry.width, geometry.height)
    cell, pane = geometry.cells[index], geometry.panes[index]
    hue = build_hue(index)
    if len(geometry.cells) == 2:
        part: Part = ("left", "right")[index]
    else:
        part = PARTS[index]
    placed = run_layers(
        course,
        scale,
        size=size,
        part=part,
        region=(pane.x, pane.y, pane.width, pane.height),
        name=name,
        hue=hue,
        kinds=request.gauges,
        layout=request.own_layout(),
    )
    # The lone cell of a last row stands in the middle; its gauges go with it.
    home_x = cell.width if part in ("right", "top-right", "bottom-right") else 0
    placed = _moved(placed, cell.x - home_x)
    taken = [(item.x, item.y, item.width, item.height) for item in placed.layers]
    picture, x, y = placed_words(
        f"{index + 1} {name}",
        _safe(cell, size),
        [*taken, _horizon(cell)],
        cap_for(*size),
        hue=hue,
    )
    return _Cell(course, placed, shown_while(picture, x, y))


def _safe(cell: PixelBox, size: tuple[int, int]) -> tuple[int, int, int, int]:
    """The part of a cell that may hold words: off the picture's edges and the seams."""
    left, top = max(cell.x, SAFE_SHARE * size[0]), max(cell.y, SAFE_SHARE * size[1])
    right = min(cell.x + cell.width, (1 - SAFE_SHARE) * size[0])
    bottom = min(cell.y + cell.height, (1 - SAFE_SHARE) * size[1])
    seam = SEAM_SHARE * size[0]
    left += seam if left == cell.x else 0
    top += SEAM_SHARE * size[1] if top == cell.y else 0
    x, y = 2 * math.ceil(left / 2), 2 * math.ceil(top / 2)
    return x, y, int(right - seam * (right == cell.x + cell.width)) - x, int(bottom) - y


def _horizon(cell: PixelBox) -> tuple[int, int, int, int]:
    """The middle of the horizon, which is kept clear."""
    left, top, right, bottom = KEEP_CLEAR
    x, y = cell.x + round(left * cell.width), cell.y + round(top * cell.height)
    return x, y, round((right - left) * cell.width), round((bottom - top) * cell.height)


def _moved(placed: PlacedGauges, by_x: int) -> PlacedGauges:
    if by_x == 0:
        return placed
    layers = tuple(
        Layer(old.x + by_x, old.y, old.width, old.height, old.draw, old.key)
        for old in placed.layers
    )
    side = placed.side
    ribbon_at = (side.ribbon_at[0] + by_x, side.ribbon_at[1])
    return PlacedGauges(layers, ImprintSide(side.name, side.region, ribbon_at, side.band))


def _strip(courses: Sequence[Course], geometry: Geometry) -> list[Layer]:
    """Where all runs are along the course, if a lone last cell leaves room beside it."""
    place = _beside_lone_cell(geometry)
    if place is None:
        return []
    hues = [build_hue(index) for index in range(len(courses))]
    numbers = [str(index + 1) for index in range(len(courses))]
    return [strip_layer(courses, place, names=numbers, hues=hues, since_launch=True)]


def _beside_lone_cell(geometry: Geometry) -> Placement | None:
    last: PixelBox = geometry.cells[-1]
    if len(geometry.cells) != 3:
        return None
    left = last.x + last.width + geometry.width // 100
    right = round(0.95 * geometry.width)
    width, height = (right - left) // 2 * 2, round(0.28 * last.height / 2) * 2
    if width < LEAST_STRIP[0] or height < LEAST_STRIP[1]:
        return None
    y = last.y + (last.height - height) // 4 * 2
    return Placement("strip", left // 2 * 2, y, width, height)


__all__ = ["grid_aligned", "grid_runs", "sides_from_sheet"]
