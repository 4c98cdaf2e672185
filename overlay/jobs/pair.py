"""Set two runs side by side from the same launch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from overlay.errors import UndeterminedError
from overlay.gauges.imprint import Imprint
from overlay.gauges.layout import Part
from overlay.gauges.palette import Color, build_hue
from overlay.jobs.align_all import AlignTask, align_all
from overlay.jobs.analyse import (
    AlignedRun,
    RunAnalysis,
    read_inputs,
    require_determined,
    with_offset,
)
from overlay.jobs.draw import DrawReport, DrawRequest, analyse, course_of, run_lines
from overlay.jobs.gauge_layers import gap_layer, run_layers, scale_for
from overlay.jobs.machine import Machine
from overlay.jobs.progress import Progress, silent
from overlay.runs.course import Course, gap_at

PARTS: dict[str, tuple[Part, Part, Part]] = {
    "side by side": ("left", "right", "shared-side"),
    "stacked": ("top", "bottom", "shared-stack"),
}


@dataclass(frozen=True)
class PairRun:
    """One side of a pair: its files and its name."""

    clip: str | Path
    logs: tuple[str | Path, ...]
    name: str
    same_clock: bool = False
    offset_s: float | None = None
    columns: Mapping[str, str] | None = None
    machine: Machine | None = None  # what the sheet says of gearing, limits and engine

    def named(self, name: str) -> PairRun:
        """The same run under another name."""
        return replace(self, name=name)


def pair_runs(
    first: PairRun,
    second: PairRun,
    target: str | Path,
    request: DrawRequest,
    *,
    arrangement: str = "side by side",
    sound: str = "both",
    lead_s: float = 1.0,
    progress: Progress = silent,
) -> tuple[DrawReport, DrawReport]:
    """Read, align and correct two runs, and write them as one clip.

    Parameters
    ----------
    first, second : PairRun
    target : path
    request : DrawRequest
        What both share: units, splits, encoder.
    arrangement : str
        ``side by side`` or ``stacked``.
    sound : str
        ``both`` (panned left and right), ``a``, ``b`` or ``none``.
    lead_s : float
        Seconds shown before launch.

    Raises
    ------
    UndeterminedError
        If a run has no launch to align at.
    """
    aligned = align_sides((first, second), request, progress=progress)
    machines = [side.machine or request.machine for side in (first, second)]
    return pair_aligned(
        (aligned[0], aligned[1]),
        (first.name, second.name),
        target,
        request,
        machines=(machines[0], machines[1]),
        arrangement=arrangement,
        sound=sound,
        lead_s=lead_s,
        progress=progress,
    )


def align_sides(
    sides: Sequence[PairRun], request: DrawRequest, *, progress: Progress = silent
) -> list[AlignedRun]:
    """Read and align the runs that share one picture.

    Raises
    ------
    UndeterminedError
        If the offset of one cannot be determined and is not given.
    """
    tasks = [
        AlignTask(
            read_inputs(side.clip, side.logs, columns=side.columns or request.columns),
            side.same_clock,
            machine=side.machine or request.machine,
        )
        for side in sides
    ]
    aligned = []
    for side, one in zip(sides, align_all(tasks, progress=progress), strict=True):
        if side.offset_s is None:
            require_determined(one)
        given = side.offset_s
        aligned.append(
            one if given is None else with_offset(one, given, same_clock=side.same_clock)
        )
    return aligned


def pair_aligned(
    aligned: tuple[AlignedRun, AlignedRun],
    names: tuple[str, str],
    target: str | Path,
    request: DrawRequest,
    *,
    machines: tuple[Machine, Machine] | None = None,
    arrangement: str = "side by side",
    sound: str = "both",
    lead_s: float = 1.0,
    progress: Progress = silent,
) -> tuple[DrawReport, DrawReport]:
    """Write two runs that are already aligned as one clip; see :func:`pair_runs`."""
    machines = machines or (request.machine, request.machine)
    runs = [
        analyse(one, replace(request, machine=machine))
        for one, machine in zip(aligned, machines, strict=True)
    ]
    notes = pair_analysed(
        (runs[0], runs[1]),
        names,
        target,
        request,
        machines=machines,
        arrangement=arrangement,
        sound=sound,
        lead_s=lead_s,
        progress=progress,
    )
    last = (*notes, f"wrote {target}")
    return (
        DrawReport(runs[0], run_lines(runs[0], request.units)),
        DrawReport(runs[1], (*run_lines(runs[1], request.units), *last)),
    )


def pair_analysed(
    runs: tuple[RunAnalysis, RunAnalysis],
    names: tuple[str, str],
    target: str | Path,
    request: DrawRequest,
    *,
    hues: tuple[Color, Color] | None = None,
    machines: tuple[Machine, Machine] | None = None,
    arrangement: str = "side by side",
    sound: str = "both",
    lead_s: float = 1.0,
    progress: Progress = silent,
) -> tuple[str, ...]:
    """Write two runs that are already worked out as one clip; see :func:`pair_runs`.

    Parameters
    ----------
    hues : (Color, Color), optional
        Of the two builds; the first two of the day by default.
    machines : (Machine, Machine), optional
        The vehicle of each; the request's for both by default.

    Returns
    -------
    tuple of str
        What a person should know of the clip.
    """
    from overlay.render import Layer, PairSide, pair_clips, pair_geometry

    launches = [_launch_s(run) for run in runs]
    courses = [course_of(run) for run in runs]
    clips = [run.clip for run in runs]
    geometry = pair_geometry(clips[0], clips[1], arrangement)
    size = (geometry.width, geometry.height)
    machines = machines or (request.machine, request.machine)
    limits = [machine.limiter_rpm for machine in machines if machine.limiter_rpm]
    scale = scale_for(courses, request.units, limiter_rpm=max(limits, default=None))
    layout = request.own_layout()
    *parts, shared = PARTS[arrangement]
    hues = hues or (build_hue(0), build_hue(1))
    placed = []
    for run, course, machine, pane, part, name, hue in zip(
        runs, courses, machines, geometry.panes, parts, names, hues, strict=True
    ):
        region = (pane.x, pane.y, pane.width, pane.height)
        placed.append(
            run_layers(
                course,
                replace(
                    scale,
                    limiter_rpm=machine.limiter_rpm,
                    stock_limit_rpm=machine.stock_limit_rpm,
                    rpm_from_sound=run.rpm_from_sound,
                ),
                size=size,
                part=part,
                region=region,
                name=name,
                hue=hue,
                kinds=request.gauges,
                layout=layout,
            )
        )
    gap = gap_layer(
        courses[0],
        courses[1],
        size=size,
        part=shared,
        names=names,
        hues=hues,
        launch_at_s=0.0,
        full_scale_s=_gap_scale(courses),
        layout=layout,
    )
    layers: list[Layer] = [*placed[0].layers, *placed[1].layers, gap]
    imprint = Imprint(
        size,
        (placed[0].side, placed[1].side),
        tuple((item.x, item.y, item.width, item.height) for item in layers),
    )
    sides = [
        PairSide(clip, launch, layers=one.layers)
        for clip, launch, one in zip(clips, launches, placed, strict=True)
    ]
    rendered = pair_clips(
        sides[0],
        sides[1],
        target,
        arrangement=arrangement,
        common=(gap,),
        lead_s=min(lead_s, *launches),
        sound=sound,
        options=request.encode_options(),
        progress=lambda told: progress(f"pairing {Path(target).name}", told.share),
        metadata={"comment": imprint.to_text()},
    )
    return tuple(rendered.notes)


def _launch_s(run: RunAnalysis) -> float:
    if run.launch is None:
        raise UndeterminedError(
            f"{run.clip.path}: no launch from rest in it, so it cannot be set beside another; "
            "name a run that starts from standstill"
        )
    return run.launch.at_s


def _gap_scale(courses: Sequence[Course]) -> float:
    """Seconds at the end of the gap bar: a round figure over the largest gap."""
    first, second = courses
    last = max(c.finish_s - c.launch.at_s if c.launch else 0.0 for c in courses)
    gaps = [abs(gap_at(first, second, last * i / 60).gap_s) for i in range(1, 61)]
    largest = max((gap for gap in gaps if gap == gap), default=0.5)
    for step in (0.25, 0.5, 1.0, 2.0, 5.0, 10.0):
        if largest <= step:
            return step
    return 20.0
