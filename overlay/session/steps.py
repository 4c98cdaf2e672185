"""The steps of one run after its files are read: align, correct, analyse.

Each is a function of what the step before gave; nothing is written.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial

from overlay.errors import MismatchError, UndeterminedError
from overlay.footage.ahead import ahead
from overlay.footage.model import ClipFacts, LumaFrame
from overlay.footage.survey import frames_within, moving_stretches
from overlay.motion import ground_signal, motion_onset, motion_signal
from overlay.motion.camera import Camera
from overlay.motion.model import Box, MotionSignal
from overlay.progress import Progress, silent, staged
from overlay.runs import find_launch, find_marks, smooth, splits, with_common_error
from overlay.runs.marks import find_heard_cuts
from overlay.runs.model import Kinematics, SplitGoal
from overlay.series import Series
from overlay.session.by_engine import by_engine
from overlay.session.inputs import left_out
from overlay.session.model import AlignedRun, CorrectedRun, RunAnalysis, RunInputs
from overlay.session.sound import rpm_heard, rpm_timing, with_rpm_timing
from overlay.sync import estimate_offset
from overlay.sync.model import Alignment
from overlay.sync.rounding import raised
from overlay.units import Z95

SHORTEST_S = 1.0
LONG_S, WHOLE_SHARE = 120.0, 0.9
WIDE_HALF_S = 0.08  # an interval as wide is worth a closer look at the ground
CELLS_WIDTH_PX, CORNERS_WIDTH_PX = 320, 640  # of the pictures that each way of measuring takes


def align(
    inputs: RunInputs, *, seen: AlignedRun | None = None, progress: Progress = silent
) -> AlignedRun:
    """Set the logs against the footage, by motion in the picture and the engine's sound.

    Where the picture cannot tell, revs or a wheel's speed stand in for it (`by_engine`). An offset
    that the options give is taken instead of the measured one.

    Parameters
    ----------
    inputs : RunInputs
        From :func:`overlay.session.load`.
    seen : AlignedRun, optional
        What :func:`measured` gave for these inputs before; the clip is not watched again.
    progress : callable
        Told of the stage ``watching CLIP``.

    Returns
    -------
    AlignedRun
        Its alignment may be not determined; then it says why.

    Raises
    ------
    InputError
        If the clip cannot be decoded.
    """
    return with_rpm_timing(with_given_offset(by_engine(seen or measured(inputs, progress))))


def measured(inputs: RunInputs, progress: Progress = silent) -> AlignedRun:
    """The alignment by motion in the picture alone."""
    watch = Watch(inputs.clip, left_out(inputs), inputs.options.angle_of_view_deg, progress)
    motion, alignment = best_alignment(
        watch.motion(),
        # Where the ground was followed already, in vain, it is not followed again.
        lambda cells: (
            None
            if watch.followed
            else ground_signal(
                watch.closer(), cells, ignore=watch.ignore, angle_deg=watch.angle_deg
            )
        ),
        partial(estimated, inputs),
    )
    notes = (*alignment.notes, *_watched_lines(inputs.clip, motion), *taken_lines(inputs))
    return AlignedRun(inputs, motion, replace(alignment, notes=notes))


def estimated(inputs: RunInputs, motion: MotionSignal) -> Alignment:
    """The alignment that a motion signal gives."""
    same_clock, late_s = inputs.options.same_clock, inputs.speed_log.extra_lag_s
    found = estimate_offset(
        motion,
        inputs.speed,
        same_clock=same_clock,
        extra_lag_s=late_s,
        rounding=inputs.options.rounding,
    )
    return found.widened(inputs.options.log_sigma_s)


def _watched_lines(clip: ClipFacts, motion: MotionSignal) -> Iterator[str]:
    """How much of the clip was looked at, where that is not all of it, and by what camera."""
    watched_s = float(motion.span_s.sum())
    if watched_s < WHOLE_SHARE * clip.duration_s and clip.duration_s >= LONG_S:
        yield (
            f"motion was measured in {watched_s:.0f} of the clip's {clip.duration_s:.0f} s, "
            "where its key frames show that the vehicle moves"
        )
    if motion.camera is not None:
        yield _camera_line(motion.camera)


def _camera_line(camera: Camera) -> str:
    """How the camera was taken to look, with its doubt."""
    value, low, high = camera.angle_of_view_deg()
    sure = f", {low:.0f} to {high:.0f} (95 %)" if camera.relative_sigma else ", as given"
    bent = ", through a lens that bends straight lines" if camera.lens else ""
    tilt, turn = camera.down_deg, camera.left_deg
    return (
        f"corners on the ground were followed; angle of view {value:.0f} degrees across the "
        f"picture's longer side{sure}{bent}; the camera looks {abs(tilt):.0f} degrees "
        f"{'down' if tilt >= 0 else 'up'} and {abs(turn):.0f} to the "
        f"{'left' if turn >= 0 else 'right'} of the way"
    )


def taken_lines(inputs: RunInputs) -> Iterator[str]:
    """What was taken from the logs where they leave a choice, a sentence each."""
    if inputs.speed_log.clock == "footage":
        yield f"the speed is the {inputs.speed_log.speed_source}, on the footage's clock"
    for log in dict.fromkeys((inputs.speed_log, inputs.rpm_log)):
        if log is not None and log.columns:
            yield f"{named_short(log.path)}: {log.columns} (--column takes others)"


def best_alignment(
    motion: MotionSignal,
    closer: Callable[[MotionSignal], MotionSignal | None],
    estimate: Callable[[MotionSignal], Alignment],
) -> tuple[MotionSignal, Alignment]:
    """The alignment by a signal, or by the ground alone where that tells more.

    Where the ground speaks against the log, there is no answer.

    Parameters
    ----------
    motion : MotionSignal
    closer : callable
        Gives the signal of the ground alone, or None; asked only where the first signal gives no
        answer, or one of wide interval, though the picture moves.
    estimate : callable
        From a signal to the alignment.
    """
    from overlay.sync.refusal import OTHER_LOG, TOO_LITTLE

    first = estimate(motion)
    if motion.reason is not None or motion.gain_errors.by_ground or _half_s(first) <= WIDE_HALF_S:
        return motion, first
    ground = closer(motion)
    if ground is None:
        return motion, first
    again = estimate(ground)
    # A log that the ground speaks against is not saved by a picture that tells less.
    decides = again.reason in (OTHER_LOG, TOO_LITTLE) or _half_s(again) < _half_s(first)
    return (ground, again) if decides else (motion, first)


def _half_s(alignment: Alignment) -> float:
    """Half the 95 % interval; infinite where there is none."""
    interval = alignment.interval_s
    return math.inf if interval is None else (interval[1] - interval[0]) / 2


@dataclass(eq=False)
class Watch:
    """A clip's pictures as motion is measured in them; of a long clip only where it moves.

    `followed` says whether the larger pictures were asked for.
    """

    clip: ClipFacts
    ignore: Sequence[Box] = ()
    angle_deg: float | None = None
    progress: Progress = silent
    followed: bool = False

    def motion(self) -> MotionSignal:
        """The motion signal, outside the parts to ignore."""
        pictures = self._frames(CELLS_WIDTH_PX, "watching")
        signal = motion_signal(
            pictures, ignore=self.ignore, larger=self.closer, angle_deg=self.angle_deg
        )
        self.progress(f"watching {named_short(self.clip.path)}", 1.0)
        return signal

    def closer(self) -> Iterator[LumaFrame]:
        """Larger pictures, by which corners on the ground are followed."""
        self.followed = True
        return self._frames(CORNERS_WIDTH_PX, "watching the ground in")

    @cached_property
    def _stretches(self) -> list[tuple[float, float]] | None:
        return moving_stretches(self.clip)

    def _frames(self, width: int, stage: str) -> Iterator[LumaFrame]:
        tell = staged(self.progress, f"{stage} {named_short(self.clip.path)}")
        for frame in ahead(frames_within(self.clip.path, self._stretches, width=width)):
            tell(frame.t_s / max(self.clip.duration_s, 1e-9))
            yield frame


def measure_motion(
    clip: ClipFacts, *, ignore: Sequence[Box] = (), progress: Progress = silent
) -> MotionSignal:
    """Motion in a clip, outside the parts to ignore; of a long one only where it moves."""
    return Watch(clip, ignore, progress=progress).motion()


def with_given_offset(aligned: AlignedRun) -> AlignedRun:
    """The run with the total offset that its options give, in place of the measured one.

    It has no interval, since nobody measured how sure it is. On the footage's own clock the clock
    offset is 0 and the lag is all of it; else what tells the two apart comes later.
    """
    options, old = aligned.inputs.options, aligned.alignment
    if options.offset_s is None:
        return aligned
    smoothing_s = old.smoothing_s if old.determined else 0.0
    clock_s = 0.0 if options.same_clock else None
    known = Alignment(
        determined=True,
        total_offset_s=options.offset_s,
        clock_offset_s=clock_s,
        readout_lag_s=None if clock_s is None else options.offset_s - clock_s,
        delay_s=options.offset_s - smoothing_s,
        smoothing_s=smoothing_s,
        drift_ppm=old.drift_ppm,
        drift_about_s=old.drift_about_s,
        raised_mps=old.raised_mps,
        raised_sigma_mps=old.raised_sigma_mps,
        reason=None if clock_s is not None else "lag and clock offset are given as one sum",
        notes=(*old.notes, "The total offset is as given, not measured."),
    )
    return replace(aligned, alignment=known)


def correct(aligned: AlignedRun) -> CorrectedRun:
    """Remove the receiver's lag: speed, launch and revs on footage time.

    Raises
    ------
    UndeterminedError
        If the alignment is not determined; or, where the options ask for the lag to be left in,
        if it is not known apart from the clock offset.
    MismatchError
        If log and footage share less than a second.
    """
    require_determined(aligned)
    found, options = aligned.alignment, aligned.inputs.options
    kinematics = _kinematics(aligned)
    is_measured = found.interval_s is not None or not options.corrected
    # A late readout is judged by itself: the picture would put the launch right that it shows
    # wrongly. Nor is the launch moved where the offset is given: splits then come from the log
    # alone, and an error of the offset shifts launch and goals alike.
    onset = motion_onset(aligned.motion) if options.corrected and is_measured else None
    launch = find_launch(
        kinematics,
        motion_onset_s=None if onset is None else onset.t_s,
        motion_onset_sigma_s=None if onset is None else onset.sigma_s,
        motion_onset_soft_sigma_s=0.0 if onset is None else onset.soft_sigma_s,
    )
    rpm, is_heard = _rpm(aligned)
    if not is_measured:
        kinematics = replace(kinematics, timing_sigma_s=math.nan)
    return CorrectedRun(aligned, kinematics, launch, rpm, is_heard)


def analyse(run: CorrectedRun, goals: Sequence[SplitGoal] = ()) -> RunAnalysis:
    """Time the splits of a run and mark what spoiled parts of it.

    Parameters
    ----------
    run : CorrectedRun
    goals : sequence of SplitGoal
        See :func:`overlay.runs.parse_goal`.
    """
    kinematics = run.kinematics
    if math.isnan(kinematics.timing_sigma_s):
        kinematics = replace(kinematics, timing_sigma_s=0.0)  # of the log's own times
    logged = None if run.rpm_from_sound else run.rpm
    marks = find_marks(kinematics, run.launch, rpm=logged, driveline=run.machine.driveline)
    if run.rpm_from_sound and run.rpm is not None:
        cuts = find_heard_cuts(kinematics, run.launch, run.rpm)
        marks = tuple(sorted((*marks, *cuts), key=lambda mark: (mark.start_s, mark.kind)))
    return RunAnalysis(
        run.aligned,
        run.kinematics,
        run.launch,
        run.rpm,
        run.rpm_from_sound,
        splits=splits(kinematics, run.launch, goals),
        marks=marks,
    )


def require_determined(aligned: AlignedRun) -> None:
    """Refuse to go on without an offset.

    Raises
    ------
    UndeterminedError
        With the reason.
    """
    if not aligned.alignment.determined:
        raise UndeterminedError(
            f"{aligned.clip.path}: the offset to {aligned.inputs.speed_log.path} cannot be "
            f"determined: {aligned.alignment.reason}; if you know it, give it by "
            "--offset SECONDS, or offset_s in a day sheet"
        )


def named_short(path: str) -> str:
    """A file's name without its folder, at most 18 characters of it."""
    name = path.replace("\\", "/").rsplit("/", 1)[-1]
    return name if len(name) <= 18 else f"{name[:15]}..."


