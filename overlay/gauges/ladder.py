"""Ladder: one rung a split.

A rung fills while its goal is approached and keeps its time, with its ±, once passed. Parts that
wheelspin or the limiter spoiled keep those colours in the rung; a goal never reached says why.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from overlay.errors import UsageError
from overlay.gauges.base import Even, Gauge, State, Subject, chip, paste, plate, tiles_on_plate
from overlay.gauges.blend import lay_columns
from overlay.gauges.canvas import Box, Canvas, Rgba
from overlay.gauges.palette import BUILD_HUES, CUT, GROUND, INK, QUIET_INK, SPIN, TOOTH, Color
from overlay.gauges.type import ALL, Tiles, face, plus_minus
from overlay.runs.course import Course, SplitAt
from overlay.units import Z95

Spoiler = Literal["wheelspin", "limiter"]
SPOILERS: dict[str, Spoiler] = {"wheelspin": "wheelspin", "limiter cut": "limiter"}
SPOILER_HUES: dict[Spoiler, Color] = {"wheelspin": SPIN, "limiter": CUT}
ADVANCE_IN_CAPS = 0.856  # one advance over the height of digits (0.65 em over 0.76 em)
COMPACT_SHARE = 0.75  # text smaller than this share of what the height allows gives up its tags
PM_TEXT = "±.88"
RUNG_STEPS = 200  # finer than a rung shows


@dataclass(frozen=True)
class SpoiledPart:
    """A part of a rung that something spoiled, as fractions of the rung, 0 to 1."""

    kind: Spoiler
    start: float
    end: float


@dataclass(frozen=True)
class RungState:
    """One split at one instant."""

    # ``waiting`` (nothing yet), ``filling``, ``passed`` or ``missed`` (never reached).
    status: Literal["waiting", "filling", "passed", "missed"]
    # How far toward the goal, 0 to 1, in the goal's own quantity; used while filling or missed.
    progress: float = 0.0
    time_s: float | None = None  # time from launch, when passed
    sigma_s: float | None = None  # its standard uncertainty
    spoiled: tuple[SpoiledPart, ...] = ()  # what spoiled it, and where
    reason: str = ""  # why it was missed, a few words

    @property
    def reach(self) -> float:
        """How much of the rung is done, 0 to 1: nothing is marked before it has happened."""
        if self.status == "passed":
            return 1.0
        if self.status == "waiting" or not math.isfinite(self.progress):
            return 0.0
        return min(1.0, max(0.0, self.progress))


@dataclass(frozen=True)
class LadderValues:
    """All splits at one instant, in the order of the ladder's labels."""

    rungs: tuple[RungState, ...]


def ladder_values(course: Course, t_s: float) -> LadderValues:
    """Every split: how far toward it, and its time from launch once it is passed."""
    return LadderValues(tuple(_rung(course, at) for at in course.splits_at(t_s)))


def _rung(course: Course, at: SplitAt) -> RungState:
    split = at.split
    if at.status == "passed":
        return RungState("passed", 1.0, split.time_s, split.total_sigma_s, _spoiled(course, at))
    if at.status == "missed":
        reason = (split.reason or "not reached").split(";")[0].split(":")[0]
        return RungState("missed", at.progress, reason=reason)
    return RungState("filling" if at.status == "filling" else "waiting", at.progress)


def _spoiled(course: Course, at: SplitAt) -> tuple[SpoiledPart, ...]:
    """Marks that fall between launch and the split, as parts of the rung's whole time."""
    if course.launch is None or at.split.at_s is None:
        return ()
    start, end = course.launch.at_s, at.split.at_s
    parts = []
    for mark in course.marks:
        if mark.kind in SPOILERS and mark.start_s < end and mark.end_s > start and end > start:
            low, high = ((edge - start) / (end - start) for edge in (mark.start_s, mark.end_s))
            parts.append(SpoiledPart(SPOILERS[mark.kind], max(0.0, low), min(1.0, high)))
    return tuple(parts)


