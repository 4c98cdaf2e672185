"""One run of a day: read, align, work out, draw; what is kept and unchanged is not done again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np

from overlay.compare.standing import DayRun
from overlay.errors import EncoderError, OutputError, TimetrueError
from overlay.gauges.palette import Color, build_hue
from overlay.jobs.day_motion import watched
from overlay.jobs.day_store import (
    digest,
    is_drawn,
    load_failure,
    load_run,
    note_drawn,
    run_key,
    save_failure,
    save_run,
)
from overlay.jobs.film import draw_alone
from overlay.logs.model import LATITUDE, LONGITUDE
from overlay.motion.model import MotionSignal
from overlay.runs import top_speed
from overlay.runs.heading import heading_deg
from overlay.runs.marks import late_launch
from overlay.runs.model import SplitGoal
from overlay.scene import Cell, Style, scene_of
from overlay.session import (
    AlignedRun,
    RunAnalysis,
    RunInputs,
    RunOptions,
    align,
    analyse,
    correct,
    load,
    machine_of,
)
from overlay.sheet import DaySheet, Run

ALIGNED = 0.45  # share of a run's time that is gone when it is aligned, where a clip is drawn
KEPT = "kept"


@dataclass(frozen=True)
class RunTask:
    """What a worker is given.

    Attributes
    ----------
    sheet : DaySheet
    name : str
        Of the run.
    folder : str
        Where results go.
    clips : bool
        Whether to draw.
    threads : int or None
        Of the decoder and the encoder each; None: as many as suit the cores.
    """

    sheet: DaySheet
    name: str
    folder: str
    clips: bool
    threads: int | None = None


@dataclass(frozen=True, eq=False)
class RunOutcome:
    """What became of one run.

    Attributes
    ----------
    name : str
    run : DayRun or None
        None where it could not be worked out.
    problem : str or None
        Why not, or why there is no clip.
    exit_code : int
        Of the problem's error class; 0 without one.
    is_worked_out, is_drawn : bool
        Whether that was done now and not taken from what was kept.
    is_old_failure : bool
        Whether it failed before and was not tried again, since nothing has changed.
    """

    name: str
    run: DayRun | None
    problem: str | None = None
    exit_code: int = 0
    is_worked_out: bool = False
    is_drawn: bool = False
    is_old_failure: bool = False


def do_run(task: RunTask, tell: Callable[[float], None]) -> RunOutcome:
    """Do whatever is left to do of one run.

    Raises
    ------
    OutputError
        If the results' folder cannot be written to. Any other error stays with the run.
    """
    kept = kept_run(task.sheet, task.name, Path(task.folder))
    worked_out = kept is None
    try:
        run = kept or _work_out(task, tell)
    except OutputError:
        raise
    except TimetrueError as error:
        if not isinstance(error, EncoderError):  # that one may go as it came
            _keep_failure(task, error)
        return RunOutcome(task.name, None, str(error), error.exit_code)
    tell(ALIGNED if task.clips else 1.0)
    drawn = False
    if task.clips and not is_clip_done(task.sheet, task.name, Path(task.folder)):
        try:
            _draw(task, run, tell)
            drawn = True
        except EncoderError as error:
            problem = f"no clip: {error}"
            return RunOutcome(task.name, run, problem, error.exit_code, worked_out)
    tell(1.0)
    return RunOutcome(task.name, run, is_worked_out=worked_out, is_drawn=drawn)


def kept_run(sheet: DaySheet, name: str, folder: Path) -> DayRun | None:
    """The run's kept results where they still fit, else None."""
    said = _said(sheet, name)
    kept = load_run(folder / KEPT / f"{name}.npz", run_key(sheet, said, goals_of(sheet)))
    return None if kept is None else replace(kept, name=said.name, build=said.build)


def kept_failure(sheet: DaySheet, name: str, folder: Path) -> RunOutcome | None:
    """The outcome of a run that failed, where nothing has changed since."""
    key = run_key(sheet, _said(sheet, name), goals_of(sheet))
    known = load_failure(_failure(folder, name), key)
    return None if known is None else RunOutcome(name, None, *known, is_old_failure=True)


def is_clip_done(sheet: DaySheet, name: str, folder: Path) -> bool:
    """Whether the run's finished clip is there and unchanged."""
    return is_drawn(clip_path(folder, name), _note(folder, name), clip_key(sheet, name))


def clip_path(folder: Path, name: str) -> Path:
    """Where the finished clip of a run goes."""
    return folder / f"{name}.mp4"


def goals_of(sheet: DaySheet) -> tuple[SplitGoal, ...]:
    """The sheet's goals, or the usual ones in its unit."""
    return style_of(sheet).goals


def style_of(sheet: DaySheet) -> Style:
    """How the sheet wants its films to look."""
    return Style(units=sheet.report.speed_unit, splits=sheet.report.splits)


def options_of(sheet: DaySheet, run: Run) -> RunOptions:
    """What the sheet knows of a run."""
    return RunOptions(
        same_clock=run.same_clock,
        offset_s=run.offset_s,
        columns=run.column_map,
        machine=machine_of(sheet, run.build),
        rpm_from_sound=sheet.vehicle.strokes is not None,  # used where no log has the revs
    )


def hue_of(sheet: DaySheet, build: str) -> Color:
    """The colour of a build."""
    return build_hue([one.name for one in sheet.builds].index(build) % 4)


def clip_key(sheet: DaySheet, name: str) -> str:
    """Digest of all that a finished clip depends on."""
    run = _said(sheet, name)
    parts = [asdict(options_of(sheet, run)), asdict(style_of(sheet)), hue_of(sheet, run.build)]
    return digest(run_key(sheet, run, goals_of(sheet)), parts, run.name)


