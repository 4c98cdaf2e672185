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
from collections.abc import Hashable, Iterator
from dataclasses import dataclass

from overlay.errors import UsageError
from overlay.gauges.base import (
    PLATE_ALPHA,
    Even,
    Gauge,
    State,
    Subject,
    chip,
    paste,
    plate,
    steps,
    tiles_on_plate,
)
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
    build_hue,
    mix,
)
from overlay.gauges.type import ALL, face, put_text
from overlay.runs.course import Course

STEPS_RPM = (25, 50, 100, 125, 200, 250, 500, 1000)
CAPTION_SHARE = 0.71  # of the labels' height; it has no digits
TAG_GAP_SHARE = 0.2  # of a tag's height, between two
SHOWN_STEP_RPM = 10  # digits are rounded to this: single revs only flicker


@dataclass(frozen=True)
class CombValues:
    """Engine at one instant."""

    engine_rpm: float  # revolutions a minute, >= 0; NaN when not known
    is_cutting: bool = False  # whether the limiter cuts now
    is_spinning: bool = False  # whether the driven wheel spins now
    # (wheel speed - ground speed) / ground speed, driving positive; NaN when not known.
    slip: float = math.nan


def comb_values(course: Course, t_s: float) -> CombValues:
    """Revs, and the slip of the driven wheel while a mark of wheelspin lasts."""
    is_spinning = course.is_marked("wheelspin", t_s)
    return CombValues(
        engine_rpm=course.rpm_at(t_s),
        is_cutting=course.is_marked("limiter cut", t_s),
        is_spinning=is_spinning,
        slip=course.slip_at(t_s) if is_spinning else math.nan,
    )


