"""One run of a day: read, align, work out, draw; what is kept and unchanged is not done again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np

from overlay.compare.standing import DayRun
from overlay.errors import EncoderError, OutputError, TimetrueError
from overlay.gauges.palette import Color, hue_among
from overlay.jobs.day_motion import keep_logged, watched
from overlay.jobs.day_store import (
    digest,
    is_drawn,
    load_run,
    note,
    note_drawn,
    noted,
    run_key,
    save_run,
)
from overlay.jobs.film import encoded
from overlay.jobs.names import KEPT
from overlay.jobs.parallel import KILLED
from overlay.logs.model import LATITUDE, LONGITUDE
from overlay.motion.model import MotionSignal
from overlay.render.cut import cut_clip
from overlay.render.encoder import EncodeOptions
from overlay.runs import top_speed
from overlay.runs.heading import heading_deg
from overlay.runs.marks import late_launch
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
    options_of,
)
from overlay.sheet import DaySheet, Run

# Of the decoder and the encoder each. The encoder's pictures differ a little with their number, so
# that it may not hang on cores and processes: the same runs give the same clips everywhere.
THREADS = 2
ALIGNED = 0.45  # share of a run's time that is gone when it is aligned, where a clip is drawn

# Shares of a run's time until it is aligned that are gone when its pictures are read, and when
# their motion is fitted and set against the log, on an idle machine; what its sound says comes
# last.
READ, WATCHED = 0.45, 0.75


@dataclass(frozen=True, eq=False)
class RunOutcome:
    """What became of one run."""

    name: str
    run: DayRun | None  # None where it could not be worked out
    problem: str | None = None  # why not, or why there is no clip
    exit_code: int = 0  # of the problem's error class; 0 without one
    # Whether that was done now and not taken from what was kept.
    is_worked_out: bool = False
    is_drawn: bool = False
    # Whether it failed before and was not tried again, since nothing has changed.
    is_old_failure: bool = False


@dataclass(frozen=True)
class RunTask:
    """One run of a sheet, and where its results go."""

    sheet: DaySheet
    run: Run
    folder: Path
    clips: bool = True  # whether to draw

    @property
    def name(self) -> str:
        """Of the run."""
        return self.run.name

    @property
    def options(self) -> RunOptions:
        """What the sheet knows of the run."""
        return options_of(self.sheet, self.run)

    @property
    def clip(self) -> Path:
        """Where the finished clip goes."""
        return self.folder / f"{self.name}.mp4"

    @property
    def hue(self) -> Color:
        """The colour of its build."""
        return hue_among(self.sheet.builds, self.run.build)

    @property
    def key(self) -> str:
        """Digest of all that its results depend on."""
        return run_key(self.sheet, self.run, style_of(self.sheet).goals)

    @property
    def clip_key(self) -> str:
        """Digest of all that its finished clip depends on."""
        parts = [asdict(self.options), asdict(style_of(self.sheet)), self.hue]
        return digest(self.key, parts, self.name)

    def kept(self, suffix: str) -> Path:
        """A file in which something of the run is kept."""
        return self.folder / KEPT / f"{self.name}{suffix}"

    def kept_run(self) -> DayRun | None:
        """The kept results where they still fit, else None."""
        found = load_run(self.kept(".npz"), self.key)
        return None if found is None else replace(found, name=self.name, build=self.run.build)

    def kept_failure(self) -> RunOutcome | None:
        """The outcome of a run that failed, where nothing has changed since."""
        said = noted(self.kept(".failed.json"))
        if said.get("key") != self.key:
            return None
        reason, code = str(said.get("reason")), said.get("exit_code")
        return RunOutcome(self.name, None, reason, int(code or 1), is_old_failure=True)

    def is_clip_done(self) -> bool:
        """Whether the finished clip is there and unchanged."""
        return is_drawn(self.clip, self.kept(".clip.json"), self.clip_key)


def do_run(task: RunTask, tell: Callable[[float], None]) -> RunOutcome:
    """Do whatever is left to do of one run.

    Raises
    ------
    OutputError
        If the results' folder cannot be written to. Any other error stays with the run.
    """
    kept = task.kept_run()
    try:
        run = kept or _work_out(task, tell)
    except OutputError:
        raise
    except TimetrueError as error:
        if not isinstance(error, EncoderError):  # that one may go as it came
            code = error.exit_code
            note(task.kept(".failed.json"), key=task.key, reason=str(error), exit_code=code)
        return RunOutcome(task.name, None, str(error), error.exit_code)
    done = RunOutcome(task.name, run, is_worked_out=kept is None)
    tell(ALIGNED if task.clips else 1.0)
    if task.clips and not task.is_clip_done():
        try:
            _draw(task, run, tell)
        except EncoderError as error:
            return replace(done, problem=f"no clip: {error}", exit_code=error.exit_code)
        done = replace(done, is_drawn=True)
    tell(1.0)
    return done


def lost_run(task: RunTask) -> RunOutcome:
    """The outcome of a run whose process was killed."""
    run = task.kept_run()
    problem = KILLED if run is None else f"no clip: {KILLED}"
    return RunOutcome(task.name, run, problem, EncoderError.exit_code, run is not None)


def style_of(sheet: DaySheet) -> Style:
    """How the sheet wants its films to look, and the goals it wants timed."""
    return Style(units=sheet.report.speed_unit, splits=sheet.report.splits)


def inputs_of(task: RunTask) -> tuple[RunInputs, float]:
    """The run's clip and logs, and where in the sheet's clip that clip starts, seconds.

    A run out of a longer clip is cut out first.
    """
    run, source = task.run, task.sheet.file(task.run.clip)
    # A clip that is cut out of a longer one has lost its track, which the longer one still has.
    logs = [task.sheet.file(name) for name in run.logs or (run.clip,)]
    if run.window_s is None:
        return load(source, logs, task.options), 0.0
    suffix = source.suffix.lower()
    part = task.kept(f"-part{suffix if suffix in ('.mp4', '.mov') else '.mkv'}")
    start_s = cut_clip(source, part, from_s=run.window_s[0], to_s=run.window_s[1])
    return load(part, logs, task.options).on_part_from(start_s), start_s


def cell_of(task: RunTask, run: DayRun) -> Cell:
    """A kept run as drawing wants it; the motion signal itself is not kept."""
    none = np.zeros(0)
    motion = MotionSignal(none, none, none, none, none, 0.0, reason="it was not kept")
    inputs, _ = inputs_of(task)
    if run.alignment is None:
        raise ValueError(f"{run.name} was never aligned")
    found = RunAnalysis(
        AlignedRun(inputs, motion, run.alignment),
        run.kinematics,
        run.launch,
        run.rpm,
        rpm_from_sound=run.rpm is not None and inputs.rpm_log is None,
        splits=run.splits,
        marks=run.marks,
    )
    return Cell(found, task.name, task.hue)


def as_day_run(name: str, build: str, run: RunAnalysis) -> DayRun:
    """What the comparison takes of a run."""
    found = run.kinematics, run.launch, run.splits, run.marks, run.rpm, run.alignment
    return DayRun(name, build, *found, *started_at(run), heading_of(run))


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
    inputs, start_s = inputs_of(task)
    share = ALIGNED if task.clips else 1.0
    folder, goals = task.folder / KEPT, style_of(task.sheet).goals
    seen = watched(task.sheet, task.run, inputs, folder, lambda _, done: tell(READ * share * done))
    tell(WATCHED * share)
    keep_logged(task.sheet, task.run, inputs.speed, folder)
    found = analyse(correct(align(inputs, seen=seen)), goals)
    run = as_day_run(task.name, task.run.build, found)
    if task.run.signal_s is not None and run.launch is not None:
        late = late_launch(run.launch, task.run.signal_s - start_s)
        run = run if late is None else replace(run, marks=(late, *run.marks))
    save_run(task.kept(".npz"), task.key, run)
    task.kept(".failed.json").unlink(missing_ok=True)
    return run


def _draw(task: RunTask, run: DayRun, tell: Callable[[float], None]) -> None:
    key = task.clip_key
    encoded(
        scene_of([cell_of(task, run)], style_of(task.sheet)),
        task.clip,
        EncodeOptions(threads=THREADS),
        tell=lambda share: tell(ALIGNED + (1 - ALIGNED) * share),
    )
    note_drawn(task.clip, task.kept(".clip.json"), key)