class Ladder(Gauge[LadderValues]):
    """A ladder for one size, list of goals and hue.

    Parameters
    ----------
    labels : sequence of str
        One a rung, from the top, such as ``20 mph``; long ones are cut.
    hue : Color
        Of the build.

    Raises
    ------
    UsageError
        If there is no rung or too little room for so many.
    """

    called = "ladder"
    least_size = (120, 32)
    heading, columns = "Ladder · splits", 3

    def __init__(
        self, width: int, height: int, *, labels: Sequence[str], hue: Color = BUILD_HUES[0]
    ) -> None:
        super().__init__(width, height)
        if not labels:
            raise UsageError("ladder: needs one goal at least; name splits in the day sheet")
        self.labels = tuple(labels)
        self._pad = round(min(0.05 * width, 0.24 * height / len(labels)))
        self._pitch = (height - 1.2 * self._pad) / len(labels)
        longest = max(len(label) for label in labels)
        # Columns in advances of the label's face: label, gap, time and its ±; then gap and tag.
        columns, tag_columns = longest + 0.6 + 4.55 + 0.5 + 3.52, 3.6
        cap = 0.495 * self._pitch
        room = (width - 2 * self._pad) / ADVANCE_IN_CAPS
        if room / (columns + tag_columns) > COMPACT_SHARE * cap:
            columns += tag_columns  # else the colours in the rung must do
        cap = min(cap, room / columns)
        if self._pitch < 14 or cap < 4:
            raise UsageError(
                f"ladder: {len(labels)} rungs do not fit {width}×{height} px; "
                "show fewer splits or make it larger"
            )
        self.smallest_digits_px = cap
        self._bar_px = max(2, round(0.13 * self._pitch))
        self._label = tiles_on_plate(cap, characters=ALL)
        self._label_lit = tiles_on_plate(cap, ink=INK, characters=ALL)
        self._time = tiles_on_plate(cap, bold=True, ink=INK)
        self._pm = tiles_on_plate(cap)
        self._reason = tiles_on_plate(cap * 0.82, characters=ALL)
        tag = face(cap * 0.54, bold=True)
        self._tags = {
            "wheelspin": chip("spin", tag, SPIN, pad_share=0.34),
            "limiter": chip("cut", tag, CUT, pad_share=0.34),
        }
        base = plate(width, height, corner_px=min(0.06 * width, 0.3 * self._pitch))
        self._empty, self._full = self._rungs(base, TOOTH).rgba(), self._rungs(base, hue).rgba()
        self._spoiled = {kind: self._rungs(base, its).rgba() for kind, its in SPOILER_HUES.items()}
        missed = self._rungs(base, GROUND)
        period = max(5.0, 1.6 * self._bar_px)
        for index in range(len(labels)):
            box = self._bar_box(index)
            missed.hatched_box(box, QUIET_INK, period_px=period, share=0.35, alpha=0.5)
        self._missed = missed.rgba()

    def _rows(self, index: int) -> slice:
        bottom = round(0.6 * self._pad + (index + 1) * self._pitch - 0.14 * self._pitch)
        return slice(bottom - self._bar_px, bottom)

    def _bar_box(self, index: int) -> Box:
        rows = self._rows(index)
        return self._pad, rows.start, self.size[0] - self._pad, rows.stop

    def _rungs(self, base: Canvas, color: Color) -> Canvas:
        canvas = base.copy()
        for index in range(len(self.labels)):
            canvas.box(self._bar_box(index), color, radius=self._bar_px / 2)
        return canvas

    @classmethod
    def of(cls, subject: Subject, width: int, height: int) -> Ladder:
        """Splits of the first run."""
        labels = [split.goal.label for split in subject.run.splits]
        return cls(width, height, labels=labels, hue=subject.hues[0])

    @classmethod
    def has_something(cls, subject: Subject) -> bool:
        """Whether the first run has splits, and a launch that they count from."""
        return bool(subject.run.splits) and subject.run.launch is not None

    @staticmethod
    def values(subject: Subject, t_s: float) -> LadderValues:
        """As :func:`ladder_values`."""
        return ladder_values(subject.run.course, t_s)

    def seen(self, values: LadderValues) -> Hashable:
        """State and fill of each rung."""
        return tuple((rung.status, round(RUNG_STEPS * rung.progress)) for rung in values.rungs)

    def draw(self, values: LadderValues) -> Rgba:
        """Rungs, times and tags.

        Raises
        ------
        UsageError
            If there are not as many rungs as labels.
        """
        if len(values.rungs) != len(self.labels):
            raise UsageError(
                f"ladder: {len(values.rungs)} rung states for {len(self.labels)} rungs; "
                "give one for each"
            )
        frame = self._over(self._empty)
        for index, state in enumerate(values.rungs):
            rows = self._rows(index)
            self._draw_bar(frame, rows, state)
            self._write(frame, self.labels[index], rows.start - round(0.18 * self._pitch), state)
        return frame

    def _x(self, share: float) -> float:
        return self._pad + min(1.0, max(0.0, share)) * (self.size[0] - 2 * self._pad)

    def _draw_bar(self, frame: Rgba, rows: slice, state: RungState) -> None:
        if state.status == "missed":
            lay_columns(frame, self._missed, rows, 0.0, float(self.size[0]))
        lay_columns(frame, self._full, rows, 0.0, self._x(state.reach))
        for part in state.spoiled:
            end = self._x(min(part.end, state.reach))
            lay_columns(frame, self._spoiled[part.kind], rows, self._x(part.start), end)

    def _write(self, frame: Rgba, text: str, baseline: int, state: RungState) -> None:
        lit = state.status in ("filling", "passed")
        left = (self._label_lit if lit else self._label).write(frame, text, self._pad, baseline)
        right = self.size[0] - self._pad
        if state.status == "missed":
            room = right - left - self._reason.face.advance_px
            text = _cut_to(state.reason or "not reached", self._reason, room)
            self._reason.write_right(frame, text, right, baseline)
            return
        if state.time_s is not None and state.status == "passed":
            # Time and its ± in columns of their own.
            if state.sigma_s is not None and math.isfinite(state.sigma_s):
                pm = plus_minus(Z95 * state.sigma_s, 2)
                self._pm.write_right(frame, pm, right, baseline)
            right -= self._pm.width(PM_TEXT) + round(0.4 * self.smallest_digits_px)
            right = self._time.write_right(frame, f"{state.time_s:.2f}", right, baseline)
            right -= round(0.22 * self.smallest_digits_px)
        self._write_tags(frame, state, (left, right), baseline)

    def _write_tags(
        self, frame: Rgba, state: RungState, room: tuple[int, int], baseline: int
    ) -> None:
        (left, right), cap = room, self.smallest_digits_px
        for kind in dict.fromkeys(p.kind for p in state.spoiled if p.start < state.reach):
            tile = self._tags[kind]
            if right - tile.shape[1] <= left:
                return
            right -= tile.shape[1]
            paste(frame, tile, right, baseline - round(cap / 2) - tile.shape[0] // 2)
            right -= round(0.15 * cap)

    @classmethod
    def states(cls, even: Even) -> Iterator[State]:
        """Before, under way, passed, and missed."""
        ladder = cls(even(540), even(290), labels=("10 mph", "20 mph", "30 mph", "60 m"))
        spin = (SpoiledPart("wheelspin", 0.12, 0.4),)
        cut = (SpoiledPart("limiter", 0.62, 0.7),)
        two = (RungState("passed", 1.0, 1.42, 0.021), RungState("passed", 1.0, 3.05, 0.024, spin))
        yield "before launch", ladder, LadderValues((RungState("waiting"),) * 4)
        third, fourth = RungState("filling", 0.74, spoiled=cut), RungState("filling", 0.66)
        yield "under way", ladder, LadderValues((*two, third, fourth))
        third = RungState("passed", 1.0, 6.61, 0.03, spin + cut)
        fourth = RungState("passed", 1.0, 7.18, 0.02)
        yield "all passed", ladder, LadderValues((*two, third, fourth))
        third = RungState("missed", 0.88, reason="not reached")
        fourth = RungState("missed", 0.5, reason="gap in the log")
        yield "not reached, and why", ladder, LadderValues((*two, third, fourth))


def _cut_to(text: str, tiles: Tiles, room_px: int) -> str:
    """The words of `text` that fit."""
    while tiles.width(text) > room_px and " " in text:
        text = text.rsplit(" ", 1)[0]
    return text if tiles.width(text) <= room_px else ""
