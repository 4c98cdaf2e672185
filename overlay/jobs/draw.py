"""Draw gauges on one clip."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from overlay.files import forbid_overwriting_inputs
from overlay.gauges.imprint import Imprint
from overlay.gauges.layout import GaugeKind, Layout, load_layout
from overlay.gauges.palette import BUILD_HUES, Color
from overlay.jobs.align_all import AlignTask, align_all
from overlay.jobs.analyse import (
    AlignedRun,
    PixelBox,
    RunAnalysis,
    analyse_run,
    boxes_of,
    read_inputs,
    require_determined,
    with_offset,
)
from overlay.jobs.machine import Machine
from overlay.jobs.progress import Progress, silent
from overlay.jobs.rpm import rpm_heard, time_rpm
from overlay.runs.course import Course
from overlay.runs.model import SplitGoal
from overlay.sync.model import Alignment

if TYPE_CHECKING:
    from overlay.jobs.gauge_layers import PlacedGauges
    from overlay.render import EncodeOptions


@dataclass(frozen=True)
class DrawRequest:
    """What to draw, and how.

    Attributes
    ----------
    units : str
        Unit of speed: ``mph``, ``km/h`` or ``m/s``.
    splits : sequence of str
        Goals such as ``60 m``; a set that fits the run when empty.
    corrected : bool
        Whether the lag is removed.
    same_clock : bool
    offset_s : float or None
        Total offset known to the user.
    covers : sequence of (x, y, w, h) in pixels
        Parts of the picture to hide.
    columns : mapping or None
        Column map for tables.
    codec, quality, preset, hardware
        Of the encoder.
    gauges : sequence of str or None
        Kinds to draw; the usual three when None.
    layout : path or None
        A layout of the user's own.
    name : str
        Of the run.
    hue : Color
        Of the build.
    machine : Machine
        Gearing, limits and engine, as far as they are known.
    rpm_from_sound : bool
        Whether to hear engine speed in the clip's sound where no log has it.
    """

    units: str = "mph"
    splits: Sequence[str] = ()
    corrected: bool = True
    same_clock: bool = False
    offset_s: float | None = None
    covers: Sequence[PixelBox] = ()
    columns: Mapping[str, str] | None = None
    codec: str = "h264"
    quality: int | None = None
    preset: str | None = None
    hardware: bool = False
    gauges: Sequence[GaugeKind] | None = None
    layout: str | Path | None = None
    name: str = ""
    hue: Color = BUILD_HUES[0]
    machine: Machine = field(default=Machine())
    rpm_from_sound: bool = False

    def own_layout(self) -> Layout | None:
        """The user's own layout, read; None for the built-in ones."""
        return None if self.layout is None else load_layout(self.layout)

    def encode_options(self) -> EncodeOptions:
        """What the encoder is told."""
        from overlay.render import EncodeOptions

        return EncodeOptions(self.codec, self.quality, self.preset, self.hardware)


@dataclass(frozen=True, eq=False)
class DrawReport:
    """What was drawn.

    Attributes
    ----------
    run : RunAnalysis
    lines : tuple of str
        For a person, one sentence each.
    """

    run: RunAnalysis
    lines: tuple[str, ...]


def draw_run(
    clip: str | Path,
    logs: Sequence[str | Path],
    target: str | Path,
    request: DrawRequest,
    *,
    progress: Progress = silent,
) -> DrawReport:
    """Read, align, correct and draw one run.

    Raises
    ------
    TimetrueError
        As the message says; then the target is as it was.
    """
    aligned = read_and_align(clip, logs, target, request, progress=progress)
    return draw_aligned(aligned, target, request, progress=progress)


def read_and_align(
    clip: str | Path,
    logs: Sequence[str | Path],
    target: str | Path,
    request: DrawRequest,
    *,
    progress: Progress = silent,
) -> AlignedRun:
    """Check everything that can be checked beforehand, then read and align one run."""
    forbid_overwriting_inputs(Path(target), [Path(clip), *(Path(log) for log in logs)])
    request.own_layout()
    goals_for(request)
    inputs = read_inputs(clip, logs, columns=request.columns)
    boxes_of(request.covers, inputs.clip.width, inputs.clip.height)
    task = AlignTask(inputs, request.same_clock, request.covers, request.machine)
    return align_all([task], progress=progress)[0]


def work_out(
    clip: str | Path,
    logs: Sequence[str | Path],
    target: str | Path,
    request: DrawRequest,
    *,
    progress: Progress = silent,
) -> RunAnalysis:
    """Read and align one run, and work it out as the request wants it."""
    return analyse(read_and_align(clip, logs, target, request, progress=progress), request)


def draw_aligned(
    aligned: AlignedRun, target: str | Path, request: DrawRequest, *, progress: Progress = silent
) -> DrawReport:
    """Correct and draw a run that is already aligned."""
    from overlay.render import draw_clip

    run = analyse(aligned, request)
    gauges, imprint = placed_gauges(run, request)
    rendered = draw_clip(
        run.clip,
        gauges.layers,
        target,
        options=request.encode_options(),
        covers=request.covers,
        progress=lambda told: progress(f"drawing {Path(target).name}", told.share),
        metadata={"comment": imprint.to_text()},
    )
    notes = (*gauges.notes, *rendered.notes, f"wrote {target}")
    return DrawReport(run, (*run_lines(run, request.units), *notes))


