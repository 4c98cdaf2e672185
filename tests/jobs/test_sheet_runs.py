"""Runs of a sheet, and whether their files will do."""

import shutil
from pathlib import Path
from types import SimpleNamespace

import pytest

from overlay.cli.main import invoke
from overlay.demo.day import day_sheet
from overlay.errors import InputError, UsageError
from overlay.jobs.grid import sides_from_sheet
from overlay.jobs.sheet_runs import file_problems, paired_from_sheet, run_files
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
        first, second = paired_from_sheet(named, ("two", "one"))
        assert first.clip == folder / "b1.mp4"
        assert first.logs == (folder / "b1.nmea",)
        assert (first.name, first.same_clock, first.offset_s) == ("two", True, None)
        assert (second.name, second.same_clock, second.offset_s) == ("one", False, 1.25)


def test_pair__each_side_has_the_gearing_and_limits_of_its_build(folder):
    text = (CLIPS / "day.toml").read_text()
    (folder / "day.toml").write_text(text)
    first, second = paired_from_sheet(folder, ("a1", "b1"))
    assert (first.machine.limiter_rpm, second.machine.limiter_rpm) == (3950.0, 5100.0)
    for side in (first, second):
        assert side.machine.driveline.ratios == (9.4,)
        assert side.machine.stock_limit_rpm == 4000.0


def test_pair__sheet_draws_the_limiter_and_marks_from_gearing(folder, monkeypatch):
    """What reaches the drawing: the comb's limit and the driveline of each build."""
    from overlay.jobs import pair as job

    (folder / "day.toml").write_text((CLIPS / "day.toml").read_text())
    seen = {}

    def analysed(one, request):
        seen.setdefault("limits", []).append(request.machine.limiter_rpm)
        return SimpleNamespace(machine=request.machine)

    def drawn(runs, names, target, request, *, machines, **options):
        seen["machines"] = machines
        raise InputError("drawn enough")

    monkeypatch.setattr(job, "align_all", lambda tasks, **more: [one.inputs for one in tasks])
    monkeypatch.setattr(job, "require_determined", lambda one: None)
    monkeypatch.setattr(job, "analyse", analysed)
    monkeypatch.setattr(job, "pair_analysed", drawn)
    code = invoke(["pair", "a1", "b1", "--sheet", str(folder), "-o", str(folder / "p.mp4"), "-q"])
    assert code == InputError.exit_code
    assert seen["limits"] == [3950.0, 5100.0]
    assert [m.driveline.ratios for m in seen["machines"]] == [(9.4,), (9.4,)]


def test_grid__takes_each_builds_machine_from_the_sheet():
    sides = sides_from_sheet(CLIPS, ["a1", "b1"])
    machines = [side.machine for side in sides]
    assert [m.limiter_rpm for m in machines] == [3950.0, 5100.0]  # as demo_clips/day.toml says
    assert [m.driveline.ratios for m in machines] == [(9.4,), (9.4,)]
    with pytest.raises(UsageError, match="named twice"):
        sides_from_sheet(CLIPS, ["a1", "a1"])


@pytest.mark.parametrize(
    ("names", "words"),
    [
        (("one",), "two names"),
        (("one", "one"), "two different runs"),
        (("one", "tow"), "did you mean two"),
        (("one", "zzz"), "its runs are one, two"),
    ],
)
def test_pair__wrong_names_are_told(folder, names, words):
    with pytest.raises(UsageError, match=words):
        paired_from_sheet(folder, names)


def test_pair__of_a_faulty_sheet_is_refused(folder):
    (folder / "day.toml").write_text(SHEET.replace('"b1.nmea"', '"b2.nmea"'))
    with pytest.raises(SheetError, match="did you mean"):
        paired_from_sheet(folder, ("one", "two"))


def test_files__of_a_run(folder):
    sheet = load_sheet(folder / "day.toml")
    files = run_files(sheet, "one")
    assert files.clip == folder / "a1.mp4"
    assert files.logs == (folder / "a1.gpx", folder / "a1_revs.csv")
    assert files.columns is None


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
    assert capsys.readouterr().out == f"{problem}\n"


def test_check__prints_all_problems_of_the_sheet(folder, capsys):
    (folder / "day.toml").write_text(SHEET.replace("build", "biuld").replace("1.25", "true"))
    assert invoke(["day", "check", str(folder / "day.toml")]) == InputError.exit_code
    out = capsys.readouterr().out.splitlines()
    assert len(out) == 7
    assert all(line.startswith(f"{folder / 'day.toml'}:") for line in out)


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
