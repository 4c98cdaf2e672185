"""Read a clip and its logs, align them, and work out the run: the common ground of all jobs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from overlay.errors import InputError, MismatchError, UndeterminedError, UsageError
from overlay.footage.model import ClipFacts, LumaFrame
from overlay.jobs.progress import Progress, silent, staged
from overlay.logs.model import Log
from overlay.motion.model import Box, MotionSignal
from overlay.runs.model import Kinematics, Launch, Mark, Split, SplitGoal
from overlay.series import Series
from overlay.sync.model import Alignment, ChannelTiming

if TYPE_CHECKING:
    from pathlib import Path

    from overlay.engine.driveline import Driveline

SHORTEST_S = 1.0
Z95 = 1.959964  # two-sided 95 % of the normal distribution
PixelBox = tuple[int, int, int, int]


@dataclass(frozen=True, eq=False)
class RunInputs:
    """A clip, its logs, and which of them gives what.

    Attributes
    ----------
    clip : ClipFacts
    logs : tuple of Log
    speed_log : Log
        The log whose speed is used.
    rpm_log : Log or None
        The log whose RPM is used.
    """

    clip: ClipFacts
    logs: tuple[Log, ...]
    speed_log: Log
    rpm_log: Log | None

    @property
    def speed(self) -> Series:
        """Speed in m/s on its log's clock."""
        assert self.speed_log.speed is not None
        return self.speed_log.speed


@dataclass(frozen=True, eq=False)
class AlignedRun:
    """Inputs, what the picture says, and how the logs lie against it."""

    inputs: RunInputs
    motion: MotionSignal
    alignment: Alignment


@dataclass(frozen=True, eq=False)
class RunAnalysis:
    """Everything known of one run, on footage time.

    Attributes
    ----------
    aligned : AlignedRun
    kinematics : Kinematics
        Corrected speed, acceleration and distance.
    launch : Launch or None
        None when the record starts while moving.
    splits : tuple of Split
    marks : tuple of Mark
    rpm : Series or None
        Engine speed on footage time.
    driveline : Driveline or None
        Gearing, where it is known.
    rpm_from_sound : bool
        Whether `rpm` was heard in the clip's sound, and not logged.
    """

    aligned: AlignedRun
    kinematics: Kinematics
    launch: Launch | None
    splits: tuple[Split, ...]
    marks: tuple[Mark, ...]
    rpm: Series | None
    driveline: Driveline | None = None
    rpm_from_sound: bool = False

    @property
    def clip(self) -> ClipFacts:
        """Facts of the clip."""
        return self.aligned.inputs.clip

    @property
    def alignment(self) -> Alignment:
        """How the speed log lies against the footage."""
        return self.aligned.alignment


def read_inputs(
    clip: str | Path, logs: Sequence[str | Path], *, columns: Mapping[str, str] | None = None
) -> RunInputs:
    """Read a clip's facts and its logs.

    Parameters
    ----------
    clip, logs : paths
    columns : mapping, optional
        Column map for tables, see :func:`overlay.logs.read_log`.

    Raises
    ------
    InputError
        If a file is not what it should be.
    MismatchError
        If no log has a speed.
    """
    from overlay.footage import probe
    from overlay.logs import read_log

    if not logs:
        raise UsageError("name at least one log of the run's speed")
    facts = probe(clip)
    read = tuple(read_log(path, columns=columns_in(path, columns)) for path in logs)
    with_speed = [log for log in read if log.speed is not None]
    if not with_speed:
        names = ", ".join(str(path) for path in logs)
        raise MismatchError(f"{names}: no speed in it; name a log with GPS speed or positions")
    with_rpm = [log for log in read if log.rpm is not None]
    return RunInputs(facts, read, with_speed[0], with_rpm[0] if with_rpm else None)


def columns_in(path: str | Path, columns: Mapping[str, str] | None) -> Mapping[str, str] | None:
    """The part of a column map whose headers stand in a table; None for other formats.

    One map serves all logs of a run, of which some may be no tables, or other tables.
    """
    from overlay.files import require_file
    from overlay.logs.detect import detect

    if not columns:
        return None
    with require_file(path).open("rb") as file:
        head = file.read(1 << 16)
    if detect(head, str(path)) != "table":
        return None
    text = head.decode("utf-8-sig", "replace")
    named = {what: header for what, header in columns.items() if header.split(":")[0] in text}
    return named or None