def inputs_of(sheet: DaySheet, run: Run, folder: Path) -> tuple[RunInputs, float]:
    """The run's clip and logs, and where in the sheet's clip that clip starts, seconds.

    A run out of a longer clip is cut out first.
    """
    # A clip that is cut out of a longer one has lost its track, which the longer one still has.
    logs = [sheet.file(name) for name in run.logs or (run.clip,)]
    options = options_of(sheet, run)
    if run.window_s is None:
        return load(sheet.file(run.clip), logs, options), 0.0
    from overlay.render.cut import cut_clip

    source = sheet.file(run.clip)
    suffix = source.suffix.lower()
    part = folder / KEPT / f"{run.name}-part{suffix if suffix in ('.mp4', '.mov') else '.mkv'}"
    start_s = cut_clip(source, part, from_s=run.window_s[0], to_s=run.window_s[1])
    return load(part, logs, options).on_part_from(start_s), start_s


def analysis_of(sheet: DaySheet, run: DayRun, folder: Path) -> RunAnalysis:
    """A kept run as drawing wants it; the motion signal itself is not kept."""
    none = np.zeros(0)
    motion = MotionSignal(none, none, none, none, none, 0.0, reason="it was not kept")
    inputs, _ = inputs_of(sheet, _said(sheet, run.name), folder)
    if run.alignment is None:
        raise ValueError(f"{run.name} was never aligned")
    return RunAnalysis(
        AlignedRun(inputs, motion, run.alignment),
        run.kinematics,
        run.launch,
        run.rpm,
        rpm_from_sound=run.rpm is not None and inputs.rpm_log is None,
        splits=run.splits,
        marks=run.marks,
    )


def as_day_run(name: str, build: str, run: RunAnalysis) -> DayRun:
    """What the comparison takes of a run."""
    return DayRun(
        name,
        build,
        run.kinematics,
        run.launch,
        run.splits,
        run.marks,
        run.rpm,
        run.alignment,
        *started_at(run),
        heading_of(run),
    )


def heading_of(run: RunAnalysis) -> float | None:
    """Which way the run went, degrees from north; None where its log has no positions."""
    channels, total_s = run.aligned.inputs.speed_log.channels, run.alignment.total_offset_s
    lat, lon, peak = channels.get(LATITUDE), channels.get(LONGITUDE), top_speed(run.kinematics)
    if lat is None or lon is None or peak is None or total_s is None:
        return None
    begin_s = run.launch.at_s if run.launch is not None else float(run.kinematics.t_s[0])
    return heading_deg(lat, lon, begin_s + total_s, peak.at_s + total_s)


def started_at(run: RunAnalysis) -> tuple[float | None, str]:
    """UTC of the launch, seconds since 1970, and whether it is by ``logs`` or by ``clips``.

    None without either. A camera's clock may be hours wrong, but it keeps the order of its clips.
    """
    inputs, total_s = run.aligned.inputs, run.aligned.alignment.total_offset_s
    at_s = 0.0 if run.launch is None else run.launch.at_s
    logged, filmed = inputs.speed_log.start_utc, inputs.clip.created_utc
    if logged is not None and total_s is not None:
        return logged.timestamp() + at_s + total_s, "logs"
    return (None, "") if filmed is None else (filmed.timestamp() + at_s, "clips")


def _work_out(task: RunTask, tell: Callable[[float], None]) -> DayRun:
    sheet, folder = task.sheet, Path(task.folder)
    said = _said(sheet, task.name)
    inputs, start_s = inputs_of(sheet, said, folder)
    share = ALIGNED if task.clips else 1.0
    seen = watched(sheet, said, inputs, folder / KEPT, lambda stage, done: tell(share * done))
    found = analyse(correct(align(inputs, seen=seen)), goals_of(sheet))
    run = as_day_run(said.name, said.build, found)
    if said.signal_s is not None and run.launch is not None:
        late = late_launch(run.launch, said.signal_s - start_s)
        run = run if late is None else replace(run, marks=(late, *run.marks))
    save_run(folder / KEPT / f"{said.name}.npz", run_key(sheet, said, goals_of(sheet)), run)
    _failure(folder, said.name).unlink(missing_ok=True)
    return run


def _draw(task: RunTask, run: DayRun, tell: Callable[[float], None]) -> None:
    from overlay.render.encoder import EncodeOptions

    sheet, folder = task.sheet, Path(task.folder)
    target, key = clip_path(folder, run.name), clip_key(sheet, run.name)
    cell = Cell(analysis_of(sheet, run, folder), run.name, hue_of(sheet, run.build))
    draw_alone(
        scene_of([cell], style_of(sheet)),
        target,
        EncodeOptions(threads=task.threads),
        progress=lambda told: tell(ALIGNED + (1 - ALIGNED) * told.share),
    )
    note_drawn(target, _note(folder, run.name), key)


def _keep_failure(task: RunTask, error: TimetrueError) -> None:
    folder = Path(task.folder)
    key = run_key(task.sheet, _said(task.sheet, task.name), goals_of(task.sheet))
    save_failure(_failure(folder, task.name), key, str(error), error.exit_code)


def _failure(folder: Path, name: str) -> Path:
    return folder / KEPT / f"{name}.failed.json"


def _note(folder: Path, name: str) -> Path:
    return folder / KEPT / f"{name}.clip.json"


def _said(sheet: DaySheet, name: str) -> Run:
    run = sheet.run(name)
    if run is None:
        raise ValueError(f"no run {name}")
    return run
