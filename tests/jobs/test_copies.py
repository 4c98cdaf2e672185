"""A copy of a clip, or a link to it, is no run of its own."""

import os
import shutil
from pathlib import Path

import pytest

from overlay.cli.main import invoke
from overlay.jobs.copies import copied_runs
from overlay.jobs.day_one import RunOutcome
from overlay.jobs.day_run import without_copies
from overlay.sheet import DaySheet, load_sheet
from tests.demo_runs import CLIPS


@pytest.fixture
def day(tmp_path: Path) -> Path:
    shutil.copytree(CLIPS, tmp_path / "day")
    return tmp_path / "day"


def with_run(day: Path, clip: str, more: str = "") -> DaySheet:
    """The sheet with another run of build A."""
    text = f'\n[[runs]]\nname = "a2"\nbuild = "A"\nclip = "{clip}"\nlogs = ["a1.gpx"]\n{more}'
    sheet = day / "day.toml"
    sheet.write_text(sheet.read_text() + text)
    return load_sheet(sheet)


@pytest.mark.parametrize("made", [shutil.copy2, os.link, os.symlink])
def test_copied_runs__copies_and_links(day: Path, made) -> None:
    made(day / "a1.mp4", day / "a2.mp4")
    assert copied_runs(with_run(day, "a2.mp4")) == {"a2": "a1"}


def test_copied_runs__equal_size_with_one_other_byte_is_another_clip(day: Path) -> None:
    data = bytearray((day / "a1.mp4").read_bytes())
    data[-1] ^= 1
    (day / "a2.mp4").write_bytes(data)
    assert copied_runs(with_run(day, "a2.mp4")) == {}


@pytest.mark.parametrize(
    ("windows", "copies"),
    [(((0, 5), (5, 9)), {}), (((0, 5), (4, 9)), {"a2": "a1"}), (((0, 5), None), {"a2": "a1"})],
)
def test_copied_runs__parts_that_do_not_overlap_are_runs(day: Path, windows, copies) -> None:
    os.link(day / "a1.mp4", day / "a2.mp4")
    texts = ["" if part is None else f"window_s = {list(map(float, part))}\n" for part in windows]
    text = (
        (day / "day.toml").read_text().replace('clip = "a1.mp4"\n', f'clip = "a1.mp4"\n{texts[0]}')
    )
    (day / "day.toml").write_text(text)
    assert copied_runs(with_run(day, "a2.mp4", texts[1])) == copies


def test_day__a_copy_is_named_and_not_counted(day: Path, capsys) -> None:
    shutil.copy2(day / "a1.mp4", day / "a2.mp4")
    sheet = with_run(day, "a2.mp4")
    done = [RunOutcome(run.name, object()) for run in sheet.runs]  # type: ignore[arg-type]
    kept = {outcome.name: outcome for outcome in without_copies(sheet, done)}
    assert kept["a1"] == done[0] and kept["b1"] == done[1]
    assert kept["a2"].run is None and kept["a2"].exit_code == 4
    assert "shows the pictures of a1 again" in str(kept["a2"].problem)
    assert invoke(["day", "check", str(day), "-q"]) == 3
    assert '"a2.mp4": shows the pictures of a1 again' in capsys.readouterr().out