def boxes_of(pixel_boxes: Sequence[PixelBox], width: int, height: int) -> tuple[Box, ...]:
    """Pixel boxes (x, y, w, h) as fractions of a picture.

    Raises
    ------
    UsageError
        If a box lies outside the picture.

    Examples
    --------
    >>> boxes_of([(0, 50, 100, 50)], 100, 100)
    (Box(left=0.0, top=0.5, right=1.0, bottom=1.0),)
    """
    boxes = []
    for x, y, w, h in pixel_boxes:
        if x >= width or y >= height:
            raise UsageError(f"the box {x},{y},{w},{h} lies outside the {width}×{height} picture")
        boxes.append(
            Box(x / width, y / height, min((x + w) / width, 1.0), min((y + h) / height, 1.0))
        )
    return tuple(boxes)


def measure_motion(
    clip: ClipFacts, *, ignore: Sequence[PixelBox] = (), progress: Progress = silent
) -> MotionSignal:
    """Measure motion in the whole clip.

    Parameters
    ----------
    clip : ClipFacts
    ignore : sequence of (x, y, w, h) in pixels
        Parts of the picture to leave out.
    progress : callable
        Told of the stage ``motion``.
    """
    from overlay.footage import luma_frames
    from overlay.footage.ahead import ahead
    from overlay.motion import motion_signal

    tell = staged(progress, f"watching {named_short(clip.path)}")
    length_s = max(clip.duration_s, 1e-9)

    def frames() -> Iterator[LumaFrame]:
        for frame in ahead(luma_frames(clip.path)):
            tell(frame.t_s / length_s)
            yield frame

    signal = motion_signal(frames(), ignore=boxes_of(ignore, clip.width, clip.height))
    tell(1.0)
    return signal


def align_run(
    inputs: RunInputs,
    *,
    same_clock: bool = False,
    ignore: Sequence[PixelBox] = (),
    progress: Progress = silent,
) -> AlignedRun:
    """Watch the clip and set the logs against it.

    Parameters
    ----------
    inputs : RunInputs
    same_clock : bool
        Whether the speed log runs on the footage's clock (0 s, or for a log in UTC its first
        record, is the first frame).
    ignore : sequence of (x, y, w, h) in pixels
        Parts of the picture to leave out.
    """
    from overlay.sync import estimate_offset

    motion = measure_motion(inputs.clip, ignore=ignore, progress=progress)
    alignment = estimate_offset(
        motion, inputs.speed, same_clock=same_clock, extra_lag_s=inputs.speed_log.extra_lag_s
    )
    return AlignedRun(inputs, motion, alignment)


def analyse_run(
    aligned: AlignedRun,
    *,
    goals: Sequence[SplitGoal],
    corrected: bool = True,
    driveline: Driveline | None = None,
    rpm_timing: ChannelTiming | None = None,
) -> RunAnalysis:
    """Work out speed, launch, splits and marks of an aligned run.

    Parameters
    ----------
    aligned : AlignedRun
        With a determined alignment.
    goals : sequence of SplitGoal
    corrected : bool
        False leaves the receiver's lag in, for comparison: the log is then put on footage time by
        the clock offset alone.
    driveline : Driveline, optional
        Gearing, for marks of wheelspin and clutch slip.
    rpm_timing : ChannelTiming, optional
        How the RPM log lies against the footage; without it RPM is left out.

    Raises
    ------
    UndeterminedError
        If the alignment is not determined; or, uncorrected, if the lag cannot be told from the
        clock offset.
    """
    from overlay.motion import motion_onset
    from overlay.runs import find_launch, smooth, splits

    require_determined(aligned)
    found = aligned.alignment
    delay_s, smoothing_s, sigma_s = _receiver(aligned, corrected)
    speed = found.steadied(aligned.inputs.speed)
    start_s = max(0.0, float(speed.t_s[0]) - delay_s)
    end_s = min(aligned.inputs.clip.duration_s, float(speed.t_s[-1]) - delay_s)
    if end_s - start_s < SHORTEST_S:
        raise MismatchError(
            f"{aligned.inputs.speed_log.path}: covers {max(0.0, end_s - start_s):.1f} s of "
            f"{aligned.inputs.clip.path}; name the log of this run"
        )
    kinematics = smooth(
        speed,
        delay_s=delay_s,
        smoothing_s=smoothing_s,
        timing_sigma_s=sigma_s or 0.0,
        start_s=start_s,
        end_s=end_s,
    )
    # A late readout is judged by itself: the picture would mend the launch that it shows wrongly.
    # Nor is the launch mended where the user gives the offset: splits then come from the log alone,
    # and an error of the given offset shifts launch and goals alike.
    is_measured = sigma_s is not None
    onset = motion_onset(aligned.motion) if corrected and is_measured else None
    launch = find_launch(
        kinematics,
        motion_onset_s=None if onset is None else onset.t_s,
        motion_onset_sigma_s=None if onset is None else onset.sigma_s,
        motion_onset_soft_sigma_s=0.0 if onset is None else onset.soft_sigma_s,
    )
    rpm = None
    if rpm_timing is not None and aligned.inputs.rpm_log is not None:
        logged = aligned.inputs.rpm_log.rpm
        if logged is not None and aligned.inputs.rpm_log is aligned.inputs.speed_log:
            logged = found.steadied(logged)  # one clock for both
        rpm = None if logged is None else logged.shifted(-rpm_timing.offset_s)
    shown = kinematics if is_measured else replace(kinematics, timing_sigma_s=float("nan"))
    return RunAnalysis(
        aligned=replace(aligned, alignment=_with_timing(found, rpm_timing)),
        kinematics=shown,
        launch=launch,
        splits=splits(kinematics, launch, goals),
        marks=_marks(kinematics, launch, rpm, driveline),
        rpm=rpm,
        driveline=driveline,
    )


