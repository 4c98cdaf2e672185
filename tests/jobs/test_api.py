"""The steps that a script takes after the run's own: frozen results, and no error but ours."""

from __future__ import annotations

import dataclasses
import typing
from pathlib import Path
from typing import Any

import pytest

import overlay
from overlay import RunOptions, Style, TimetrueError, align, analyse, correct, draw, load
from overlay.compare.figures import CANNOT_TELL
from overlay.runs import parse_goal
from overlay.verify.finished import imprint_of
from tests.clips import make_clip
from tests.jobs.known import known_alignment, speed_log

__all__ = ["known_alignment"]


@pytest.fixture
def run(tmp_path: Path, known_alignment: None) -> overlay.RunAnalysis:
    clip = make_clip(tmp_path / "a.mp4", size=(320, 240), seconds=2.0, rate=10)
    log = speed_log(tmp_path / "a.csv", 2.0)
    return analyse(correct(align(load(clip, [log]))), [parse_goal("1 m")])


@pytest.mark.parametrize("name", overlay.__all__)
def test_names__every_class_is_frozen_or_an_error(name: str) -> None:
    thing: Any = getattr(overlay, name)
    if isinstance(thing, type) and not issubclass(thing, Exception):
        assert dataclasses.is_dataclass(thing)
        assert thing.__dataclass_params__.frozen  # type: ignore[attr-defined]


def test_package__is_typed() -> None:
    assert (Path(overlay.__file__).parent / "py.typed").is_file()
    assert typing.get_type_hints(Style)["units"] is str


def test_draw__one_and_several(run: overlay.RunAnalysis, tmp_path: Path) -> None:
    style = Style(units="m/s")
    made = draw(run, tmp_path / "one.mp4", style)
    assert (made.size_px, made.frames) == ((320, 240), 20)
    together = draw([run, run], tmp_path / "two.mp4", style, names=["left", "right"])
    assert together.size_px == (1280, 720)
    imprint = imprint_of(together.path)
    assert imprint is not None and [side.name for side in imprint.sides] == ["left", "right"]


def test_compare__of_two_builds(run: overlay.RunAnalysis) -> None:
    (found,) = overlay.compare([run, run], [run])
    assert (found.label, found.a.n, found.b.n) == ("1 m", 2, 1)
    assert found.difference == pytest.approx(0.0)
    assert found.verdict == CANNOT_TELL


def test_errors__none_but_ours(run: overlay.RunAnalysis, tmp_path: Path) -> None:
    other = analyse(run, [parse_goal("2 m")])
    calls: list[Any] = [
        lambda: load("none.mp4", ["none.csv"]),
        lambda: load(tmp_path / "a.mp4", []),
        lambda: load(tmp_path / "a.csv", [tmp_path / "a.mp4"]),
        lambda: load(
            tmp_path / "a.mp4", [tmp_path / "a.csv"], RunOptions(ignore=((9e9, 0, 1, 1),))
        ),
        lambda: draw([], tmp_path / "b.mp4"),
        lambda: draw(run, tmp_path / "b.txt"),
        lambda: draw(run, tmp_path / "a.mp4"),
        lambda: draw(run, tmp_path / "a.csv"),
        lambda: draw(run, tmp_path / "none" / "b.mp4"),
        lambda: draw([run] * 3, tmp_path / "b.mp4", arrangement="stacked"),
        lambda: draw([run] * 5, tmp_path / "b.mp4"),
        lambda: draw(run, tmp_path / "b.mp4", Style(units="furlongs")),
        lambda: draw(run, tmp_path / "b.mp4", Style(layout="none.toml")),
        lambda: draw(run, tmp_path / "b.mp4", names=["a", "b"]),
        lambda: overlay.compare([], [run]),
        lambda: overlay.compare([run], [other]),
        lambda: overlay.verify(tmp_path / "a.mp4"),
        lambda: overlay.verify("none.mp4"),
    ]
    before = sorted(path.name for path in tmp_path.iterdir())
    for call in calls:
        with pytest.raises(TimetrueError):
            call()
    assert sorted(path.name for path in tmp_path.iterdir()) == before
