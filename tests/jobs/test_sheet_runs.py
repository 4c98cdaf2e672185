"""Runs of a sheet, and whether their files will do."""

import shutil
from pathlib import Path
from types import SimpleNamespace

import pytest

from overlay.cli.main import invoke
from overlay.demo.day import day_sheet
from overlay.errors import InputError, UsageError
from overlay.jobs.sheet_runs import file_problems, runs_from_sheet
from overlay.sheet import SheetError, load_sheet

CLIPS = Path(__file__).resolve().parents[2] / "demo_clips"
SHEET = """\
[[builds]]
name = "A"
[[runs]]
name = "one"
build = "A"
clip = "a1.mp4"
logs = ["a1.gpx", "a1_revs.csv"]
offset_s = 1.25
[[runs]]
name = "two"
build = "A"
clip = "b1.mp4"
logs = ["b1.nmea"]
same_clock = true
rounding = "down"
"""


@pytest.fixture
def folder(tmp_path):
    for file in CLIPS.iterdir():
        if file.suffix in (".mp4", ".gpx", ".nmea", ".csv"):
            shutil.copy(file, tmp_path)
    (tmp_path / "day.toml").write_text(SHEET)
    return tmp_path


def change(folder, old, new):
    assert old in SHEET
    (folder / "day.toml").write_text(SHEET.replace(old, new, 1))
    return load_sheet(folder / "day.toml")


def test_pair__is_what_the_sheet_says(folder):
    for named in (folder, folder / "day.toml"):
        first, second = runs_from_sheet(named, ("two", "one"))
        assert first.clip == folder / "b1.mp4"
        assert first.logs == (folder / "b1.nmea",)
        assert (first.name, first.options.same_clock, first.options.offset_s) == ("two", True, None)
        assert (second.name, second.options.same_clock) == ("one", False)
        assert second.logs == (folder / "a1.gpx", folder / "a1_revs.csv")
        assert (first.options.rounding, second.options.rounding) == ("down", "unknown")
        assert (second.options.offset_s, second.options.columns) == (1.25, None)


def test_pair__each_side_has_the_gearing_and_limits_of_its_build(folder):
    text = (CLIPS / "day.toml").read_text()
    (folder / "day.toml").write_text(text)
    machines = [run.options.machine for run in runs_from_sheet(folder, ("a1", "b1"))]
    assert [one.limiter_rpm for one in machines] == [3950.0, 5100.0]
    assert [one.driveline.ratios for one in machines] == [(9.4,), (9.4,)]
    assert [one.stock_limit_rpm for one in machines] == [4000.0, 4000.0]


@pytest.mark.parametrize("command", ["pair", "grid"])
def test_together__sheet_draws_the_limiter_and_marks_from_gearing(folder, monkeypatch, command):
    """What reaches the drawing: the comb's limit and the driveline of each build."""
    from overlay.jobs import film as job

    (folder / "day.toml").write_text((CLIPS / "day.toml").read_text())
    seen = []

    def drawn(cells, style, arrangement):
        seen.extend(cell.options.machine for cell in cells)
        raise InputError("drawn enough")

    monkeypatch.setattr(job, "align_all", lambda runs, **more: runs)
    monkeypatch.setattr(job, "require_determined", lambda one: None)
    monkeypatch.setattr(job, "correct", lambda one: one)
    monkeypatch.setattr(job, "analyse", lambda one, goals: one)
    monkeypatch.setattr(job, "Cell", lambda run, name: run)
    monkeypatch.setattr(job, "scene_of", drawn)
    code = invoke([command, "a1", "b1", "--sheet", str(folder), "-o", str(folder / "p.mp4"), "-q"])
    assert code == InputError.exit_code
    assert [one.limiter_rpm for one in seen] == [3950.0, 5100.0]
    assert [one.driveline.ratios for one in seen] == [(9.4,), (9.4,)]


@pytest.mark.parametrize(
    ("names", "words"),
    [
        (("one", "one"), "named twice"),
        (("one", "tow"), "did you mean two"),
        (("one", "zzz"), "its runs are one, two"),
    ],
)
def test_pair__wrong_names_are_told(folder, names, words):
    with pytest.raises(UsageError, match=words):
        runs_from_sheet(folder, names)