class Comb(Gauge[CombValues]):
    """An RPM comb for one size, scale and hue.

    Parameters
    ----------
    full_scale_rpm : float
        Revs at the last tooth; rounded up to a whole tooth.
    limiter_rpm : float, optional
        Where the limiter cuts; teeth from there on are hatched.
    caution_rpm : float, optional
        Safe limit of a stock part; a triangle stands there, with the word "stock" where there is
        room.
    from_sound : bool
        Whether the revs come from the engine's sound, which is then written on the plate.
    hue : Color
        Of the build.

    Raises
    ------
    UsageError
        If the size or scale makes no sense.
    """

    called = "comb"
    least_size = (120, 40)
    heading, columns = "Comb · engine speed", 3

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
        super().__init__(width, height)
        self._require_scale(full_scale_rpm, "rpm")
        self._plan(full_scale_rpm)
        self._limiter = math.inf if limiter_rpm is None else limiter_rpm
        self._caption = ("rpm", "sound") if from_sound else ("", "rpm")
        cap = self._digits_cap
        self._big = tiles_on_plate(cap, bold=True, ink=INK)
        self._small = tiles_on_plate(self.smallest_digits_px * CAPTION_SHARE, characters=ALL)
        self._blank_text = tiles_on_plate(cap * 0.72, characters=ALL)
        digits = "88888" if self.full_scale_rpm >= 10000 else "8888"
        self._caption_left = self._pad + self._big.width(digits) + round(0.25 * cap)
        self._make_layers(hue, caution_rpm)
        self._tags = self._make_tags()
        self._note = None if caution_rpm is None else self._make_note(caution_rpm)

    def _plan(self, full_scale_rpm: float) -> None:
        """Rows and columns of everything on the plate, in pixels."""
        width, height = self.size
        unit = min(float(height), width / 2.7)
        top = (height - unit) / 2
        self._pad = round(0.09 * unit)
        self._digits_cap, self.smallest_digits_px = 0.27 * unit, 0.188 * unit
        self._baseline, self._label_baseline = round(top + 0.36 * unit), round(top + 0.925 * unit)
        self._teeth = slice(round(top + 0.43 * unit), round(top + 0.70 * unit))
        room = width - 2 * self._pad
        narrowest = max(4.0, 0.062 * unit)
        counts = {step: math.ceil(full_scale_rpm / step) for step in STEPS_RPM}
        fitting = [step for step, count in counts.items() if room // count >= narrowest]
        if not fitting:
            raise UsageError(f"comb: {full_scale_rpm:.0f} rpm do not fit {width} px; make it wider")

        def filled(step: int) -> float:
            return room // counts[step] * counts[step] / room

        # The finest teeth of whole pixels that reach from side to side, or nearly so.
        step = next((one for one in fitting if filled(one) >= 0.95), max(fitting, key=filled))
        self._step_rpm, self._count = step, counts[step]
        self.full_scale_rpm = float(self._count * step)
        self._pitch = room // self._count
        self._x0 = self._pad + (room - self._count * self._pitch) // 2
        self._tooth = max(2, self._pitch - max(1, round(0.3 * self._pitch)))

    def _make_tags(self) -> dict[str, Rgba]:
        """Tags for limiter and wheelspin: the largest of which both fit beside the digits."""
        room = self.size[0] - self._pad - self._caption_left - round(0.3 * self._digits_cap)
        room -= self._small.width(max(self._caption, key=len))
        tags: dict[str, Rgba] = {}
        for share, word in ((0.7, "limiter"), (0.7, "cut"), (0.58, "cut"), (0.46, "cut")):
            tag = face(self.smallest_digits_px * share, bold=True)
            tags = {"cut": chip(word, tag, CUT), "spin": chip("spin", tag, SPIN)}
            gap = TAG_GAP_SHARE * tags["cut"].shape[0]
            if sum(tile.shape[1] for tile in tags.values()) + gap <= room:
                break
        return tags

    def _make_layers(self, hue: Color, caution_rpm: float | None) -> None:
        width, height = self.size
        base = plate(width, height)
        self._draw_labels(base)
        if caution_rpm is not None and 0 < caution_rpm < self.full_scale_rpm:
            cap = self.smallest_digits_px
            top = self._teeth.stop + max(1.0, 0.05 * cap)
            _triangle(base, self._x(caution_rpm), top, 0.32 * cap)
        blank = self._with_teeth(base, TOOTH, TOOTH)
        box = (self._x0, self._teeth.start, width - self._x0, self._teeth.stop)
        blank.hatched_box(box, QUIET_INK, period_px=max(6.0, 0.07 * height), share=0.3, alpha=0.22)
        self._blank = blank.rgba()
        type_face = self._small.face
        upper = self._baseline - round(self._digits_cap - type_face.cap_px)
        for text, line in zip(self._caption, (upper, self._baseline), strict=True):
            put_text(base, text, self._caption_left, line, type_face, QUIET_INK)
        dim, hatch = mix(TOOTH, CUT, 0.25), mix(TOOTH, CUT, 0.75)
        self._empty = self._with_teeth(base, TOOTH, dim, hatch=hatch).rgba()
        self._full = self._with_teeth(base, hue, CUT).rgba()
        self._split = self._with_teeth(base, SPIN, SPIN).rgba()
        self._flash = self._with_teeth(base, CUT, CUT).rgba()
        self._spent = self._with_teeth(base, INK, INK).rgba()

    def _with_teeth(
        self, base: Canvas, color: Color, beyond: Color, *, hatch: Color | None = None
    ) -> Canvas:
        """All teeth, rising a little from left to right, `beyond` from the limiter on."""
        canvas = base.copy()
        radius, period = 0.25 * self._tooth, max(5.0, 0.55 * self._pitch)
        for index in range(self._count):
            is_beyond = index * self._step_rpm >= self._limiter
            left = self._x0 + index * self._pitch
            box = (left, self._tooth_top(index), left + self._tooth, self._teeth.stop)
            canvas.box(box, beyond if is_beyond else color, radius=radius)
            if is_beyond and hatch is not None:
                canvas.hatched_box(box, hatch, period_px=period, radius=radius)
        return canvas

    def _tooth_top(self, index: int) -> int:
        rise = 0.45 * (self._teeth.stop - self._teeth.start)
        return round(self._teeth.start + rise * (1.0 - (index + 1) / self._count))

    def _x(self, rpm: float) -> float:
        return self._x0 + rpm / self._step_rpm * self._pitch

    def _draw_labels(self, canvas: Canvas) -> None:
        type_face = face(self.smallest_digits_px)
        step = 1000
        while self._x(step) - self._x(0) < 2.2 * type_face.advance_px:
            step *= 2
        for rpm in range(0, int(self.full_scale_rpm) + 1, step):
            text = str(rpm // 1000)
            half = type_face.width(text) / 2
            x = min(max(self._x(rpm), self._pad + half), self.size[0] - self._pad - half)
            put_text(canvas, text, x, self._label_baseline, type_face, QUIET_INK, anchor="middle")

    def _make_note(self, caution_rpm: float) -> Rgba | None:
        """What the triangle means, for the free place at the top right; None without room."""
        text, type_face = f"stock {caution_rpm:.0f}", face(self.smallest_digits_px)
        cap = type_face.cap_px
        width = type_face.width(text) + round(1.3 * cap)
        taken = self._caption_left + self._small.width("sound") + self._pad
        if width > self.size[0] - taken - self._pad:
            return None
        canvas = Canvas(width, math.ceil(1.1 * cap))
        canvas.box((0, 0, *canvas.size), GROUND, alpha=PLATE_ALPHA)
        _triangle(canvas, 0.45 * cap, 0.25 * cap, 0.42 * cap)
        put_text(canvas, text, width, 1.07 * cap, type_face, QUIET_INK, anchor="right")
        return canvas.rgba()

    @classmethod
    def of(cls, subject: Subject, width: int, height: int) -> Comb:
        """Revs of the first run, with where they come from."""
        assert subject.scale.full_rpm is not None
        machine = subject.run.machine
        return cls(
            width,
            height,
            full_scale_rpm=subject.scale.full_rpm,
            limiter_rpm=machine.limiter_rpm,
            caution_rpm=machine.stock_limit_rpm,
            from_sound=subject.run.rpm_from_sound,
            hue=subject.hues[0],
        )

    @classmethod
    def has_something(cls, subject: Subject) -> bool:
        """Whether the first run has revs."""
        return subject.run.rpm is not None and subject.scale.full_rpm is not None

    @staticmethod
    def values(subject: Subject, t_s: float) -> CombValues:
        """As :func:`comb_values`."""
        return comb_values(subject.run.course, t_s)

    def seen(self, values: CombValues) -> Hashable:
        """Steps of 5 rpm and of 0.01 in slip."""
        slip = steps(values.slip, 0.01)
        return steps(values.engine_rpm, 5.0), values.is_cutting, values.is_spinning, slip

    def draw(self, values: CombValues) -> Rgba:
        """Teeth, digits and tags."""
        if not math.isfinite(values.engine_rpm):
            frame = self._over(self._blank)
            self._blank_text.write(frame, "no data", self._pad, self._baseline)
            return frame
        frame = self._over(self._empty)
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
        first = int(from_rpm // self._step_rpm)
        last = min(int(to_rpm // self._step_rpm), self._count)
        left = self._x0 + last * self._pitch
        lay_columns(frame, layer, self._teeth, self._x0 + first * self._pitch, left)
        share = to_rpm / self._step_rpm - last
        if last < self._count and share > 0:
            bottom = self._teeth.stop
            start = bottom - round(share * (bottom - self._tooth_top(last)))
            columns = slice(left, left + self._pitch)
            frame[start:bottom, columns] = layer[start:bottom, columns]

    def _flash_teeth(self, frame: Rgba, rpm: float) -> None:
        """Light the tooth just spent in white and all beyond it in the limiter's colour."""
        left = self._x0 + min(int(rpm // self._step_rpm), self._count - 1) * self._pitch
        frame[self._teeth, left:] = self._flash[self._teeth, left:]
        columns = slice(left, left + self._pitch)
        frame[self._teeth, columns] = self._spent[self._teeth, columns]

    def _write(self, frame: Rgba, values: CombValues) -> None:
        shown = SHOWN_STEP_RPM * round(max(0.0, values.engine_rpm) / SHOWN_STEP_RPM)
        text = f"{shown:5d}" if self.full_scale_rpm >= 10000 else f"{shown:4d}"
        self._big.write_number(frame, text, self._pad, self._baseline)
        right = self.size[0] - self._pad
        if self._note is not None and not (values.is_cutting or values.is_spinning):
            top = self._baseline - round(self._digits_cap + 0.07 * self.smallest_digits_px)
            paste(frame, self._note, right - self._note.shape[1], top)
        middle = self._baseline - round(self._digits_cap / 2)
        for shows, kind in ((values.is_cutting, "cut"), (values.is_spinning, "spin")):
            if shows:
                tile = self._tags[kind]
                right -= tile.shape[1]
                paste(frame, tile, right, middle - tile.shape[0] // 2)
                right -= round(TAG_GAP_SHARE * tile.shape[0])

    @classmethod
    def states(cls, even: Even) -> Iterator[State]:
        """Idle, pulling, spinning, cutting, heard, not known."""
        size = even(590), even(168)
        comb = cls(*size, full_scale_rpm=6000, limiter_rpm=5000, caution_rpm=3600)
        heard = cls(*size, full_scale_rpm=6000, from_sound=True, hue=build_hue(1))
        yield "idle", comb, CombValues(1450)
        yield "pulling", comb, CombValues(4180)
        yield "wheelspin", comb, CombValues(4420, is_spinning=True, slip=0.24)
        yield "limiter cuts", comb, CombValues(5060, is_cutting=True)
        yield "both at once", comb, CombValues(5240, True, True, 0.3)
        yield "revs heard, not logged", heard, CombValues(3370)
        yield "no revs known", comb, CombValues(math.nan)


def _triangle(canvas: Canvas, x: float, top: float, reach: float) -> None:
    canvas.polygon([(x, top), (x - reach, top + 1.7 * reach), (x + reach, top + 1.7 * reach)], CUT)
