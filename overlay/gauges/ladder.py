"""Ladder: one rung a split.

A rung fills while its goal is approached and keeps its time, with its ±, once passed. Parts that
wheelspin or the limiter spoiled keep those colours in the rung; a goal never reached says why.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from overlay.errors import UsageError
from overlay.gauges.blend import Z95, lay_columns
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
)
from overlay.gauges.plate import PLATE_ALPHA, chip, paste, plate, require_size
from overlay.gauges.type import ALL, Tiles, face, plus_minus
from overlay.gauges.values import LadderValues, RungState

LEAST_SIZE = (120, 32)
ADVANCE_IN_CAPS = 0.856  # one advance over the height of digits (0.65 em over 0.76 em)
COMPACT_SHARE = 0.75  # text smaller than this share of what the height allows gives up its tags
PM_TEXT = "±.88"


class Ladder:
    """A ladder for one size, list of goals and hue.

    Parameters
    ----------
    width, height : int
        Even pixels.
    labels : sequence of str
        One a rung, from the top, such as ``20 mph``; long ones are cut.
    hue : Color
        Of the build.

    Raises
    ------
    UsageError
        If there is no rung or too little room for so many.
    """

    def __init__(
        self, width: int, height: int, *, labels: Sequence[str], hue: Color = BUILD_HUES[0]
    ) -> None:
        require_size("ladder", width, height, least=LEAST_SIZE)
        if not labels:
            raise UsageError("ladder: needs one goal at least; name splits in the day sheet")
        self.size = (width, height)
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
        self._cap = cap
        self.smallest_digits_px = cap
        self._bar_px = max(2, round(0.13 * self._pitch))
        self._make_tiles()
        self._make_layers(hue)

    def _make_tiles(self) -> None:
        cap = self._cap
        ground = (GROUND, PLATE_ALPHA)
        self._label = Tiles(face(cap), QUIET_INK, *ground, ALL)
        self._label_lit = Tiles(face(cap), INK, *ground, ALL)
        self._time = Tiles(face(cap, bold=True), INK, *ground)
        self._pm = Tiles(face(cap), QUIET_INK, *ground)
        self._reason = Tiles(face(cap * 0.82), QUIET_INK, *ground, ALL)
        tag = face(cap * 0.54, bold=True)
        self._tags = {
            "wheelspin": chip("spin", tag, SPIN, pad_share=0.34),
            "limiter": chip("cut", tag, CUT, pad_share=0.34),
        }

    def _make_layers(self, hue: Color) -> None:
        width, height = self.size
        base = plate(width, height, corner_px=min(0.06 * width, 0.3 * self._pitch))
        self._empty = self._draw_rungs(base, TOOTH).rgba()
        self._full = self._draw_rungs(base, hue).rgba()
        missed = self._draw_rungs(base, GROUND)
        for index in range(len(self.labels)):
            rows = self._rows(index)
            missed.hatched_box(
                (self._pad, rows.start, width - self._pad, rows.stop),
                QUIET_INK,
                period_px=max(5.0, 1.6 * self._bar_px),
                share=0.35,
                alpha=0.5,
            )
        self._missed = missed.rgba()
        self._spoiled = {
            "wheelspin": self._draw_rungs(base, SPIN).rgba(),
            "limiter": self._draw_rungs(base, CUT).rgba(),
        }
        self._frame = self._empty.copy()

    def _rows(self, index: int) -> slice:
        bottom = round(0.6 * self._pad + (index + 1) * self._pitch - 0.14 * self._pitch)
        return slice(bottom - self._bar_px, bottom)

    def _baseline(self, index: int) -> int:
        top: int = self._rows(index).start
        return top - round(0.18 * self._pitch)

    def _draw_rungs(self, base: Canvas, color: Color) -> Canvas:
        canvas = base.copy()
        for index in range(len(self.labels)):
            rows = self._rows(index)
            box = (self._pad, rows.start, self.size[0] - self._pad, rows.stop)
            canvas.box(box, color, radius=self._bar_px / 2)
        return canvas

    def draw(self, values: LadderValues) -> Rgba:
        """The gauge as straight-alpha RGBA, uint8, shape (height, width, 4).

        The buffer is the gauge's own and is drawn over by the next call: copy what you keep.

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
        np.copyto(self._frame, self._empty)
        for index, state in enumerate(values.rungs):
            self._draw_bar(index, state)
            self._write(index, state)
        return self._frame

    def _x(self, share: float) -> float:
        return self._pad + min(1.0, max(0.0, share)) * (self.size[0] - 2 * self._pad)

    def _draw_bar(self, index: int, state: RungState) -> None:
        rows = self._rows(index)
        frame = self._frame
        end = _reach(state)
        if state.status == "missed":
            lay_columns(frame, self._missed, rows, 0.0, float(self.size[0]))
        lay_columns(frame, self._full, rows, 0.0, self._x(end))
        for part in state.spoiled:
            layer = self._spoiled[part.kind]
            lay_columns(frame, layer, rows, self._x(part.start), self._x(min(part.end, end)))

    def _write(self, index: int, state: RungState) -> None:
        frame, baseline = self._frame, self._baseline(index)
        lit = state.status in ("filling", "passed")
        label = self._label_lit if lit else self._label
        left = label.write(frame, self.labels[index], self._pad, baseline)
        right = self.size[0] - self._pad
        if state.status == "missed":
            room = right - left - self._reason.face.advance_px
            text = _cut_to(state.reason or "not reached", self._reason, room)
            self._reason.write_right(frame, text, right, baseline)
            return
        if state.time_s is not None and state.status == "passed":
            right = self._write_time(state, right, baseline)
        self._write_tags(state, right, left, baseline)

    def _write_time(self, state: RungState, right: int, baseline: int) -> int:
        """Time and its ± in columns of their own; returns where they start."""
        assert state.time_s is not None
        if state.sigma_s is not None and math.isfinite(state.sigma_s):
            text = plus_minus(Z95 * state.sigma_s, 2)
            self._pm.write_right(self._frame, text, right, baseline)
        right -= self._pm.width(PM_TEXT) + round(0.4 * self._cap)
        left = self._time.write_right(self._frame, f"{state.time_s:.2f}", right, baseline)
        return left - round(0.22 * self._cap)

    def _write_tags(self, state: RungState, right: int, left: int, baseline: int) -> None:
        reach = _reach(state)
        for kind in dict.fromkeys(p.kind for p in state.spoiled if p.start < reach):
            tile = self._tags[kind]
            if right - tile.shape[1] <= left:
                return
            right -= tile.shape[1]
            top = baseline - round(self._cap / 2) - tile.shape[0] // 2
            paste(self._frame, tile, right, top)
            right -= round(0.15 * self._cap)


def _reach(state: RungState) -> float:
    """How much of the rung is done, 0 to 1: nothing is marked before it has happened."""
    if state.status == "passed":
        return 1.0
    if state.status == "waiting" or not math.isfinite(state.progress):
        return 0.0
    return min(1.0, max(0.0, state.progress))


def _cut_to(text: str, tiles: Tiles, room_px: int) -> str:
    """The words of `text` that fit."""
    while tiles.width(text) > room_px and " " in text:
        text = text.rsplit(" ", 1)[0]
    return text if tiles.width(text) <= room_px else ""