def placed_gauges(run: RunAnalysis, request: DrawRequest) -> tuple[PlacedGauges, Imprint]:
    """The gauges of a run in its own picture, and the note on where they stand."""
    from overlay.jobs.gauge_layers import run_layers, scale_for
    from overlay.render import even_size

    size = even_size(run.clip)
    course = course_of(run)
    scale = scale_for(
        [course],
        request.units,
        limiter_rpm=request.machine.limiter_rpm,
        stock_limit_rpm=request.machine.stock_limit_rpm,
        rpm_from_sound=run.rpm_from_sound,
    )
    gauges = run_layers(
        course,
        scale,
        size=size,
        name=request.name,
        hue=request.hue,
        kinds=request.gauges,
        layout=request.own_layout(),
    )
    boxes = [(item.x, item.y, item.width, item.height) for item in gauges.layers]
    return gauges, Imprint(size, (gauges.side,), (*boxes, *request.covers))


def analyse(aligned: AlignedRun, request: DrawRequest) -> RunAnalysis:
    """The run as the request wants it."""
    from overlay.runs.marks import find_heard_cuts

    if request.offset_s is not None:
        aligned = with_offset(aligned, request.offset_s, same_clock=request.same_clock)
    require_determined(aligned)
    machine = request.machine
    engine = {"cylinders": machine.cylinders, "strokes": machine.strokes}
    run = analyse_run(
        aligned,
        goals=goals_for(request),
        corrected=request.corrected,
        driveline=machine.driveline,
        rpm_timing=time_rpm(aligned, **engine),
    )
    if not request.rpm_from_sound or aligned.inputs.rpm_log is not None:
        return run
    heard = rpm_heard(aligned, limiter_rpm=machine.limiter_rpm, **engine)
    if heard is None:
        return run
    cuts = find_heard_cuts(run.kinematics, run.launch, heard)
    marks = tuple(sorted((*run.marks, *cuts), key=lambda mark: (mark.start_s, mark.kind)))
    return replace(run, rpm=heard, marks=marks, rpm_from_sound=True)


def goals_for(request: DrawRequest) -> tuple[SplitGoal, ...]:
    """The goals that the request names, or the usual ones in its unit."""
    from overlay.runs import default_goals, parse_goal

    if request.splits:
        return tuple(parse_goal(text) for text in request.splits)
    return default_goals(request.units)


def course_of(run: RunAnalysis) -> Course:
    """The run as a function of time."""
    line = run.driveline
    single = line is not None and len(line.ratios) == 1
    return Course(
        run.kinematics,
        launch=run.launch,
        splits=run.splits,
        marks=run.marks,
        rpm=run.rpm,
        rpm_per_mps=60 * line.ratios[0] / line.circumference_m if line and single else None,
    )


def run_lines(run: RunAnalysis, unit: str) -> tuple[str, ...]:
    """What is known of a run, a sentence a line."""
    from overlay.report.table import speed_text

    lines = [*offset_lines(run.alignment)]
    if run.launch is not None:
        sure = f" ± {1.96 * run.launch.sigma_s:.2f}" if run.alignment.interval_s else ""
        lines.append(f"launch at {run.launch.at_s:.2f} s{sure}")
    for split in run.splits:
        if split.time_s is not None and split.total_sigma_s is not None:
            at = "" if split.speed_mps is None else f" at {speed_text(split.speed_mps, unit)}"
            sure_s = 1.96 * split.total_sigma_s
            lines.append(f"{split.goal.label}: {split.time_s:.2f} s ± {sure_s:.2f}{at}")
        else:
            lines.append(f"{split.goal.label}: none, {split.reason}")
    lines += [f"{mark.kind} at {mark.start_s:.1f} s: {mark.detail}" for mark in run.marks]
    return tuple(lines)


def offset_lines(found: Alignment) -> tuple[str, ...]:
    """The total offset, and lag and clock offset where they are known: a sentence each."""
    if found.total_offset_s is None:
        return ()
    sure = ", as given and not measured"
    if found.interval_s is not None:
        sure = f" ± {(found.interval_s[1] - found.interval_s[0]) / 2:.3f} (95 %)"
    lines = [f"total offset {found.total_offset_s:+.3f} s{sure}"]
    if found.readout_lag_s is not None:
        low, high = found.readout_lag_interval_s or (0.0, 0.0)
        sure = f" ± {(high - low) / 2:.3f}" if found.readout_lag_interval_s else ""
        lines.append(f"readout lag  {found.readout_lag_s:+.3f} s{sure}")
    if found.clock_offset_s is not None:
        lines.append(f"clock offset {found.clock_offset_s:+.3f} s")
    return tuple(lines)
