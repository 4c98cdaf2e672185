"""Gap bar: who is ahead, and by how much.

The bar grows from the middle toward the build that is ahead, in seconds at the same distance; its
end frays over ±1.96 standard uncertainties. Seconds and metres stand above it. While the gap is
within its own uncertainty the bar is grey and says "level": a lead within the noise is no lead.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterator
from dataclasses import dataclass

import numpy as np

from overlay.errors import UsageError
from overlay.gauges.base import Bar, Even, Gauge, State, Subject, plate, steps, tiles_on_plate
from overlay.gauges.canvas import Canvas, Rgba
from overlay.gauges.palette import BUILD_HUES, GROUND, INK, QUIET_INK, TRACK, Color
from overlay.gauges.scales import gap_scale
from overlay.gauges.type import ALL, plus_minus, put_text
from overlay.runs.course import Course, gap_at
from overlay.units import Z95


@dataclass(frozen=True)
class GapValues:
    """How far one build is ahead of the other at one instant; positive: the first is ahead."""

    gap_s: float  # seconds at the same distance; NaN when not known
    gap_m: float = math.nan  # metres at the same time; NaN when not known
    sigma_s: float = math.nan  # standard uncertainty of `gap_s`; NaN when not known


def gap_values(first: Course, second: Course, since_launch_s: float) -> GapValues:
    """How far the first run is ahead of the second at a time from the common launch."""
    gap = gap_at(first, second, since_launch_s)
    return GapValues(gap.gap_s, gap.gap_m, gap.sigma_s)


def largest_gap_s(first: Course, second: Course) -> float:
    """Largest gap between two runs in size, seconds; 0.5 where none is known."""
    runs = [(c.finish_s - c.launch.at_s) if c.launch else 0.0 for c in (first, second)]
    gaps = [abs(gap_at(first, second, max(runs) * k / 60).gap_s) for k in range(1, 61)]
    return max((gap for gap in gaps if not math.isnan(gap)), default=0.5)


class GapBar(Gauge[GapValues]):
    """A gap bar for one size, scale and pair of builds.

    Parameters
    ----------
    names : (str, str)
        Of the first (left) and second (right) build; cut where there is no room.
    hues : (Color, Color)
        Of the two builds.
    full_scale_s : float
        Gap at the bar's end, seconds.
    """

    called = "gap bar"
    least_size = (200, 36)
    heading, columns = "Gap bar · who is ahead", 2

    def __init__(
        self,
        width: int,
        height: int,
        *,
        names: tuple[str, str],
        hues: tuple[Color, Color] = (BUILD_HUES[0], BUILD_HUES[1]),
        full_scale_s: float = 1.0,
    ) -> None:
        super().__init__(width, height)
        self._require_scale(full_scale_s, "s")
        unit = min(float(height), width / 4.2)
        top = (height - unit) / 2
        self._pad, self._middle = round(0.1 * unit), width / 2
        self._reach = self._middle - self._pad - 0.1 * unit
        self._to_px = self._reach / full_scale_s
        self._baseline, self._names_baseline = round(top + 0.40 * unit), round(top + 0.92 * unit)
        rows = round(top + 0.50 * unit), round(top + 0.68 * unit)
        self._bar = Bar(*rows, max(1, round(0.045 * unit)))
        self.smallest_digits_px = 0.192 * unit
        self._gap = round(0.9 * 0.29 * unit)
        self._big = tiles_on_plate(0.29 * unit, bold=True, ink=INK, characters="0123456789.–")
        self._side = tiles_on_plate(self.smallest_digits_px, characters=ALL)
        self._place_values()
        base = plate(width, height)
        scale = "±" + f"{full_scale_s:.2f}".rstrip("0").rstrip(".") + " s"
        self._draw_names(base, names, hues, (width - self._side.width(scale)) / 2)
        at = (self._middle, self._names_baseline)
        put_text(base, scale, *at, self._side.face, QUIET_INK, anchor="middle")
        self._empty = self._bar_on(base, TRACK, TRACK).rgba()
        self._full = self._bar_on(base, *hues).rgba()
        self._level = self._bar_on(base, QUIET_INK, QUIET_INK).rgba()
        blank = self._bar_on(base, TRACK, TRACK)
        box = (self._pad + 2, rows[0], width - self._pad - 2, rows[1])
        blank.hatched_box(box, QUIET_INK, period_px=max(6.0, 0.08 * height), share=0.3, alpha=0.3)
        self._blank = blank.rgba()

    def _place_values(self) -> None:
        """Columns of the two values, with words beside them where there is room."""
        seconds = self._big.width("8.88") + self._side.width(" s ±.88")
        metres = self._big.width("88.8") + self._side.width(" m")
        words = ("  same distance", "  same time")
        extra = sum(self._side.width(text) for text in words)
        room = self.size[0] - 2 * self._pad
        self._words = words if seconds + metres + extra + self._gap <= room else ("", "")
        seconds += self._side.width(self._words[0])
        metres += self._side.width(self._words[1])
        self._left = round(self._middle - (seconds + self._gap + metres) / 2)
        self._right = self._left + seconds + self._gap

    def _bar_on(self, base: Canvas, left: Color, right: Color) -> Canvas:
        canvas, bar = base.copy(), self._bar
        width, height = self.size
        full = Canvas(width, height)
        full.box((self._pad, bar.top, width - self._pad, bar.bottom), INK, radius=bar.radius)
        mask = full.rgba()[..., 3] / 255.0
        side = np.arange(width) + 0.5 < self._middle
        canvas.cover(mask * side[None, :], left)
        canvas.cover(mask * ~side[None, :], right)
        thick = max(1.0, 0.02 * height)
        for share in (-1.0, -0.5, 0.5, 1.0):
            x = self._middle + share * self._reach
            canvas.box((x - thick / 2, bar.core.stop, x + thick / 2, bar.bottom), GROUND)
        post = (bar.top - 2 * thick, bar.bottom + 2 * thick)
        canvas.box((self._middle - thick / 2, post[0], self._middle + thick / 2, post[1]), INK)
        return canvas

    def _draw_names(
        self, canvas: Canvas, names: tuple[str, str], hues: tuple[Color, Color], room: float
    ) -> None:
        """Name each build under its own end of the bar."""
        type_face, base = self._side.face, self._names_baseline
        dot = round(type_face.cap_px)
        letters = max(1, int((room - self._pad - 3.0 * dot) // type_face.advance_px))
        ends = ((self._pad, 1.5, "left"), (self.size[0] - self._pad - dot, -0.5, "right"))
        for name, hue, (left, aside, anchor) in zip(names, hues, ends, strict=True):
            shown = name if len(name) <= letters else name[: max(1, letters - 1)].rstrip() + "."
            put_text(canvas, shown, left + aside * dot, base, type_face, INK, anchor=anchor)
            canvas.box((left, base - dot, left + dot, base), hue, radius=0.3 * dot)

    @classmethod
    def of(cls, subject: Subject, width: int, height: int) -> GapBar:
        """The first run against the second."""
        first, second = subject.courses
        scale = gap_scale(largest_gap_s(first, second))
        names, hues = (subject.names[0], subject.names[1]), (subject.hues[0], subject.hues[1])
        return cls(width, height, names=names, hues=hues, full_scale_s=scale)

    @classmethod
    def has_something(cls, subject: Subject) -> bool:
        """Whether there are two runs.

        Raises
        ------
        UsageError
            If there are not.
        """
        if len(subject.runs) != 2:
            raise UsageError("the gap bar needs two runs: use pair")
        return True

    @staticmethod
    def values(subject: Subject, t_s: float) -> GapValues:
        """As :func:`gap_values`."""
        first, second = subject.courses
        return gap_values(first, second, t_s)

    def seen(self, values: GapValues) -> Hashable:
        """Steps of a millisecond and a millimetre."""
        return tuple(steps(v, 0.001) for v in (values.gap_s, values.gap_m, values.sigma_s))

    def draw(self, values: GapValues) -> Rgba:
        """Bar, fringe, seconds and metres."""
        if not math.isfinite(values.gap_s):
            frame = self._over(self._blank)
            left = round(self._middle - self._side.width("no data") / 2)
            self._side.write(frame, "no data", left, self._baseline)
            return frame
        frame = self._over(self._empty)
        half_s = Z95 * values.sigma_s if math.isfinite(values.sigma_s) else 0.0
        is_level = abs(values.gap_s) <= half_s
        layer = self._level if is_level else self._full
        length, half = min(abs(values.gap_s) * self._to_px, self._reach), half_s * self._to_px
        # The width is even, so a mirrored view puts the same columns on the other side.
        ahead, behind = (frame, layer), (frame[:, ::-1], layer[:, ::-1])
        if values.gap_s > 0:
            ahead, behind = behind, ahead
        limits = (self._middle, self.size[0] - self._pad - 0.04 * self.size[1])
        self._bar.grow(*ahead, limits, self._middle + length, half)
        self._bar.fray(*behind, limits, self._middle - length, half)
        self._write(frame, values, half_s, is_level)
        return frame

    def _write(self, frame: Rgba, values: GapValues, half_s: float, is_level: bool) -> None:
        aside = f" s {plus_minus(half_s, 2)}" if math.isfinite(values.sigma_s) else " s"
        left = self._big.write(frame, _fixed(values.gap_s, 2), self._left, self._baseline)
        self._side.write(frame, aside + self._words[0], left, self._baseline)
        metres = f"{_fixed(values.gap_m, 1):>4}" if math.isfinite(values.gap_m) else "  ––"
        left = self._big.write_number(frame, metres, self._right, self._baseline)
        aside = " m" + ("  level" if is_level else self._words[1])
        self._side.write(frame, aside, left, self._baseline)

    @classmethod
    def states(cls, even: Even) -> Iterator[State]:
        """Either ahead, level, beyond the scale, not known."""
        bar = cls(even(900), even(140), names=("stock clutch", "drum clutch"))
        yield "first build ahead", bar, GapValues(0.42, 3.1, 0.03)
        yield "second build ahead", bar, GapValues(-0.77, -8.4, 0.06)
        yield "level within the uncertainty", bar, GapValues(0.03, 0.2, 0.04)
        yield "beyond the scale", bar, GapValues(-1.62, -21.7, 0.08)
        yield "one of them not known", bar, GapValues(math.nan)


def _fixed(value: float, decimals: int) -> str:
    """The size of `value` with fixed decimals in four characters at most."""
    text = f"{abs(value):.{decimals}f}"
    return text if len(text) <= 4 else f"{abs(value):.{max(0, decimals - 1)}f}"
