"""What DEVELOPERS.md promises: a gauge or an arrangement is one class or line, and one name."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterator, Mapping
from fractions import Fraction
from types import SimpleNamespace
from typing import Any, ClassVar

import numpy as np
import pytest

from overlay.arrangements import ARRANGEMENTS, Division
from overlay.gauges import GAUGES
from overlay.gauges.base import Even, Gauge, State, Subject, plate, tiles_on_plate
from overlay.gauges.canvas import Rgba
from overlay.gauges.contact import contact_sheet
from overlay.scene import Cell, Style, scene_of
from overlay.session.machine import Machine
from tests.gauges.closed_form import steady_pull


def analysed(**more: Any) -> Any:
    """A run in closed form, with what a scene asks of it."""
    course = steady_pull(3.0, goals=("20 mph", "60 m"))
    clip = SimpleNamespace(path="a.mp4", width=1920, height=1080, pixel_aspect=Fraction(1))
    facts: dict[str, Any] = {"clip": clip, "course": course, "machine": Machine(), "rpm": None}
    facts |= {"launch": course.launch, "splits": course.splits, "rpm_from_sound": False}
    return SimpleNamespace(**facts | {"options": SimpleNamespace(covers=())} | more)


class Clock(Gauge[float]):
    """Seconds since launch."""

    called, least_size = "clock", (40, 20)
    heading, columns = "Clock", 2
    places: ClassVar[Mapping[str, tuple[float, float, float, float]]] = {
        "whole": (0.0, 0.4, 0.2, 0.1),
        "side": (0.0, 0.4, 0.4, 0.1),
    }

    def __init__(self, width: int, height: int) -> None:
        super().__init__(width, height)
        self._plate = plate(width, height).rgba()
        self._digits = tiles_on_plate(0.4 * height)

    @classmethod
    def of(cls, subject: Subject, width: int, height: int) -> Clock:
        return cls(width, height)

    @classmethod
    def has_something(cls, subject: Subject) -> bool:
        return subject.run.launch is not None

    @staticmethod
    def values(subject: Subject, t_s: float) -> float:
        launch = subject.run.launch
        return math.nan if launch is None else t_s - launch.at_s

    def seen(self, values: float) -> Hashable:
        return round(values, 1)

    def draw(self, values: float) -> Rgba:
        frame = self._over(self._plate)
        self._digits.write(frame, f"{values:.1f}", 8, round(0.7 * self.size[1]))
        return frame

    @classmethod
    def states(cls, even: Even) -> Iterator[State]:
        yield "under way", cls(even(200), even(60)), 3.2


@pytest.fixture
def with_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(GAUGES, "clock", f"{__name__}:Clock")


@pytest.mark.usefixtures("with_clock")
def test_a_gauge__is_one_class_and_its_name() -> None:
    scene = scene_of([Cell(analysed(), "a")], Style(gauges=("ribbon", "clock")))
    _, clock = scene.layers[0]
    assert not np.array_equal(clock.draw(2.0).copy(), clock.draw(3.0))
    assert clock.key is not None and clock.key(2.0) == clock.key(2.01) != clock.key(3.0)
    assert clock.box in scene.imprint.boxes
    assert contact_sheet(scale=0.5).shape[1] == 960


@pytest.mark.usefixtures("with_clock")
def test_a_gauge__with_nothing_to_show_is_left_out() -> None:
    still = analysed(launch=None)
    scene = scene_of([Cell(still, "a")], Style(gauges=("ribbon", "clock")))
    assert len(scene.layers[0]) == 1


def test_an_arrangement__is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(ARRANGEMENTS, "row", Division(3, 3, 3, "side", is_upright=False))
    scene = scene_of([Cell(analysed(), name) for name in "abc"], Style(), "row")
    assert [cell.x for cell in scene.geometry.cells] == [0, 640, 1280]
    for cell, layers in zip(scene.geometry.cells, scene.layers, strict=True):
        assert layers
        for x, y, wide, high in (layer.box for layer in layers):
            assert cell.x <= x and x + wide <= cell.right
            assert cell.y <= y and y + high <= cell.bottom
