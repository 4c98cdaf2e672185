"""Ribbon: speed as the length of a tape.

The tape's solid core ends sharply at the speed; the thin strips above and below the core fray
over ±1.96 standard uncertainties. Digits ride above the end and lean with it, so that they are
always whole: at zero they stand to its right, at full scale to its left. Inside a gap of the log
the tape is hatched.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterator
from dataclasses import dataclass

from overlay.gauges.base import (
    Bar,
    Even,
    Gauge,
    State,
    Subject,
    boxed,
    draw_ticks,
    plate,
    share_of,
    steps,
    tiles_on_plate,
)
from overlay.gauges.blend import lay_columns
from overlay.gauges.canvas import Canvas, Rgba
from overlay.gauges.palette import (
    BUILD_HUES,
    HAIRLINE,
    INK,
    QUIET_INK,
    TRACK,
    Color,
    build_hue,
    luma_709,
    mix,
)
from overlay.gauges.readback import ReadBand
from overlay.gauges.scales import Ticks, speed_ticks
from overlay.gauges.type import face, plus_minus, put_text
from overlay.runs.course import Course
from overlay.units import Z95, mps_per, speed_to_mps


@dataclass(frozen=True)
class RibbonValues:
    """Speed at one instant."""

    speed_mps: float  # speed over ground, m/s, >= 0; NaN inside a gap of the log
    # Its standard uncertainty, m/s; NaN when not known (no fringe is drawn).
    sigma_mps: float = math.nan


def ribbon_values(course: Course, t_s: float) -> RibbonValues:
    """Speed over ground and its standard uncertainty at a footage time."""
    now = course.at(t_s)
    return RibbonValues(now.speed_mps, now.sigma_mps)


class Ribbon(Gauge[RibbonValues]):
    """A speed ribbon for one size, scale and hue.

    Parameters
    ----------
    full_scale_mps : float
        Speed at the full length, m/s.
    unit : str
        Unit of digits: one of `overlay.units.SPEED_UNITS`.
    ticks : sequence of (float, str)
        Speeds in m/s, with the text to stand below each.
    hue : Color
        Of the build.
    """

    called = "ribbon"
    least_size = (160, 40)
    heading, columns = "Ribbon · speed, ±95 %", 2

    def __init__(
        self,
        width: int,
        height: int,
        *,
        full_scale_mps: float,
        unit: str = "mph",
        ticks: Ticks = (),
        hue: Color = BUILD_HUES[0],
    ) -> None:
        super().__init__(width, height)
        self._require_scale(full_scale_mps, "m/s")
        self.full_scale_mps = full_scale_mps
        self._per_unit = mps_per(unit)
        self._unit = unit
        self._whole_digits = 3 if full_scale_mps / self._per_unit >= 100 else 2
        self._plan()
        self._make_tiles()
        self._make_layers(ticks, hue)
        core = self._bar.core
        inset = max(1, round(0.2 * (core.stop - core.start)))
        self.band = ReadBand(
            x0=self._x0,
            x1=self._x1,
            y0=core.start + inset,
            y1=core.stop - inset,
            full_scale_mps=full_scale_mps,
            anchor_px=max(3, self._anchor - 2),
            luma_step=luma_709(hue) - luma_709(TRACK),
        )

    def _plan(self) -> None:
        """Rows and columns of everything on the plate, in pixels."""
        width, height = self.size
        unit = min(float(height), width / 3.2)
        top = (height - unit) / 2
        self._pad, self._anchor = round(0.09 * unit), max(6, round(0.09 * unit))
        self._x0, self._x1 = self._pad + self._anchor, width - self._pad - self._anchor
        self._digits_cap, self.smallest_digits_px = 0.335 * unit, 0.158 * unit
        self._baseline = round(top + 0.42 * unit)
        self._label_baseline = round(top + 0.918 * unit)
        rows = round(top + 0.505 * unit), round(top + 0.695 * unit)
        self._bar = Bar(*rows, max(1, round(0.045 * unit)))

    def _make_tiles(self) -> None:
        cap = self._digits_cap
        self._big = tiles_on_plate(cap, bold=True, ink=INK)
        self._small = tiles_on_plate(self.smallest_digits_px, characters=self._unit)
        # No descenders in these tiles: the tape runs close below.
        self._pm = tiles_on_plate(self.smallest_digits_px, characters="0123456789.±")
        self._aside = self._big.width("8" * self._whole_digits + ".8") + round(0.35 * cap)
        self._block = self._aside + max(self._small.width(self._unit), self._pm.width("±8.8"))
        # Raised a little above the digits, so that its descenders clear the ± below.
        self._unit_baseline = self._baseline - round(1.1 * cap - self._small.face.cap_px)

    def _make_layers(self, ticks: Ticks, hue: Color) -> None:
        width, height = self.size
        bar = self._bar
        base = plate(width, height)
        self._draw_scale(base, ticks)
        box = (self._pad, bar.top, width - self._pad, bar.bottom)
        self._empty = boxed(base, box, TRACK, bar.radius).rgba()
        self._full = boxed(base, box, hue, bar.radius).rgba()
        blank = boxed(base, box, mix(TRACK, hue, 0.12), bar.radius)
        for rows in bar.strips:
            blank.hatched_box(
                (box[0] + bar.radius, rows.start, box[2] - bar.radius, rows.stop),
                QUIET_INK,
                period_px=max(6.0, 0.07 * height),
                share=0.4,
                alpha=0.55,
            )
        said = face(self._digits_cap * 0.62)
        put_text(blank, "no data", self._x0, self._baseline, said, QUIET_INK)
        self._blank = blank.rgba()
        # The tape's root stays full at rest: it anchors the eye and the reading back.
        self._empty[bar.top : bar.bottom, : self._x0] = self._full[bar.top : bar.bottom, : self._x0]

    def _draw_scale(self, canvas: Canvas, ticks: Ticks) -> None:
        width, height = self.size
        label = face(self.smallest_digits_px)
        thick = max(1.0, 0.018 * height)
        top = self._bar.bottom + max(1, round(0.012 * height))
        bottom = round(self._label_baseline - label.cap_px - 0.02 * height)
        inside = [(self._x(v), text) for v, text in sorted(ticks) if 0 <= v <= self.full_scale_mps]
        box = (self._pad, top, width - self._pad, bottom)
        draw_ticks(canvas, inside, box, self._label_baseline, label, thick)
        canvas.box((self._x0 - thick / 2, top, self._x0 + thick / 2, bottom), HAIRLINE)

    def _x(self, speed_mps: float) -> float:
        return self._x0 + share_of(speed_mps, self.full_scale_mps) * (self._x1 - self._x0)

    @classmethod
    def of(cls, subject: Subject, width: int, height: int) -> Ribbon:
        """Speed of the first run, with ticks at its speed goals."""
        full_mps, unit = subject.scale.full_speed_mps, subject.scale.unit
        goals = [split.goal for split in subject.run.splits]
        ticks = speed_ticks(goals, unit, full_mps)
        hue = subject.hues[0]
        return cls(width, height, full_scale_mps=full_mps, unit=unit, ticks=ticks, hue=hue)

    @staticmethod
    def values(subject: Subject, t_s: float) -> RibbonValues:
        """As :func:`ribbon_values`."""
        return ribbon_values(subject.run.course, t_s)

    def seen(self, values: RibbonValues) -> Hashable:
        """Steps of 1/8192 of the full scale."""
        fine = self.full_scale_mps / 8192
        return steps(values.speed_mps, fine), steps(values.sigma_mps, fine)

    def draw(self, values: RibbonValues) -> Rgba:
        """Tape, fringe and digits."""
        if not math.isfinite(values.speed_mps):
            return self._over(self._blank)
        frame = self._over(self._empty)
        end = self._x(values.speed_mps)
        lay_columns(frame, self._full, self._bar.core, 0.0, end)
        per_px = self.full_scale_mps / (self._x1 - self._x0)
        half = Z95 * values.sigma_mps / per_px if math.isfinite(values.sigma_mps) else 0.0
        self._bar.fray(frame, self._full, (self._x0, self._x1 + self._anchor // 2), end, half)
        self._write(frame, values)
        return frame

    def _write(self, frame: Rgba, values: RibbonValues) -> None:
        room = self._x1 + self._anchor - self._x0 - self._block
        left = self._x0 + round(share_of(values.speed_mps, self.full_scale_mps) * room)
        shown, wide = max(0.0, values.speed_mps) / self._per_unit, self._whole_digits + 2
        text = f"{shown:{wide}.1f}"
        if len(text) > wide:
            text = f"{shown:{wide}.0f}"
        self._big.write_number(frame, text, left, self._baseline)
        aside = left + self._aside
        self._small.write(frame, self._unit, aside, self._unit_baseline)
        if math.isfinite(values.sigma_mps):
            pm = plus_minus(Z95 * values.sigma_mps / self._per_unit, 1)
            self._pm.write(frame, pm, aside, self._baseline)

    @classmethod
    def states(cls, even: Even) -> Iterator[State]:
        """Every state, in two units."""
        size = even(900), even(168)
        full = speed_to_mps(45, "mph")
        ticks = [(speed_to_mps(v, "mph"), str(v)) for v in (10, 20, 30, 40)]
        ribbon = cls(*size, full_scale_mps=full, ticks=ticks)
        ticks = [(speed_to_mps(v, "km/h"), str(v)) for v in (20, 40, 60)]
        full_kmh = speed_to_mps(70, "km/h")
        other = cls(*size, full_scale_mps=full_kmh, unit="km/h", ticks=ticks, hue=build_hue(1))
        yield "at rest", ribbon, RibbonValues(0.0, 0.05)
        yield "under way", ribbon, RibbonValues(speed_to_mps(17.4, "mph"), 0.12)
        yield "less sure", ribbon, RibbonValues(12.4, 0.6)
        yield "full scale", ribbon, RibbonValues(full, 0.1)
        yield "gap in the log", ribbon, RibbonValues(math.nan)
        yield "second build, km/h", other, RibbonValues(speed_to_mps(52.3, "km/h"), 0.1)
        yield "uncertainty not known", other, RibbonValues(speed_to_mps(8.0, "km/h"))
