"""Gap bar: who is ahead, and by how much.

The bar grows from the middle toward the build that is ahead, in seconds at the same distance; its
end frays over ±1.96 standard uncertainties. Seconds and metres stand above it. While the gap is
within its own uncertainty the bar is grey and says "level": a lead that cannot be told is no lead.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from overlay.errors import UsageError
from overlay.gauges.blend import Z95, lay_columns, lay_fringe
from overlay.gauges.canvas import Canvas, Rgba
from overlay.gauges.palette import (
    BUILD_HUES,
    GROUND,
    INK,
    QUIET_INK,
    TRACK,
    Color,
)
from overlay.gauges.plate import PLATE_ALPHA, plate, require_size
from overlay.gauges.type import ALL, Tiles, face, plus_minus, put_text
from overlay.gauges.values import GapValues

LEAST_SIZE = (200, 36)
LEVEL_HUE = QUIET_INK


@dataclass(frozen=True)
class _Plan:
    pad: int
    digits_cap: float
    label_cap: float
    baseline: int
    bar: tuple[int, int]
    core: tuple[int, int]
    names_baseline: int
    middle: float
    reach: float


def _plan(width: int, height: int) -> _Plan:
    unit = min(float(height), width / 4.2)
    top = (height - unit) / 2
    bar_top, bar_bottom = round(top + 0.50 * unit), round(top + 0.68 * unit)
    strip = max(1, round(0.045 * unit))
    pad = round(0.1 * unit)
    return _Plan(
        pad=pad,
        digits_cap=0.29 * unit,
        label_cap=0.192 * unit,
        baseline=round(top + 0.40 * unit),
        bar=(bar_top, bar_bottom),
        core=(bar_top + strip, bar_bottom - strip),
        names_baseline=round(top + 0.92 * unit),
        middle=width / 2,
        reach=width / 2 - pad - 0.1 * unit,
    )


class GapBar:
    """A gap bar for one size, scale and pair of builds.

    Parameters
    ----------
    width, height : int
        Even pixels.
    names : (str, str)
        Of the first (left) and second (right) build; cut where there is no room.
    hues : (Color, Color)
        Of the two builds.
    full_scale_s : float
        Gap at the bar's end, seconds.

    Raises
    ------
    UsageError
        If the size or scale makes no sense.
    """

    def __init__(
        self,
        width: int,
        height: int,
        *,
        names: tuple[str, str],
        hues: tuple[Color, Color] = (BUILD_HUES[0], BUILD_HUES[1]),
        full_scale_s: float = 1.0,
    ) -> None:
        require_size("gap bar", width, height, least=LEAST_SIZE)
        if not (math.isfinite(full_scale_s) and full_scale_s > 0):
            raise UsageError(f"gap bar: full scale {full_scale_s} s must be above zero")
        self.size = (width, height)
        self.full_scale_s = full_scale_s
        self._plan = plan = _plan(width, height)
        self.smallest_digits_px = plan.label_cap
        ground = (GROUND, PLATE_ALPHA)
        self._big = Tiles(face(plan.digits_cap, bold=True), INK, *ground, "0123456789.–")
        self._side = Tiles(face(plan.label_cap), QUIET_INK, *ground, ALL)
        self._scale_text = "±" + f"{full_scale_s:.2f}".rstrip("0").rstrip(".") + " s"
        self._plan_values()
        self._make_layers(names, hues)

    def _plan_values(self) -> None:
        """Columns of the two values, with words beside them where there is room."""
        gap = round(0.9 * self._plan.digits_cap)
        seconds = self._big.width("8.88") + self._side.width(" s ±.88")
        metres = self._big.width("88.8") + self._side.width(" m")
        words = ("  same distance", "  same time")
        extra = sum(self._side.width(text) for text in words)
        room = self.size[0] - 2 * self._plan.pad
        self._words = words if seconds + metres + extra + gap <= room else ("", "")
        seconds += self._side.width(self._words[0])
        metres += self._side.width(self._words[1])
        self._left = round(self._plan.middle - (seconds + gap + metres) / 2)
        self._right = self._left + seconds + gap

    def _make_layers(self, names: tuple[str, str], hues: tuple[Color, Color]) -> None:
        width, height = self.size
        plan = self._plan
        base = plate(width, height)
        self._draw_names(base, names, hues)
        self._draw_scale(base)
        self._empty = self._draw_bar(base, TRACK, TRACK).rgba()
        self._full = self._draw_bar(base, *hues).rgba()
        self._level = self._draw_bar(base, LEVEL_HUE, LEVEL_HUE).rgba()
        blank = self._draw_bar(base, TRACK, TRACK)
        blank.hatched_box(
            (plan.pad + 2, plan.bar[0], width - plan.pad - 2, plan.bar[1]),
            QUIET_INK,
            period_px=max(6.0, 0.08 * height),
            share=0.3,
            alpha=0.3,
        )
        self._blank = blank.rgba()
        self._frame = self._empty.copy()

    def _draw_bar(self, base: Canvas, left: Color, right: Color) -> Canvas:
        canvas = base.copy()
        plan = self._plan
        half = self.size[0] / 2
        radius = 0.28 * (plan.bar[1] - plan.bar[0])
        full = Canvas(self.size[0], self.size[1])
        full.box((plan.pad, plan.bar[0], self.size[0] - plan.pad, plan.bar[1]), INK, radius=radius)
        mask = full.rgba()[..., 3] / 255.0
        side = np.arange(self.size[0]) + 0.5 < half
        canvas.cover(mask * side[None, :], left)
        canvas.cover(mask * ~side[None, :], right)
        thick = max(1.0, 0.02 * self.size[1])
        for share in (-1.0, -0.5, 0.5, 1.0):
            x = plan.middle + share * plan.reach
            canvas.box((x - thick / 2, plan.core[1], x + thick / 2, plan.bar[1]), GROUND)
        post = (plan.bar[0] - 2 * thick, plan.bar[1] + 2 * thick)
        canvas.box((half - thick / 2, post[0], half + thick / 2, post[1]), INK)
        return canvas

    def _draw_names(
        self, canvas: Canvas, names: tuple[str, str], hues: tuple[Color, Color]
    ) -> None:
        """Name each build under its own end of the bar."""
        plan = self._plan
        type_face = face(plan.label_cap)
        dot = round(type_face.cap_px)
        room = (self.size[0] - self._side.width(self._scale_text)) / 2 - plan.pad - 3.0 * dot
        letters = max(1, int(room // type_face.advance_px))
        base = plan.names_baseline
        for index, (name, hue) in enumerate(zip(names, hues, strict=True)):
            shown = name if len(name) <= letters else name[: max(1, letters - 1)].rstrip() + "."
            left = plan.pad if index == 0 else self.size[0] - plan.pad - dot
            if index == 0:
                put_text(canvas, shown, left + 1.5 * dot, base, type_face, INK)
            else:
                put_text(canvas, shown, left - 0.5 * dot, base, type_face, INK, anchor="right")
            canvas.box((left, base - dot, left + dot, base), hue, radius=0.3 * dot)

    def _draw_scale(self, canvas: Canvas) -> None:
        plan = self._plan
        put_text(
            canvas,
            self._scale_text,
            plan.middle,
            plan.names_baseline,
            self._side.face,
            QUIET_INK,
            anchor="middle",
        )

    def draw(self, values: GapValues) -> Rgba:
        """The gauge as straight-alpha RGBA, uint8, shape (height, width, 4).

        The buffer is the gauge's own and is drawn over by the next call: copy what you keep.
        """
        frame = self._frame
        if not math.isfinite(values.gap_s):
            np.copyto(frame, self._blank)
            self._write_middle(frame, "no data")
            return frame
        np.copyto(frame, self._empty)
        half_s = Z95 * values.sigma_s if math.isfinite(values.sigma_s) else 0.0
        is_level = abs(values.gap_s) <= half_s
        layer = self._level if is_level else self._full
        self._grow(frame, layer, values.gap_s, half_s)
        self._write(frame, values, half_s, is_level)
        return frame

    def _grow(self, frame: Rgba, layer: Rgba, gap_s: float, half_s: float) -> None:
        """Lay the bar from the middle to the left (first ahead) or right, with a frayed end.

        The width is even, so a mirrored view puts the same columns on the other side.
        """
        plan = self._plan
        to_px = plan.reach / self.full_scale_s
        length, half = min(abs(gap_s) * to_px, plan.reach), half_s * to_px
        ahead, behind = (frame, layer), (frame[:, ::-1], layer[:, ::-1])
        if gap_s > 0:
            ahead, behind = behind, ahead
        limits = (plan.middle, self.size[0] - plan.pad - 0.04 * self.size[1])
        strips = (slice(plan.bar[0], plan.core[0]), slice(plan.core[1], plan.bar[1]))
        lay_columns(*ahead, slice(*plan.core), plan.middle, plan.middle + length)
        lay_fringe(*ahead, strips, limits, plan.middle + length, half)
        lay_fringe(*behind, strips, limits, plan.middle - length, half)

    def _write(self, frame: Rgba, values: GapValues, half_s: float, is_level: bool) -> None:
        baseline = self._plan.baseline
        aside = f" s {plus_minus(half_s, 2)}" if math.isfinite(values.sigma_s) else " s"
        left = self._big.write(frame, _fixed(values.gap_s, 2), self._left, baseline)
        self._side.write(frame, aside + self._words[0], left, baseline)
        metres = f"{_fixed(values.gap_m, 1):>4}" if math.isfinite(values.gap_m) else "  ––"
        left = self._big.write_number(frame, metres, self._right, baseline)
        self._side.write(frame, " m" + ("  level" if is_level else self._words[1]), left, baseline)

    def _write_middle(self, frame: Rgba, text: str) -> None:
        left = round(self._plan.middle - self._side.width(text) / 2)
        self._side.write(frame, text, left, self._plan.baseline)


def _fixed(value: float, decimals: int) -> str:
    """The size of `value` with fixed decimals in four characters at most."""
    text = f"{abs(value):.{decimals}f}"
    return text if len(text) <= 4 else f"{abs(value):.{max(0, decimals - 1)}f}"
