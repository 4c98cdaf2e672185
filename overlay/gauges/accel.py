"""Acceleration bar: forward to the right of a post, braking to its left."""

from __future__ import annotations

import math
from typing import Literal, get_args

import numpy as np

from overlay.errors import UsageError
from overlay.gauges.blend import Z95, lay_columns, lay_fringe
from overlay.gauges.canvas import Canvas, Rgba
from overlay.gauges.palette import BUILD_HUES, GROUND, INK, QUIET_INK, TRACK, Color
from overlay.gauges.plate import PLATE_ALPHA, plate, require_size
from overlay.gauges.type import ALL, Tiles, face, plus_minus, put_text
from overlay.gauges.values import AccelValues

LEAST_SIZE = (100, 32)
STANDARD_GRAVITY_MPS2 = 9.80665  # exact by definition: 3rd CGPM, 1901
AccelUnit = Literal["g", "m/s²"]
BACKWARD_SHARE = 0.36  # of the bar's length that stands for braking


class AccelBar:
    """An acceleration bar for one size, scale and hue.

    Parameters
    ----------
    width, height : int
        Even pixels.
    full_scale_mps2 : float
        Acceleration at the right end, m/s²; braking has the same scale and is cut sooner.
    unit : str
        ``g`` or ``m/s²``.
    hue : Color
        Of the build.

    Raises
    ------
    UsageError
        If the size, scale or unit makes no sense.
    """

    def __init__(
        self,
        width: int,
        height: int,
        *,
        full_scale_mps2: float,
        unit: AccelUnit = "g",
        hue: Color = BUILD_HUES[0],
    ) -> None:
        require_size("acceleration bar", width, height, least=LEAST_SIZE)
        if not (math.isfinite(full_scale_mps2) and full_scale_mps2 > 0):
            raise UsageError(f"acceleration bar: full scale {full_scale_mps2} m/s² must be above 0")
        if unit not in get_args(AccelUnit):
            raise UsageError(f"acceleration bar: unknown unit {unit!r}: use g or m/s²")
        self.size = (width, height)
        self.full_scale_mps2 = full_scale_mps2
        self._unit = unit
        self._decimals = 2 if unit == "g" else 1
        self._per_unit = STANDARD_GRAVITY_MPS2 if unit == "g" else 1.0
        used = min(float(height), width / 2.6)
        top = (height - used) / 2
        self._pad = round(0.11 * used)
        self._baseline = round(top + 0.52 * used)
        self._bar = (round(top + 0.65 * used), round(top + 0.87 * used))
        strip = max(1, round(0.055 * used))
        self._core = (self._bar[0] + strip, self._bar[1] - strip)
        self._zero = self._pad + round(BACKWARD_SHARE * (width - 2 * self._pad))
        self._inset = round(0.06 * used)
        self._per_px = full_scale_mps2 / (width - self._pad - self._inset - self._zero)
        self.smallest_digits_px = 0.225 * used
        ground = (GROUND, PLATE_ALPHA)
        self._big = Tiles(face(0.37 * used, bold=True), INK, *ground)
        side = face(0.225 * used)
        self._side = Tiles(side, QUIET_INK, *ground, ALL)
        self._pm = Tiles(side, QUIET_INK, *ground, "0123456789.± ")  # no room for descenders
        self._lines = (round(top + 0.28 * used), round(top + 0.58 * used))
        self._make_layers(hue)

    def _make_layers(self, hue: Color) -> None:
        width, height = self.size
        base = plate(width, height)
        self._empty = self._draw_bar(base, TRACK).rgba()
        self._full = self._draw_bar(base, hue).rgba()
        blank = self._draw_bar(base, TRACK)
        box = (self._pad + 2, self._bar[0], width - self._pad - 2, self._bar[1])
        blank.hatched_box(box, QUIET_INK, period_px=max(6.0, 0.09 * height), share=0.3, alpha=0.3)
        put_text(blank, "no data", self._pad, self._baseline, self._side.face, QUIET_INK)
        self._blank = blank.rgba()
        self._frame = self._empty.copy()

    def _draw_bar(self, base: Canvas, color: Color) -> Canvas:
        canvas = base.copy()
        top, bottom = self._bar
        box = (self._pad, top, self.size[0] - self._pad, bottom)
        canvas.box(box, color, radius=0.28 * (bottom - top))
        thick = max(1.0, 0.02 * self.size[1])
        post = (self._zero - thick / 2, top - 2 * thick, self._zero + thick / 2, bottom + 2 * thick)
        canvas.box(post, INK)
        return canvas

    def draw(self, values: AccelValues) -> Rgba:
        """The gauge as straight-alpha RGBA, uint8, shape (height, width, 4).

        The buffer is the gauge's own and is drawn over by the next call: copy what you keep.
        """
        frame = self._frame
        accel = values.accel_mps2
        if not math.isfinite(accel):
            np.copyto(frame, self._blank)
            return frame
        np.copyto(frame, self._empty)
        half = Z95 * values.sigma_mps2 if math.isfinite(values.sigma_mps2) else 0.0
        self._grow(frame, accel, half)
        shown = f"{accel / self._per_unit:5.{self._decimals}f}".replace("-", "−")
        if float(shown.replace("−", "-")) == 0.0:
            shown = shown.replace("−", " ")
        left = self._big.write_number(frame, shown, self._pad, self._baseline)
        self._write_aside(frame, left, half if math.isfinite(values.sigma_mps2) else None)
        return frame

    def _write_aside(self, frame: Rgba, left: int, half: float | None) -> None:
        """Unit and ± after the digits: in one line, or one above the other where it is narrow."""
        unit = f" {self._unit}"
        pm = "" if half is None else " " + plus_minus(half / self._per_unit, self._decimals)
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
        width = self.size[0]
        ahead, behind = (frame, self._full), (frame[:, ::-1], self._full[:, ::-1])
        zeros = (float(self._zero), float(width - self._zero))
        if accel < 0:
            ahead, behind, zeros = behind, ahead, zeros[::-1]
        last = width - self._pad - self._inset
        length = min(abs(accel) / self._per_px, last - zeros[0])
        strips = (slice(self._bar[0], self._core[0]), slice(self._core[1], self._bar[1]))
        lay_columns(*ahead, slice(*self._core), zeros[0], zeros[0] + length)
        edge, half_px = last + self._inset / 2, half / self._per_px
        lay_fringe(*ahead, strips, (zeros[0], edge), zeros[0] + length, half_px)
        if half_px > length:
            lay_fringe(*behind, strips, (zeros[1], edge), zeros[1] - length, half_px)
