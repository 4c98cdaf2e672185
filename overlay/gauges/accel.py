"""Acceleration bar: forward to the right of a post, braking to its left."""

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
    plate,
    steps,
    tiles_on_plate,
)
from overlay.gauges.canvas import Canvas, Rgba
from overlay.gauges.palette import BUILD_HUES, INK, QUIET_INK, TRACK, Color
from overlay.gauges.scales import accel_scale
from overlay.gauges.type import ALL, plus_minus, put_text
from overlay.runs.course import Course
from overlay.units import STANDARD_GRAVITY_MPS2, Z95

BACKWARD_SHARE = 0.36  # of the bar's length that stands for braking


@dataclass(frozen=True)
class AccelValues:
    """Acceleration at one instant."""

    accel_mps2: float  # along the path, m/s², forward positive; NaN when not known
    sigma_mps2: float = math.nan  # its standard uncertainty; NaN when not known


def accel_values(course: Course, t_s: float) -> AccelValues:
    """Acceleration along the path and its standard uncertainty at a footage time."""
    now = course.at(t_s)
    return AccelValues(now.accel_mps2, now.accel_sigma_mps2)


class AccelBar(Gauge[AccelValues]):
    """An acceleration bar for one size, scale and hue.

    Parameters
    ----------
    full_scale_mps2 : float
        Acceleration at the right end, m/s²; braking has the same scale and is cut sooner.
    hue : Color
        Of the build.
    """

    called = "acceleration bar"
    least_size = (100, 32)
    heading, columns = "Acceleration bar", 4

    def __init__(
        self,
        width: int,
        height: int,
        *,
        full_scale_mps2: float,
        hue: Color = BUILD_HUES[0],
    ) -> None:
        super().__init__(width, height)
        self._require_scale(full_scale_mps2, "m/s²")
        used = min(float(height), width / 2.6)
        top = (height - used) / 2
        self._pad, self._inset = round(0.11 * used), round(0.06 * used)
        self._baseline = round(top + 0.52 * used)
        self._lines = (round(top + 0.28 * used), round(top + 0.58 * used))
        rows = round(top + 0.65 * used), round(top + 0.87 * used)
        self._bar = Bar(*rows, max(1, round(0.055 * used)))
        self._zero = self._pad + round(BACKWARD_SHARE * (width - 2 * self._pad))
        self._last = width - self._pad - self._inset
        self._per_px = full_scale_mps2 / (self._last - self._zero)
        self.smallest_digits_px = 0.225 * used
        self._big = tiles_on_plate(0.37 * used, bold=True, ink=INK)
        self._side = tiles_on_plate(self.smallest_digits_px, characters=ALL)
        # No room for descenders.
        self._pm = tiles_on_plate(self.smallest_digits_px, characters="0123456789.± ")
        empty, self._full = self._bar_in(TRACK), self._bar_in(hue).rgba()
        self._empty, blank = empty.rgba(), empty
        box = (self._pad + 2, rows[0], width - self._pad - 2, rows[1])
        blank.hatched_box(box, QUIET_INK, period_px=max(6.0, 0.09 * height), share=0.3, alpha=0.3)
        put_text(blank, "no data", self._pad, self._baseline, self._side.face, QUIET_INK)
        self._blank = blank.rgba()

    def _bar_in(self, color: Color) -> Canvas:
        (width, height), bar = self.size, self._bar
        box = (self._pad, bar.top, width - self._pad, bar.bottom)
        canvas = boxed(plate(width, height), box, color, bar.radius)
        thick = max(1.0, 0.02 * height)
        left, right = self._zero - thick / 2, self._zero + thick / 2
        canvas.box((left, bar.top - 2 * thick, right, bar.bottom + 2 * thick), INK)
        return canvas

    @classmethod
    def of(cls, subject: Subject, width: int, height: int) -> AccelBar:
        """Acceleration of the first run."""
        full = accel_scale(subject.run.course)
        return cls(width, height, full_scale_mps2=full, hue=subject.hues[0])

    @staticmethod
    def values(subject: Subject, t_s: float) -> AccelValues:
        """As :func:`accel_values`."""
        return accel_values(subject.run.course, t_s)

    def seen(self, values: AccelValues) -> Hashable:
        """Steps of 0.01 m/s², of 0.02 m/s² in the uncertainty."""
        return steps(values.accel_mps2, 0.01), steps(values.sigma_mps2, 0.02)

    def draw(self, values: AccelValues) -> Rgba:
        """Bar, fringe and digits."""
        accel = values.accel_mps2
        if not math.isfinite(accel):
            return self._over(self._blank)
        frame = self._over(self._empty)
        half = Z95 * values.sigma_mps2 if math.isfinite(values.sigma_mps2) else 0.0
        self._grow(frame, accel, half)
        shown = f"{accel / STANDARD_GRAVITY_MPS2:5.2f}".replace("-", "−")
        if float(shown.replace("−", "-")) == 0.0:
            shown = shown.replace("−", " ")
        left = self._big.write_number(frame, shown, self._pad, self._baseline)
        self._write_aside(frame, left, half if math.isfinite(values.sigma_mps2) else None)
        return frame

    def _write_aside(self, frame: Rgba, left: int, half: float | None) -> None:
        """Unit and ± after the digits: in one line, or one above the other where it is narrow."""
        unit = " g"
        pm = "" if half is None else " " + plus_minus(half / STANDARD_GRAVITY_MPS2, 2)
        if left + self._side.width(unit + pm) <= self.size[0] - self._pad:
            self._side.write(frame, unit + pm, left, self._baseline)
            return
        if not pm or left + self._pm.width(pm) > self.size[0]:
            self._side.write(frame, unit, left, self._baseline)
            return
        upper, lower = self._lines
        self._side.write(frame, unit, left, upper)
        self._pm.write(frame, pm, left, lower)

    def _grow(self, frame: Rgba, accel: float, half: float) -> None:
        """Lay the bar from the post, forward or (in a mirrored view) backward."""
        ahead, behind = (frame, self._full), (frame[:, ::-1], self._full[:, ::-1])
        zeros = (float(self._zero), float(self.size[0] - self._zero))
        if accel < 0:
            ahead, behind, zeros = behind, ahead, zeros[::-1]
        length = min(abs(accel) / self._per_px, self._last - zeros[0])
        edge, half_px = self._last + self._inset / 2, half / self._per_px
        self._bar.grow(*ahead, (zeros[0], edge), zeros[0] + length, half_px)
        if half_px > length:
            self._bar.fray(*behind, (zeros[1], edge), zeros[1] - length, half_px)

    @classmethod
    def states(cls, even: Even) -> Iterator[State]:
        """Pulling, braking, steady, not known."""
        bar = cls(even(440), even(120), full_scale_mps2=5.0)
        yield "pulling", bar, AccelValues(3.1, 0.2)
        yield "braking", bar, AccelValues(-1.9, 0.25)
        yield "steady", bar, AccelValues(0.05, 0.2)
        yield "not known", bar, AccelValues(math.nan)
