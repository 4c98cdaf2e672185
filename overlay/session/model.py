"""One run, step by step: what is given of it, and what each step adds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

from overlay.footage.model import ClipFacts
from overlay.logs.model import Log
from overlay.motion.model import MotionSignal
from overlay.runs.course import Course
from overlay.runs.model import Kinematics, Launch, Mark, Split
from overlay.series import Series
from overlay.session.machine import Machine
from overlay.sync.model import Alignment
from overlay.sync.rounding import Rounding

PixelBox = tuple[int, int, int, int]


@dataclass(frozen=True)
class RunOptions:
    """What is known or wanted of one run, apart from how a film of it looks.

    Attributes
    ----------
    same_clock : bool
        Whether the speed log runs on the footage's clock (0 s, or for a log in UTC its first
        record, is the first frame).
    offset_s : float or None
        Total offset (log time minus footage time of the same event) that the user gives; it is
        taken instead of the measured one, and has no interval.
    columns : mapping or None
        Column map for tables, see :func:`overlay.logs.read_log`.
    machine : Machine
        Gearing, limits and engine, as far as they are known.
    covers : tuple of (x, y, w, h) in pixels
        Parts of the picture that are hidden in a film, and left out when motion is measured.
    ignore : tuple of (x, y, w, h)
        Parts left out when motion is measured and shown all the same; pixels, or shares of the
        picture where all four are at most 1.
    angle_of_view_deg : float or None
        Across the longer side of the picture, where it is known; else found in the clip.
    corrected : bool
        False leaves the receiver's lag in, for comparison.
    rounding : str
        How the figures of a speed log in coarse steps came about, see
        :func:`overlay.sync.estimate_offset`.
    log_sigma_s : float
        Standard uncertainty of the speed log's times, common to all of them.
    rpm_from_sound : bool
        Whether engine speed is heard in the clip's sound where no log has it.
    """

    same_clock: bool = False
    offset_s: float | None = None
    columns: Mapping[str, str] | None = None
    machine: Machine = field(default=Machine())
    covers: tuple[PixelBox, ...] = ()
    ignore: tuple[tuple[float, float, float, float], ...] = ()
    angle_of_view_deg: float | None = None
    corrected: bool = True
    rounding: Rounding = "unknown"
    log_sigma_s: float = 0.0
    rpm_from_sound: bool = False


@dataclass(frozen=True, eq=False)
class RunInputs:
    """A clip, its logs, and which of them gives what."""

    clip: ClipFacts
    logs: tuple[Log, ...]
    speed_log: Log  # the log whose speed is used
    rpm_log: Log | None  # the log whose RPM is used
    options: RunOptions = field(default=RunOptions())

    @property
    def speed(self) -> Series:
        """Speed in m/s on its log's clock."""
        assert self.speed_log.speed is not None
        return self.speed_log.speed

    def on_part_from(self, start_s: float) -> RunInputs:
        """The same for logs that were read for a longer clip, of which this one is a part.

        Parameters
        ----------
        start_s : float
            Time in the longer clip at which this one starts.
        """
        moved: dict[int, Log] = {}
        for log in self.logs:
            channels: dict[str, Any] = {n: s.shifted(-start_s) for n, s in log.channels.items()}
            moved[id(log)] = replace(log, channels=channels)
        return replace(
            self,
            logs=tuple(moved[id(log)] for log in self.logs),
            speed_log=moved[id(self.speed_log)],
            rpm_log=None if self.rpm_log is None else moved[id(self.rpm_log)],
        )


@dataclass(frozen=True, eq=False)
class AlignedRun:
    """A run's logs set against its footage."""

    inputs: RunInputs
    motion: MotionSignal  # what the picture shows
    # How the logs lie against it; `alignment.determined` says whether that is known at all.
    alignment: Alignment

    @property
    def clip(self) -> ClipFacts:
        """Facts of the clip."""
        return self.inputs.clip


@dataclass(frozen=True, eq=False)
class CorrectedRun:
    """A run's curves on footage time, the receiver's lag removed."""

    aligned: AlignedRun
    # Speed, acceleration and distance; `timing_sigma_s` is NaN where the offset was given by the
    # user, since nothing says how sure that is.
    kinematics: Kinematics
    launch: Launch | None  # None when the record starts while moving
    rpm: Series | None = None  # engine speed
    rpm_from_sound: bool = False  # whether `rpm` was heard in the clip's sound, and not logged

    @property
    def clip(self) -> ClipFacts:
        """Facts of the clip."""
        return self.aligned.inputs.clip

    @property
    def alignment(self) -> Alignment:
        """How the logs lie against the footage."""
        return self.aligned.alignment

    @property
    def options(self) -> RunOptions:
        """What was known or wanted of the run."""
        return self.aligned.inputs.options

    @property
    def machine(self) -> Machine:
        """The vehicle, as far as it is known."""
        return self.options.machine


@dataclass(frozen=True, eq=False)
class RunAnalysis(CorrectedRun):
    """Everything known of one run, on footage time."""

    splits: tuple[Split, ...] = ()  # in the order of the goals
    marks: tuple[Mark, ...] = ()  # what spoiled parts of the run, in order of time

    @cached_property
    def course(self) -> Course:
        """The run as functions of footage time."""
        return Course(
            self.kinematics,
            launch=self.launch,
            splits=self.splits,
            marks=self.marks,
            rpm=self.rpm,
            rpm_per_mps=self.machine.rpm_per_mps,
        )