def test_pair__of_a_faulty_sheet_is_refused(folder):
    (folder / "day.toml").write_text(SHEET.replace('"b1.nmea"', '"b2.nmea"'))
    with pytest.raises(SheetError, match="did you mean"):
        runs_from_sheet(folder, ("one", "two"))


def test_pair__takes_two_names(folder, capsys):
    words = ["pair", "one", "--sheet", str(folder), "-o", "p.mp4"]
    assert invoke(words) == UsageError.exit_code
    assert "two names" in capsys.readouterr().err


def test_file_problems__none_in_good_files(folder):
    assert file_problems(load_sheet(folder / "day.toml")) == ()


@pytest.mark.parametrize(
    ("old", "new", "place", "words"),
    [
        ('clip = "a1.mp4"', 'clip = "a1.gpx"', "runs[1].clip", ""),
        ('["b1.nmea"]', '["b1_revs.csv"]', "runs[2].logs", "name a log with GPS speed"),
        ('["b1.nmea"]', '["b1.mp4.part"]', "runs[2].logs[1]", ""),
        ("offset_s = 1.25", "window_s = [1, 5000]", "runs[1].window_s", "s long; check both"),
        ("offset_s = 1.25", "window_s = [4000, 5000]", "runs[1].window_s", "starts at 4000 s"),
        ('["b1.nmea"]', '["b1.nmea"]\ncolumns = { speed = "V" }', "runs[2].columns", "no columns"),
    ],
)
def test_file_problems__are_told_with_their_line(folder, old, new, place, words, capsys):
    (folder / "b1.mp4.part").write_bytes(b"\x00\x01\x02" * 50)
    if place == "runs[1].clip":
        new += '\nnotes = "x"'
        old_text = SHEET.replace('logs = ["a1.gpx", "a1_revs.csv"]', 'logs = ["b1.nmea"]')
        (folder / "day.toml").write_text(old_text.replace(old, new, 1))
        sheet = load_sheet(folder / "day.toml")
    else:
        sheet = change(folder, old, new)
    (problem,) = file_problems(sheet)
    assert problem.place == place
    assert words in problem.text
    text = (folder / "day.toml").read_text().splitlines()
    assert text[problem.line - 1].startswith(place.split(".")[1].split("[")[0])
    assert invoke(["day", "check", str(folder)]) == InputError.exit_code
    out = capsys.readouterr().out.splitlines()
    assert out[-1] == str(problem)
    assert [line for line in out[:-1] if "stock_limit_rpm" not in line] == []


def test_check__prints_all_problems_of_the_sheet(folder, capsys):
    (folder / "day.toml").write_text(SHEET.replace("build", "biuld").replace("1.25", "true"))
    assert invoke(["day", "check", str(folder / "day.toml")]) == InputError.exit_code
    out = capsys.readouterr().out.splitlines()
    assert len(out) == 7
    assert all(line.startswith(f"{folder / 'day.toml'}:") for line in out)


def test_check__asks_for_the_limit_of_the_stock_parts(folder, capsys):
    assert invoke(["day", "check", str(folder)]) == 0
    asked, fine = capsys.readouterr().out.splitlines()
    assert "stock_limit_rpm is not given" in asked
    assert fine.endswith("no problems")
    limit = "[vehicle]\nstock_limit_rpm = 4000\n"
    (folder / "day.toml").write_text(SHEET.replace("[vehicle]\n", "") + limit)
    assert invoke(["day", "check", str(folder)]) == 0
    assert len(capsys.readouterr().out.splitlines()) == 1


def test_check__missing_sheet_is_one_line(tmp_path, capsys):
    assert invoke(["day", "check", str(tmp_path / "day.toml")]) == InputError.exit_code
    assert capsys.readouterr().err.count("\n") == 1


def test_demo__its_sheet_has_no_mistake(tmp_path):
    runs = tuple(
        SimpleNamespace(
            name=name,
            build=name[0].upper(),
            clip=f"{name}.mp4",
            speed_log=f"{name}.gpx",
            revs_log=f"{name}_revs.csv",
            clock_offset_s=0.0,
        )
        for name in ("A1", "B1")
    )
    (tmp_path / "day.toml").write_text(day_sheet(runs), encoding="utf-8")
    sheet = load_sheet(tmp_path / "day.toml", files=False)
    assert len(sheet.runs) == len(sheet.builds) == 2
    assert sheet.builds[1].total_price == 85
