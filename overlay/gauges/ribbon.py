"""Ribbon: speed as the length of a tape.

The tape's solid core ends sharply at the speed; the thin strips above and below the core fray
over ±1.96 standard uncertainties. Digits ride above the end and lean with it, so that they are
always whole: at zero they stand to its right, at full scale to its left. A rail above the tape
shows how far the wheel runs ahead of the ground. Inside a gap of the log the tape is hatched.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from overlay.errors import UsageError
from overlay.gauges.blend import Z95, lay_columns, lay_fringe
from overlay.gauges.canvas import Canvas, Rgba
from overlay.gauges.palette import (
    BUILD_HUES,
    GROUND,
    HAIRLINE,
    INK,
    QUIET_INK,
    SPIN,
    TRACK,
    Color,
    luma_709,
    mix,
)
from overlay.gauges.plate import PLATE_ALPHA, plate, require_size
from overlay.gauges.readback import ReadBand
from overlay.gauges.type import Tiles, face, plus_minus, put_text
from overlay.gauges.values import RibbonValues
from overlay.units import mps_per

LEAST_SIZE = (160, 40)


@dataclass(frozen=True)
class _Plan:
    """Rows and columns of everything on the plate, in pixels."""

    pad: int
    digits_cap: float
    label_cap: float
    digits_baseline: int
    rail: tuple[int, int]
    tape: tuple[int, int]
    core: tuple[int, int]
    label_baseline: int
    x0: int
    x1: int
    anchor: int


def _plan(width: int, height: int) -> _Plan:
    unit = min(float(height), width / 3.2)
    top = (height - unit) / 2
    pad = round(0.09 * unit)
    digits_baseline = round(top + 0.42 * unit)
    tape_top, tape_bottom = round(top + 0.505 * unit), round(top + 0.695 * unit)
    strip = max(1, round(0.045 * unit))
    rail_height = max(2, round(0.028 * unit))
    rail_bottom = tape_top - max(1, round(0.012 * unit))
    anchor = max(6, round(0.09 * unit))
    return _Plan(
        pad=pad,
        digits_cap=0.335 * unit,
        label_cap=0.158 * unit,
        digits_baseline=digits_baseline,
        rail=(rail_bottom - rail_height, rail_bottom),
        tape=(tape_top, tape_bottom),
        core=(tape_top + strip, tape_bottom - strip),
        label_baseline=round(top + 0.918 * unit),
        x0=pad + anchor,
        x1=width - pad - anchor,
        anchor=anchor,
    )


def band_for(
    width: int, height: int, full_scale_mps: float, *, hue: Color = BUILD_HUES[0]
) -> ReadBand:
    """Where a ribbon of this size can be read back, without drawing it."""
    plan = _plan(width, height)
    inset = max(1, round(0.2 * (plan.core[1] - plan.core[0])))
    return ReadBand(
        x0=plan.x0,
        x1=plan.x1,
        y0=plan.core[0] + inset,
        y1=plan.core[1] - inset,
        full_scale_mps=full_scale_mps,
        anchor_px=max(3, plan.anchor - 2),
        luma_step=luma_709(hue) - luma_709(TRACK),
    )


class Ribbon:
    """A speed ribbon for one size, scale and hue.

    Parameters
    ----------
    width, height : int
        Even pixels.
    full_scale_mps : float
        Speed at the full length, m/s.
    unit : str
        Unit of digits: one of `overlay.units.SPEED_UNITS`.
    ticks : sequence of (float, str)
        Speeds in m/s, with the text to stand below each; crowded texts are left out.
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
        full_scale_mps: float,
        unit: str = "mph",
        ticks: Sequence[tuple[float, str]] = (),
        hue: Color = BUILD_HUES[0],
    ) -> None:
        require_size("ribbon", width, height, least=LEAST_SIZE)
        if not (math.isfinite(full_scale_mps) and full_scale_mps > 0):
            raise UsageError(f"ribbon: full scale {full_scale_mps} m/s must be above zero")
        self.size = (width, height)
        self.full_scale_mps = full_scale_mps
        self.smallest_digits_px = _plan(width, height).label_cap
        self._per_unit = mps_per(unit)
        self._plan = _plan(width, height)
        self._whole_digits = 3 if full_scale_mps / self._per_unit >= 100 else 2
        self._make_tiles(unit)
        self._make_layers(width, height, ticks, hue)
        self.band = band_for(width, height, full_scale_mps, hue=hue)

    def _make_tiles(self, unit: str) -> None:
        plan = self._plan
        self._big = Tiles(face(plan.digits_cap, bold=True), INK, GROUND, PLATE_ALPHA)
        small = face(plan.label_cap)
        self._small = Tiles(small, QUIET_INK, GROUND, PLATE_ALPHA, unit)
        # No descenders in these tiles: the rail runs close below.
        self._pm = Tiles(small, QUIET_INK, GROUND, PLATE_ALPHA, "0123456789.±")
        self._unit = unit
        gap = round(0.35 * plan.digits_cap)
        digits = self._big.width("8" * self._whole_digits + ".8")
        aside = max(self._small.width(unit), self._pm.width("±8.8"))
        self._aside = digits + gap
        self._block = digits + gap + aside
        # Raised a little above the digits, so that its descenders clear the ± below.
        rise = 1.1 * plan.digits_cap - self._small.face.cap_px
        self._unit_baseline = plan.digits_baseline - round(rise)

    def _make_layers(
        self, width: int, height: int, ticks: Sequence[tuple[float, str]], hue: Color
    ) -> None:
        plan = self._plan
        base = plate(width, height)
        self._draw_ticks(base, ticks)
        box = (plan.pad, plan.tape[0], width - plan.pad, plan.tape[1])
        radius = 0.28 * (plan.tape[1] - plan.tape[0])
        empty = base.copy()
        empty.box(box, TRACK, radius=radius)
        full = base.copy()
        full.box(box, hue, radius=radius)
        rail = base.copy()
        rail.box((0, plan.rail[0], width, plan.rail[1]), SPIN)
        blank = base.copy()
        middle = mix(TRACK, hue, 0.12)
        blank.box(box, middle, radius=radius)
        for rows in ((plan.tape[0], plan.core[0]), (plan.core[1], plan.tape[1])):
            blank.hatched_box(
                (box[0] + radius, rows[0], box[2] - radius, rows[1]),
                QUIET_INK,
                period_px=max(6.0, 0.07 * height),
                share=0.4,
                alpha=0.55,
            )
        put_text(
            blank,
            "no data",
            plan.pad + plan.anchor,
            plan.digits_baseline,
            face(plan.digits_cap * 0.62),
            QUIET_INK,
        )
        self._full, self._rail = full.rgba(), rail.rgba()
        self._blank, self._empty = blank.rgba(), empty.rgba()
        self._draw_zero()
        self._frame = self._empty.copy()

    def _draw_zero(self) -> None:
        """Keep the tape's root full at rest: it anchors the eye and the reading back."""
        plan = self._plan
        rows = slice(plan.tape[0], plan.tape[1])
        self._empty[rows, : plan.x0] = self._full[rows, : plan.x0]

    def _draw_ticks(self, canvas: Canvas, ticks: Sequence[tuple[float, str]]) -> None:
        plan = self._plan
        type_face = face(plan.label_cap)
        thick = max(1.0, 0.018 * self.size[1])
        top = plan.tape[1] + max(1, round(0.012 * self.size[1]))
        bottom = round(plan.label_baseline - plan.label_cap - 0.02 * self.size[1])
        free_from = 0.0
        for speed_mps, text in sorted(ticks):
            if not 0 <= speed_mps <= self.full_scale_mps:
                continue
            x = self._x(speed_mps)
            canvas.box((x - thick / 2, top, x + thick / 2, bottom), QUIET_INK)
            wide = type_face.width(text)
            left = min(max(x - wide / 2, plan.pad), self.size[0] - plan.pad - wide)
            if left >= free_from:
                put_text(canvas, text, left, plan.label_baseline, type_face, QUIET_INK)
                free_from = left + wide + 0.6 * type_face.advance_px
        canvas.box((plan.x0 - thick / 2, top, plan.x0 + thick / 2, bottom), HAIRLINE)

    def _x(self, speed_mps: float) -> float:
        plan = self._plan
        share = min(1.0, max(0.0, speed_mps / self.full_scale_mps))
        return plan.x0 + share * (plan.x1 - plan.x0)

    def draw(self, values: RibbonValues) -> Rgba:
        """The gauge as straight-alpha RGBA, uint8, shape (height, width, 4).

        The buffer is the gauge's own and is drawn over by the next call: copy what you keep.
        """
        frame = self._frame
        if not math.isfinite(values.speed_mps):
            np.copyto(frame, self._blank)
            return frame
        np.copyto(frame, self._empty)
        plan = self._plan
        end = self._x(values.speed_mps)
        core = slice(*plan.core)
        lay_columns(frame, self._full, core, 0.0, end)
        per_px = self.full_scale_mps / (plan.x1 - plan.x0)
        half = Z95 * values.sigma_mps / per_px if math.isfinite(values.sigma_mps) else 0.0
        strips = (slice(plan.tape[0], plan.core[0]), slice(plan.core[1], plan.tape[1]))
        lay_fringe(frame, self._full, strips, (plan.x0, plan.x1 + plan.anchor // 2), end, half)
        wheel = values.wheel_speed_mps
        if wheel is not None and math.isfinite(wheel) and wheel > values.speed_mps:
            lay_columns(frame, self._rail, slice(*plan.rail), end, self._x(wheel))
        self._write(frame, values)
        return frame

    def _write(self, frame: Rgba, values: RibbonValues) -> None:
        plan = self._plan
        share = min(1.0, max(0.0, values.speed_mps / self.full_scale_mps))
        room = plan.x1 + plan.anchor - plan.x0 - self._block
        left = plan.x0 + round(share * room)
        shown = max(0.0, values.speed_mps) / self._per_unit
        text = f"{shown:{self._whole_digits + 2}.1f}"
        if len(text) > self._whole_digits + 2:
            text = f"{shown:{self._whole_digits + 2}.0f}"
        self._big.write_number(frame, text, left, plan.digits_baseline)
        aside = left + self._aside
        self._small.write(frame, self._unit, aside, self._unit_baseline)
        if math.isfinite(values.sigma_mps):
            pm = plus_minus(Z95 * values.sigma_mps / self._per_unit, 1)
            self._pm.write(frame, pm, aside, plan.digits_baseline)
