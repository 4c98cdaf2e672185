"""Track strip: how far along the run each build is, one lane a build."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from overlay.errors import UsageError
from overlay.gauges.base import Even, Gauge, State, Subject, draw_ticks, plate, share_of, steps
from overlay.gauges.blend import lay_columns
from overlay.gauges.canvas import Box, Canvas, Rgba
from overlay.gauges.palette import GROUND, INK, QUIET_INK, TRACK, Color, build_hue, mix
from overlay.gauges.scales import Ticks, distance_ticks, strip_length_m
from overlay.gauges.type import face, put_text
from overlay.runs.course import Course


@dataclass(frozen=True)
class StripValues:
    """Distance from launch of each build at one instant, in metres; NaN when not known."""

    distances_m: tuple[float, ...]


def strip_values(courses: Sequence[Course], t_s: float, *, since_launch: bool) -> StripValues:
    """Distance of each run from its own launch, m.

    Parameters
    ----------
    since_launch : bool
        Whether `t_s` counts from each run's launch; a run that is over stays where it ended.
    """
    return StripValues(
        tuple(c.from_launch_m(c.held_s(t_s) if since_launch else t_s) for c in courses)
    )


class Strip(Gauge[StripValues]):
    """A track strip for one size, length and set of builds.

    Parameters
    ----------
    length_m : float
        Distance at the right end, metres.
    names : sequence of str
        One a build, one to four.
    hues : sequence of Color, optional
        Of the builds; their own hues by default.
    ticks : sequence of (float, str)
        Distances in metres with the text to stand below each; crowded texts are left out.
    """

    called = "track strip"
    least_size = (160, 36)
    heading, columns = "Track strip · distance along the run", 3

    def __init__(
        self,
        width: int,
        height: int,
        *,
        length_m: float,
        names: Sequence[str],
        hues: Sequence[Color] | None = None,
        ticks: Ticks = (),
    ) -> None:
        super().__init__(width, height)
        self._require_scale(length_m, "m", "length")
        if not 1 <= len(names) <= 4:
            raise UsageError(f"track strip: {len(names)} builds; it shows one to four")
        self.length_m = length_m
        hues = hues or [build_hue(index) for index in range(len(names))]
        self._pad = round(min(0.1 * height, 0.04 * width))
        self.smallest_digits_px = cap = min(0.195 * height, 0.06 * width)
        self._lane_pitch = (height - 2 * self._pad - 1.45 * cap) / len(names)
        name_face = face(min(0.74 * self._lane_pitch, cap))
        letters = min(max(len(name) for name in names), int(0.3 * width / name_face.advance_px))
        self._peg = max(4, round(min(0.8 * self._lane_pitch, 0.22 * height) / 2) * 2)
        self.x0 = self._pad + letters * name_face.advance_px + round(1.1 * self._peg)
        self.x1 = width - self._pad - self._peg // 2 - 1
        base = plate(width, height)
        for index, name in enumerate(names):
            shown = name if len(name) <= letters else name[: letters - 1].rstrip() + "."
            baseline = self._middle(index) + name_face.cap_px / 2
            put_text(base, shown, self._pad, baseline, name_face, INK)
        self._draw_scale(base, ticks)
        lanes, trails, blank = base.copy(), base.copy(), base.copy()
        for index, hue in enumerate(hues):
            box = self._lane_box(index)
            radius = (box[3] - box[1]) / 2
            lanes.box(box, TRACK, radius=radius)
            trails.box(box, mix(hue, TRACK, 0.35), radius=radius)
            blank.hatched_box(box, QUIET_INK, period_px=max(5.0, 2 * radius), alpha=0.5)
        self._lanes, self._trails, self._blank = lanes.rgba(), trails.rgba(), blank.rgba()
        self._pegs = [self._make_peg(hue) for hue in hues]

    def _make_peg(self, hue: Color) -> Rgba:
        """The marker of one build, with a dark rim that parts it from its trail."""
        canvas = Canvas(self._peg, self._peg)
        rim = max(1.0, 0.1 * self._peg)
        canvas.box((0, 0, self._peg, self._peg), GROUND, radius=0.34 * self._peg)
        canvas.box((rim, rim, self._peg - rim, self._peg - rim), hue, radius=0.34 * self._peg - rim)
        return canvas.rgba()

    def _middle(self, index: int) -> int:
        return round(self._pad + (index + 0.5) * self._lane_pitch)

    def _lane_box(self, index: int) -> Box:
        half = max(1, round(0.16 * self._peg))
        middle = self._middle(index)
        return self.x0 - half, middle - half, self.x1 + half, middle + half

    def _draw_scale(self, canvas: Canvas, ticks: Ticks) -> None:
        width, height = self.size
        label = face(self.smallest_digits_px)
        baseline = round(height - self._pad * 0.9)
        bottom = baseline - label.cap_px - max(1.0, 0.1 * label.cap_px)
        inside = [(self._x(d), text) for d, text in sorted(ticks) if 0 <= d <= self.length_m]
        box = (self._pad, self._pad, width - self._pad, bottom)
        draw_ticks(canvas, inside, box, baseline, label, max(1.0, 0.014 * height), faint=True)

    def _x(self, distance_m: float) -> float:
        return self.x0 + share_of(distance_m, self.length_m) * (self.x1 - self.x0)

    @classmethod
    def of(cls, subject: Subject, width: int, height: int) -> Strip:
        """All runs, with ticks at the first one's distance goals."""
        length_m = strip_length_m(subject.courses)
        ticks = distance_ticks([split.goal for split in subject.run.splits], length_m)
        names, hues = subject.names, subject.hues
        return cls(width, height, length_m=length_m, names=names, hues=hues, ticks=ticks)

    @classmethod
    def has_something(cls, subject: Subject) -> bool:
        """Whether the first run has a launch to count from."""
        return subject.run.launch is not None

    @staticmethod
    def values(subject: Subject, t_s: float) -> StripValues:
        """As :func:`strip_values`."""
        return strip_values(subject.courses, t_s, since_launch=subject.since_launch)

    def seen(self, values: StripValues) -> Hashable:
        """Quarters of the width of a pixel, or nearly so."""
        fine = self.length_m / (4 * self.size[0])
        return tuple(steps(gone, fine) for gone in values.distances_m)

    def draw(self, values: StripValues) -> Rgba:
        """Trails and pegs.

        Raises
        ------
        UsageError
            If there are not as many distances as builds.
        """
        if len(values.distances_m) != len(self._pegs):
            raise UsageError(
                f"track strip: {len(values.distances_m)} distances for {len(self._pegs)} builds; "
                "give one for each"
            )
        frame = self._over(self._lanes)
        for index, distance_m in enumerate(values.distances_m):
            _, top, _, bottom = self._lane_box(index)
            rows = slice(int(top), int(bottom))
            if not math.isfinite(distance_m):
                lay_columns(frame, self._blank, rows, 0.0, self.size[0])
                continue
            x = self._x(distance_m)
            lay_columns(frame, self._trails, rows, 0.0, x)
            self._put_peg(frame, index, x)
        return frame

    def _put_peg(self, frame: Rgba, index: int, x: float) -> None:
        peg = self._pegs[index]
        left = min(max(0, round(x) - self._peg // 2), self.size[0] - self._peg)
        top = self._middle(index) - self._peg // 2
        under = frame[top : top + self._peg, left : left + self._peg]
        np.copyto(under, peg, where=peg[..., 3:] > 127)

    @classmethod
    def states(cls, even: Even) -> Iterator[State]:
        """One, two and four builds."""
        ticks = [(20.0, "20"), (40.0, "40"), (60.0, "60 m")]
        names = ("stock", "drum", "gear 6.0", "gear 6.6")
        one, two, four = (
            cls(even(590), even(140), length_m=66, names=names[:count], ticks=ticks)
            for count in (1, 2, 4)
        )
        yield "one build", one, StripValues((24.0,))
        yield "two builds", two, StripValues((47.5, 41.8))
        yield "four builds", four, StripValues((38.0, 35.1, 44.2, 41.0))
        yield "before launch", two, StripValues((0.0, 0.0))
        yield "at the finish", two, StripValues((66.0, 64.2))
        yield "one not known", two, StripValues((31.0, math.nan))
