"""Comb: engine speed as teeth that fill one after another.

Each tooth stands for an equal step of revs; the tooth being filled fills from its root up.
Teeth at and above the limiter are hatched; the tooth reached lights up while the limiter cuts.
While the wheel runs ahead of the ground, the teeth between the revs that the ground speed would
need and the revs there are take a second colour.

What flashes is far smaller than the quarter of a ten-degree field that WCAG 2.2 (2.3.1) allows at
any rate: at most a fifth of the width of the comb, which itself is a third of the picture's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from overlay.errors import UsageError
from overlay.gauges.blend import lay_columns
from overlay.gauges.canvas import Canvas, Rgba
from overlay.gauges.palette import (
    BUILD_HUES,
    CUT,
    GROUND,
    INK,
    QUIET_INK,
    SPIN,
    TOOTH,
    Color,
    mix,
)
from overlay.gauges.plate import PLATE_ALPHA, chip, paste, plate, require_size
from overlay.gauges.type import ALL, Tiles, face, put_text
from overlay.gauges.values import CombValues

LEAST_SIZE = (120, 40)
STEPS_RPM = (25, 50, 100, 125, 200, 250, 500, 1000)
CAPTION_SHARE = 0.71  # of the labels' height; it has no digits
TAG_GAP_SHARE = 0.2  # of a tag's height, between two
SHOWN_STEP_RPM = 10  # digits are rounded to this: single revs only flicker


@dataclass(frozen=True)
class _Plan:
    pad: int
    digits_cap: float
    label_cap: float
    digits_baseline: int
    teeth: tuple[int, int]
    label_baseline: int
    x0: int
    pitch: int
    tooth: int
    count: int
    step_rpm: int


def _plan(width: int, height: int, full_scale_rpm: float) -> _Plan:
    unit = min(float(height), width / 2.7)
    top = (height - unit) / 2
    pad = round(0.09 * unit)
    room = width - 2 * pad
    narrowest = max(4.0, 0.062 * unit)
    counts = {step: math.ceil(full_scale_rpm / step) for step in STEPS_RPM}
    fitting = [step for step, count in counts.items() if room // count >= narrowest]
    if not fitting:
        raise UsageError(f"comb: {full_scale_rpm:.0f} rpm do not fit {width} px; make it wider")

    def filled(step: int) -> float:
        return room // counts[step] * counts[step] / room

    # The finest teeth of whole pixels that reach from side to side, or nearly so.
    step = next((one for one in fitting if filled(one) >= 0.95), max(fitting, key=filled))
    count, pitch = counts[step], room // counts[step]
    return _Plan(
        pad=pad,
        digits_cap=0.27 * unit,
        label_cap=0.188 * unit,
        digits_baseline=round(top + 0.36 * unit),
        teeth=(round(top + 0.43 * unit), round(top + 0.70 * unit)),
        label_baseline=round(top + 0.925 * unit),
        x0=pad + (room - count * pitch) // 2,
        pitch=pitch,
        tooth=max(2, pitch - max(1, round(0.3 * pitch))),
        count=count,
        step_rpm=step,
    )


class Comb:
    """An RPM comb for one size, scale and hue.

    Parameters
    ----------
    width, height : int
        Even pixels.
    full_scale_rpm : float
        Revs at the last tooth; rounded up to a whole tooth.
    limiter_rpm : float, optional
        Where the limiter cuts; teeth from there on are hatched.
    caution_rpm : float, optional
        Safe limit of a stock part; a tick with the word "stock" stands there.
    from_sound : bool
        Whether the revs come from the engine's sound, which is then written on the plate.
    hue : Color
        Of the build.

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
        full_scale_rpm: float,
        limiter_rpm: float | None = None,
        caution_rpm: float | None = None,
        from_sound: bool = False,
        hue: Color = BUILD_HUES[0],
    ) -> None:
        require_size("comb", width, height, least=LEAST_SIZE)
        if not (math.isfinite(full_scale_rpm) and full_scale_rpm > 0):
            raise UsageError(f"comb: full scale {full_scale_rpm} rpm must be above zero")
        self.size = (width, height)
        self._plan = plan = _plan(width, height, full_scale_rpm)
        self.full_scale_rpm = float(plan.count * plan.step_rpm)
        self.smallest_digits_px = plan.label_cap
        self._limiter = math.inf if limiter_rpm is None else limiter_rpm
        self._big = Tiles(face(plan.digits_cap, bold=True), INK, GROUND, PLATE_ALPHA)
        self._caption = ("rpm", "sound") if from_sound else ("", "rpm")
        small = face(plan.label_cap * CAPTION_SHARE)
        self._small = Tiles(small, QUIET_INK, GROUND, PLATE_ALPHA, ALL)
        self._make_layers(hue, caution_rpm)
        self._tags = self._make_tags()
        self._note = self._make_note(caution_rpm)
        self._blank_text = Tiles(face(plan.digits_cap * 0.72), QUIET_INK, GROUND, PLATE_ALPHA, ALL)

    def _make_tags(self) -> dict[str, Rgba]:
        """Tags for limiter and wheelspin: the largest of which both fit beside the digits."""
        plan = self._plan
        room = self.size[0] - plan.pad - self._caption_left() - round(0.3 * plan.digits_cap)
        room -= self._small.width(max(self._caption, key=len))
        tags: dict[str, Rgba] = {}
        for share, word in ((0.7, "limiter"), (0.7, "cut"), (0.58, "cut"), (0.46, "cut")):
            tag = face(plan.label_cap * share, bold=True)
            tags = {"cut": chip(word, tag, CUT), "spin": chip("spin", tag, SPIN)}
            gap = TAG_GAP_SHARE * tags["cut"].shape[0]
            if sum(tile.shape[1] for tile in tags.values()) + gap <= room:
                break
        return tags

    def _caption_left(self) -> int:
        digits = "88888" if self.full_scale_rpm >= 10000 else "8888"
        plan = self._plan
        return plan.pad + self._big.width(digits) + round(0.25 * plan.digits_cap)

    def _make_layers(self, hue: Color, caution_rpm: float | None) -> None:
        width, height = self.size
        plan = self._plan
        base = plate(width, height)
        self._draw_labels(base)
        if caution_rpm is not None and 0 < caution_rpm < self.full_scale_rpm:
            self._draw_caution(base, caution_rpm)
        dim = mix(TOOTH, CUT, 0.25)
        bare = base.copy()
        self._draw_caption(base)
        self._empty = self._draw_teeth(base, TOOTH, dim, hatch=mix(TOOTH, CUT, 0.75)).rgba()
        self._full = self._draw_teeth(base, hue, CUT, hatch=None).rgba()
        self._split = self._draw_teeth(base, SPIN, SPIN, hatch=None).rgba()
        self._flash = self._draw_teeth(base, CUT, CUT, hatch=None).rgba()
        self._spent = self._draw_teeth(base, INK, INK, hatch=None).rgba()
        blank = self._draw_teeth(bare, TOOTH, TOOTH, hatch=None)
        box = (plan.x0, plan.teeth[0], width - plan.x0, plan.teeth[1])
        blank.hatched_box(box, QUIET_INK, period_px=max(6.0, 0.07 * height), share=0.3, alpha=0.22)
        self._blank = blank.rgba()
        self._frame = self._empty.copy()

    def _draw_teeth(
        self, base: Canvas, color: Color, beyond: Color, *, hatch: Color | None
    ) -> Canvas:
        """All teeth, rising a little from left to right, on a thin spine."""
        canvas = base.copy()
        plan = self._plan
        for index in range(plan.count):
            rpm = index * plan.step_rpm
            is_beyond = rpm >= self._limiter
            left = plan.x0 + index * plan.pitch
            box = (left, self._tooth_top(index), left + plan.tooth, plan.teeth[1])
            canvas.box(box, beyond if is_beyond else color, radius=0.25 * plan.tooth)
            if is_beyond and hatch is not None:
                canvas.hatched_box(
                    box, hatch, period_px=max(5.0, 0.55 * plan.pitch), radius=0.25 * plan.tooth
                )
        return canvas

    def _tooth_top(self, index: int) -> int:
        top, bottom = self._plan.teeth
        rise = 0.45 * (bottom - top)
        return round(top + rise * (1.0 - (index + 1) / self._plan.count))

    def _x(self, rpm: float) -> float:
        return self._plan.x0 + rpm / self._plan.step_rpm * self._plan.pitch

    def _draw_labels(self, canvas: Canvas) -> None:
        plan = self._plan
        type_face = face(plan.label_cap)
        step = 1000
        while self._x(step) - self._x(0) < 2.2 * type_face.advance_px:
            step *= 2
        for rpm in range(0, int(self.full_scale_rpm) + 1, step):
            text = str(rpm // 1000)
            half = type_face.width(text) / 2
            x = min(max(self._x(rpm), plan.pad + half), self.size[0] - plan.pad - half)
            put_text(canvas, text, x, plan.label_baseline, type_face, QUIET_INK, anchor="middle")

    def _draw_caption(self, canvas: Canvas) -> None:
        plan = self._plan
        type_face = self._small.face
        left = self._caption_left()
        upper = plan.digits_baseline - round(plan.digits_cap - type_face.cap_px)
        for text, line in zip(self._caption, (upper, plan.digits_baseline), strict=True):
            put_text(canvas, text, left, line, type_face, QUIET_INK)

    def _draw_caution(self, canvas: Canvas, caution_rpm: float) -> None:
        plan = self._plan
        top = plan.teeth[1] + max(1.0, 0.05 * plan.label_cap)
        _triangle(canvas, self._x(caution_rpm), top, 0.32 * plan.label_cap)

    def _make_note(self, caution_rpm: float | None) -> Rgba | None:
        """What the triangle means, for the free place at the top right; None without room."""
        plan = self._plan
        if caution_rpm is None:
            return None
        text = f"stock {caution_rpm:.0f}"
        type_face = face(plan.label_cap)
        width = type_face.width(text) + round(1.3 * type_face.cap_px)
        taken = self._caption_left() + self._small.width("sound") + plan.pad
        if width > self.size[0] - taken - plan.pad:
            return None
        canvas = Canvas(width, math.ceil(1.1 * type_face.cap_px))
        canvas.box((0, 0, *canvas.size), GROUND, alpha=PLATE_ALPHA)
        cap = type_face.cap_px
        _triangle(canvas, 0.45 * cap, 0.25 * cap, 0.42 * cap)
        put_text(canvas, text, width, 1.07 * cap, type_face, QUIET_INK, anchor="right")
        return canvas.rgba()

    def draw(self, values: CombValues) -> Rgba:
        """The gauge as straight-alpha RGBA, uint8, shape (height, width, 4).

        The buffer is the gauge's own and is drawn over by the next call: copy what you keep.
        """
        frame = self._frame
        plan = self._plan
        if not math.isfinite(values.engine_rpm):
            np.copyto(frame, self._blank)
            self._blank_text.write(frame, "no data", plan.pad, plan.digits_baseline)
            return frame
        np.copyto(frame, self._empty)
        rpm = min(max(0.0, values.engine_rpm), self.full_scale_rpm)
        self._fill(frame, self._full, 0.0, rpm)
        if values.is_spinning and math.isfinite(values.slip) and values.slip > 0:
            self._fill(frame, self._split, rpm / (1.0 + values.slip), rpm)
        if values.is_cutting:
            self._flash_teeth(frame, rpm)
        self._write(frame, values)
        return frame

    def _fill(self, frame: Rgba, layer: Rgba, from_rpm: float, to_rpm: float) -> None:
        """Fill teeth between two revs; the last one from its root up, in proportion."""
        plan = self._plan
        first = int(from_rpm // plan.step_rpm)
        last = min(int(to_rpm // plan.step_rpm), plan.count)
        rows = slice(plan.teeth[0], plan.teeth[1])
        lay_columns(frame, layer, rows, plan.x0 + first * plan.pitch, plan.x0 + last * plan.pitch)
        share = to_rpm / plan.step_rpm - last
        if last < plan.count and share > 0:
            top = self._tooth_top(last)
            start = plan.teeth[1] - round(share * (plan.teeth[1] - top))
            left = plan.x0 + last * plan.pitch
            columns = slice(left, left + plan.pitch)
            frame[start : plan.teeth[1], columns] = layer[start : plan.teeth[1], columns]

    def _flash_teeth(self, frame: Rgba, rpm: float) -> None:
        """Light the tooth just spent in white and all beyond it in the limiter's colour."""
        plan = self._plan
        index = min(int(rpm // plan.step_rpm), plan.count - 1)
        left = plan.x0 + index * plan.pitch
        rows = slice(plan.teeth[0], plan.teeth[1])
        frame[rows, left:] = self._flash[rows, left:]
        columns = slice(left, left + plan.pitch)
        frame[rows, columns] = self._spent[rows, columns]

    def _write(self, frame: Rgba, values: CombValues) -> None:
        plan = self._plan
        shown = SHOWN_STEP_RPM * round(max(0.0, values.engine_rpm) / SHOWN_STEP_RPM)
        text = f"{shown:5d}" if self.full_scale_rpm >= 10000 else f"{shown:4d}"
        self._big.write_number(frame, text, plan.pad, plan.digits_baseline)
        right = self.size[0] - plan.pad
        if self._note is not None and not (values.is_cutting or values.is_spinning):
            top = plan.digits_baseline - round(plan.digits_cap + 0.07 * plan.label_cap)
            paste(frame, self._note, right - self._note.shape[1], top)
        for shows, kind in ((values.is_cutting, "cut"), (values.is_spinning, "spin")):
            if shows:
                tile = self._tags[kind]
                right -= tile.shape[1]
                middle = plan.digits_baseline - round(plan.digits_cap / 2)
                paste(frame, tile, right, middle - tile.shape[0] // 2)
                right -= round(TAG_GAP_SHARE * tile.shape[0])


def _triangle(canvas: Canvas, x: float, top: float, reach: float) -> None:
    canvas.polygon([(x, top), (x - reach, top + 1.7 * reach), (x + reach, top + 1.7 * reach)], CUT)
