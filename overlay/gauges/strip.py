"""Track strip: how far along the run each build is, one lane a build."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from overlay.errors import UsageError
from overlay.gauges.blend import lay_columns
from overlay.gauges.canvas import Canvas, Rgba
from overlay.gauges.palette import GROUND, INK, QUIET_INK, TRACK, Color, build_hue, mix
from overlay.gauges.plate import plate, require_size
from overlay.gauges.type import face, put_text
from overlay.gauges.values import StripValues

LEAST_SIZE = (160, 36)


class Strip:
    """A track strip for one size, length and set of builds.

    Parameters
    ----------
    width, height : int
        Even pixels.
    length_m : float
        Distance at the right end, metres.
    names : sequence of str
        One a build, one to four.
    hues : sequence of Color, optional
        Of the builds; their own hues by default.
    ticks : sequence of (float, str)
        Distances in metres with the text to stand below each; crowded texts are left out.

    Raises
    ------
    UsageError
        If the size, length or number of builds makes no sense.
    """

    def __init__(
        self,
        width: int,
        height: int,
        *,
        length_m: float,
        names: Sequence[str],
        hues: Sequence[Color] | None = None,
        ticks: Sequence[tuple[float, str]] = (),
    ) -> None:
        require_size("track strip", width, height, least=LEAST_SIZE)
        if not (math.isfinite(length_m) and length_m > 0):
            raise UsageError(f"track strip: length {length_m} m must be above zero")
        if not 1 <= len(names) <= 4:
            raise UsageError(f"track strip: {len(names)} builds; it shows one to four")
        self.size = (width, height)
        self.length_m = length_m
        self._hues = tuple(hues or (build_hue(index) for index in range(len(names))))
        self._pad = round(min(0.1 * height, 0.04 * width))
        self._label_cap = min(0.195 * height, 0.06 * width)
        self.smallest_digits_px = self._label_cap
        self._lane_pitch = (height - 2 * self._pad - 1.45 * self._label_cap) / len(names)
        self._name_cap = min(0.74 * self._lane_pitch, self._label_cap)
        name_face = face(self._name_cap)
        letters = min(max(len(name) for name in names), int(0.3 * width / name_face.advance_px))
        self._peg = max(4, round(min(0.8 * self._lane_pitch, 0.22 * height) / 2) * 2)
        self.x0 = self._pad + letters * name_face.advance_px + round(1.1 * self._peg)
        self.x1 = width - self._pad - self._peg // 2 - 1
        self._make_layers(names, letters, ticks)

    def _make_layers(
        self, names: Sequence[str], letters: int, ticks: Sequence[tuple[float, str]]
    ) -> None:
        base = plate(*self.size)
        name_face = face(self._name_cap)
        for index, name in enumerate(names):
            shown = name if len(name) <= letters else name[: letters - 1].rstrip() + "."
            baseline = self._middle(index) + self._name_cap / 2
            put_text(base, shown, self._pad, baseline, name_face, INK)
        self._draw_ticks(base, ticks)
        lanes, trails, blank = base.copy(), base.copy(), base.copy()
        for index, hue in enumerate(self._hues):
            box = self._lane_box(index)
            radius = (box[3] - box[1]) / 2
            lanes.box(box, TRACK, radius=radius)
            trails.box(box, mix(hue, TRACK, 0.35), radius=radius)
            blank.hatched_box(box, QUIET_INK, period_px=max(5.0, 2 * radius), alpha=0.5)
        self._lanes, self._trails, self._blank = lanes.rgba(), trails.rgba(), blank.rgba()
        self._pegs = [self._make_peg(hue) for hue in self._hues]
        self._frame = self._lanes.copy()

    def _make_peg(self, hue: Color) -> Rgba:
        """The marker of one build, with a dark rim that parts it from its trail."""
        canvas = Canvas(self._peg, self._peg)
        rim = max(1.0, 0.1 * self._peg)
        canvas.box((0, 0, self._peg, self._peg), GROUND, radius=0.34 * self._peg)
        canvas.box((rim, rim, self._peg - rim, self._peg - rim), hue, radius=0.34 * self._peg - rim)
        return canvas.rgba()

    def _middle(self, index: int) -> int:
        return round(self._pad + (index + 0.5) * self._lane_pitch)

    def _lane_box(self, index: int) -> tuple[float, float, float, float]:
        half = max(1, round(0.16 * self._peg))
        middle = self._middle(index)
        return self.x0 - half, middle - half, self.x1 + half, middle + half

    def _draw_ticks(self, canvas: Canvas, ticks: Sequence[tuple[float, str]]) -> None:
        type_face = face(self._label_cap)
        baseline = round(self.size[1] - self._pad * 0.9)
        bottom = baseline - self._label_cap - max(1.0, 0.1 * self._label_cap)
        thick = max(1.0, 0.014 * self.size[1])
        free_from = 0.0
        for distance_m, text in sorted(ticks):
            if not 0 <= distance_m <= self.length_m:
                continue
            x = self._x(distance_m)
            canvas.box((x - thick / 2, self._pad, x + thick / 2, bottom), QUIET_INK, alpha=0.55)
            wide = type_face.width(text)
            left = min(max(x - wide / 2, self._pad), self.size[0] - self._pad - wide)
            if left >= free_from:
                put_text(canvas, text, left, baseline, type_face, QUIET_INK)
                free_from = left + wide + 0.7 * type_face.advance_px

    def _x(self, distance_m: float) -> float:
        share = min(1.0, max(0.0, distance_m / self.length_m))
        return self.x0 + share * (self.x1 - self.x0)

    def draw(self, values: StripValues) -> Rgba:
        """The gauge as straight-alpha RGBA, uint8, shape (height, width, 4).

        The buffer is the gauge's own and is drawn over by the next call: copy what you keep.

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
        frame = self._frame
        np.copyto(frame, self._lanes)
        for index, distance_m in enumerate(values.distances_m):
            _, top, _, bottom = self._lane_box(index)
            rows = slice(int(top), int(bottom))
            if not math.isfinite(distance_m):
                lay_columns(frame, self._blank, rows, 0.0, self.size[0])
                continue
            x = self._x(distance_m)
            lay_columns(frame, self._trails, rows, 0.0, x)
            self._put_peg(index, x)
        return frame

    def _put_peg(self, index: int, x: float) -> None:
        peg = self._pegs[index]
        left = min(max(0, round(x) - self._peg // 2), self.size[0] - self._peg)
        top = self._middle(index) - self._peg // 2
        under = self._frame[top : top + self._peg, left : left + self._peg]
        solid = peg[..., 3:] > 127
        np.copyto(under, peg, where=solid)