def _kinematics(aligned: AlignedRun) -> Kinematics:
    """Motion of the vehicle where log and footage overlap."""
    inputs, found = aligned.inputs, aligned.alignment
    corrected = inputs.options.corrected
    delay_s, smoothing_s, sigma_s = found.delay_s, found.smoothing_s, 0.0
    if found.interval_s is not None:
        sigma_s = (found.interval_s[1] - found.interval_s[0]) / (2 * Z95)
    if not corrected:
        if found.clock_offset_s is None:
            raise UndeterminedError(
                f"{inputs.clip.path}: cannot be drawn uncorrected, since the lag is not known "
                "apart from the clock offset; give --same-clock for the camera's own GPS"
            )
        delay_s, smoothing_s, sigma_s = found.clock_offset_s, 0.0, 0.0
    speed = raised(found.steadied(inputs.speed), found.raised_mps if corrected else 0.0)
    start_s = max(0.0, float(speed.t_s[0]) - delay_s)
    end_s = min(inputs.clip.duration_s, float(speed.t_s[-1]) - delay_s)
    if end_s - start_s < SHORTEST_S:
        given_s = inputs.options.offset_s
        by = "" if given_s is None else f" with the offset of {given_s:g} s that was given"
        remedy = "name the log of this run" + ("" if given_s is None else ", or another offset")
        raise MismatchError(
            f"{inputs.speed_log.path}: covers {max(0.0, end_s - start_s):.1f} s of "
            f"{inputs.clip.path}{by}; {remedy}"
        )
    curves = smooth(
        speed,
        delay_s=delay_s,
        smoothing_s=smoothing_s,
        timing_sigma_s=sigma_s,
        start_s=start_s,
        end_s=end_s,
    )
    return with_common_error(curves, found.raised_sigma_mps if corrected else 0.0)


def _rpm(aligned: AlignedRun) -> tuple[Series | None, bool]:
    """Engine speed on footage time, and whether it was heard and not logged."""
    inputs, timing = aligned.inputs, rpm_timing(aligned.alignment)
    if inputs.rpm_log is None:
        heard = rpm_heard(aligned) if inputs.options.rpm_from_sound else None
        return heard, heard is not None
    logged = inputs.rpm_log.rpm
    if logged is None or timing is None:
        return None, False
    if inputs.rpm_log is inputs.speed_log:
        logged = aligned.alignment.steadied(logged)  # one clock for both
    return logged.shifted(-timing.offset_s), False