def _receiver(aligned: AlignedRun, corrected: bool) -> tuple[float, float, float | None]:
    """Delay, smoothing and timing sigma with which the log is put on footage time."""
    found = aligned.alignment
    if corrected:
        if found.interval_s is None:
            return found.delay_s, found.smoothing_s, None
        low, high = found.interval_s
        return found.delay_s, found.smoothing_s, (high - low) / (2 * Z95)
    if found.clock_offset_s is None:
        raise UndeterminedError(
            f"{aligned.inputs.clip.path}: cannot be drawn uncorrected, since the lag cannot be "
            "told from the clock offset; give --same-clock for the camera's own GPS"
        )
    return found.clock_offset_s, 0.0, 0.0


def _with_timing(found: Alignment, timing: ChannelTiming | None) -> Alignment:
    if timing is None or any(old.channel == timing.channel for old in found.channels):
        return found
    return replace(found, channels=(*found.channels, timing))


def _marks(
    kinematics: Kinematics, launch: Launch | None, rpm: Series | None, driveline: Driveline | None
) -> tuple[Mark, ...]:
    from overlay.runs import find_marks

    return find_marks(kinematics, launch, rpm=rpm, driveline=driveline)


def with_offset(aligned: AlignedRun, offset_s: float, *, same_clock: bool = False) -> AlignedRun:
    """The same run with a total offset that the user gives, in place of the measured one.

    It has no interval, since nobody measured how sure it is. The clock offset stays where other
    evidence gives it (0 on the footage's own clock), and the lag is the rest.
    """
    old = aligned.alignment
    smoothing_s = old.smoothing_s if old.determined else 0.0
    clock_s = 0.0 if same_clock else old.clock_offset_s
    known = Alignment(
        determined=True,
        total_offset_s=offset_s,
        clock_offset_s=clock_s,
        readout_lag_s=None if clock_s is None else offset_s - clock_s,
        delay_s=offset_s - smoothing_s,
        smoothing_s=smoothing_s,
        drift_ppm=old.drift_ppm,
        drift_about_s=old.drift_about_s,
        channels=old.channels,
        reason=None if clock_s is not None else old.reason,
        notes=(*old.notes, "The total offset is as given, not measured."),
    )
    return replace(aligned, alignment=known)


def require_determined(aligned: AlignedRun) -> None:
    """Refuse to go on without an offset.

    Raises
    ------
    UndeterminedError
        With the reason.
    """
    if not aligned.alignment.determined:
        raise UndeterminedError(
            f"{aligned.inputs.clip.path}: the offset to {aligned.inputs.speed_log.path} cannot be "
            f"determined: {aligned.alignment.reason}; give --offset SECONDS if you know it"
        )


def named_short(path: str) -> str:
    """A file's name without its folder, at most 18 characters of it."""
    name = path.replace("\\", "/").rsplit("/", 1)[-1]
    return name if len(name) <= 18 else f"{name[:15]}..."


__all__ = [
    "AlignedRun",
    "InputError",
    "RunAnalysis",
    "RunInputs",
    "SplitGoal",
    "align_run",
    "analyse_run",
    "boxes_of",
    "measure_motion",
    "read_inputs",
    "require_determined",
    "with_offset",
]
