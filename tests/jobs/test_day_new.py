"""A day sheet from a folder: what is paired with what, and why."""

import shutil
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from overlay.cli.main import invoke
from overlay.errors import InputError, OutputError
from overlay.jobs.day_new import SeenClip, SeenLog, common_shift_h, new_sheet, pair_up
from overlay.jobs.day_text import quoted, run_names
from overlay.logs.model import RPM, SPEED, Log
from overlay.series import Series
from overlay.sheet import load_sheet
from tests.clips import make_clip

CLIPS = Path(__file__).resolve().parents[2] / "demo_clips"
NOON = datetime(2026, 5, 16, 12, 0, tzinfo=UTC)


def clip(name, minutes=None, duration_s=20.0):
    created = None if minutes is None else NOON + timedelta(minutes=minutes)
    return SeenClip(name, duration_s, created)


def log(name, minutes=None, duration_s=40.0, top_mps=9.0, channel=SPEED, source="speed element"):
    """A log that rises from rest to its top; on UTC where `minutes` after noon are given."""
    t_s = np.arange(0.0, duration_s + 0.05, 0.1)
    values = np.interp(t_s, [0.3 * duration_s, 0.8 * duration_s], [0.0, top_mps])
    start = None if minutes is None else NOON + timedelta(minutes=minutes)
    series = Series(channel, t_s, values)
    clock = "elapsed" if minutes is None else "utc"
    return SeenLog(name, Log(name, "table", clock, start, {channel: series}, source))


def revs(name, minutes=None):
    return log(name, minutes, top_mps=4000.0, channel=RPM, source=None)


def names(pairings):
    return {p.clip.name: [log.name for log in p.logs] for p in pairings}


def test_new_sheet__a_folder_without_clips_names_no_file_twice(tmp_path):
    (tmp_path / "notes.csv").write_text("a,b\n1,2\n3,4\n")
    (tmp_path / "run.mp4").write_bytes(b"no film")
    with pytest.raises(InputError, match="no clip in it that can be read") as caught:
        new_sheet(tmp_path)
    said = str(caught.value)
    assert said.count(str(tmp_path)) == 1 and said.count("run.mp4") == 1
    assert "notes.csv" not in said  # it is no clip


# -- pairing ------------------------------------------------------------------------------------


def test_pairing__by_name_keeps_a1_and_a10_apart():
    clips = [clip("a1.mp4"), clip("a10.mp4"), clip("A2.MP4")]
    logs = [log("a10.gpx"), log("a2-gps.csv"), log("a1.gpx"), revs("a1_revs.csv")]
    found = pair_up(clips, logs)
    assert names(found) == {
        "a1.mp4": ["a1.gpx", "a1_revs.csv"],
        "a10.mp4": ["a10.gpx"],
        "A2.MP4": ["a2-gps.csv"],
    }
    assert not any(p.doubts for p in found)


@pytest.mark.parametrize("shift_h", [-11, -5, 0, 1, 2, 13])
def test_pairing__by_time_with_a_clock_wrong_by_hours(shift_h):
    starts = (0, 7, 19, 33)
    clips = [
        clip(f"clip{n:04}.mp4", start + 0.3 + 60 * shift_h) for n, start in enumerate(starts, 17)
    ]
    logs = [log(f"track {chr(100 - n)}.gpx", start) for n, start in enumerate(starts)]
    assert common_shift_h(clips, logs) == shift_h
    found = pair_up(clips, logs)
    assert [p.logs[0].name for p in found] == [log.name for log in logs]
    assert all("by its time" in p.reasons[0] for p in found)
    if shift_h:
        assert (
            f"{abs(shift_h)} h {'ahead of' if shift_h > 0 else 'behind'} UTC" in found[0].reasons[0]
        )


def test_pairing__order_of_the_arguments_makes_no_difference(rng):
    clips = [clip(f"c{n}.mp4", 11 * n + 60) for n in range(5)]
    logs = [log(f"t{9 - n}.gpx", 11 * n) for n in range(5)]
    expected = names(pair_up(clips, logs))
    for _ in range(5):
        shuffled = [clips[i] for i in rng.permutation(5)], [logs[i] for i in rng.permutation(5)]
        assert names(pair_up(*shuffled)) == expected


def test_pairing__one_log_of_the_whole_afternoon_serves_all():
    clips = [clip(f"c{n}.mp4", 20 * n) for n in range(3)]
    found = pair_up(clips, [log("afternoon.nmea", -10, duration_s=7200)])
    assert all([log.name for log in p.logs] == ["afternoon.nmea"] for p in found)


def test_pairing__by_order_is_called_doubtful():
    found = pair_up([clip("x.mp4"), clip("y.mp4")], [log("1.csv"), log("2.csv")])
    assert names(found) == {"x.mp4": ["1.csv"], "y.mp4": ["2.csv"]}
    assert all("only by its place in the order" in p.doubts[0] for p in found)


def test_pairing__a_log_at_rest_does_not_count_in_the_order():
    logs = [log("1.csv"), log("2.csv", top_mps=0.4), log("3.csv")]
    found = pair_up([clip("x.mp4"), clip("y.mp4")], logs)
    assert names(found) == {"x.mp4": ["1.csv"], "y.mp4": ["3.csv"]}


def test_pairing__none_rather_than_a_guess():
    found = pair_up([clip("x.mp4"), clip("y.mp4")], [log("1.csv")])
    assert names(found) == {"x.mp4": [], "y.mp4": []}
    assert found[0].doubts == ("no log was found for it",)


def test_pairing__measured_speed_before_positions():
    logs = [log("a1.gpx", source="positions"), log("a1.nmea", source="RMC")]
    assert names(pair_up([clip("a1.mp4")], logs)) == {"a1.mp4": ["a1.nmea"]}


@pytest.mark.parametrize(
    ("clips", "logs", "doubt"),
    [
        ([clip("a1.mp4")], [log("a1.gpx", top_mps=0.5)], "shows no run there"),
        ([clip("a1.mp4", duration_s=100)], [log("a1.gpx", duration_s=30)], "lasts 30 s"),
        (
            [clip("a1.mp4", 0), clip("a2.mp4", 11)],
            [log("a1.gpx", 25), log("a2.gpx", 11)],
            "by its time",
        ),
    ],
)
def test_pairing__evidence_against_a_name_is_told(clips, logs, doubt):
    assert doubt in " ".join(pair_up(clips, logs)[0].doubts)


# -- the sheet ----------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path):
    """Two recorded runs, without their sheet."""
    for file in CLIPS.iterdir():
        if file.suffix in (".mp4", ".gpx", ".nmea", ".csv"):
            shutil.copy(file, tmp_path)
    return tmp_path


def test_new_sheet__of_recorded_runs_is_in_order(folder, capsys):
    before = {p.name: p.stat().st_mtime_ns for p in folder.iterdir()}
    assert invoke(["day", "new", str(folder), "--units", "km/h"]) == 0
    assert "2 runs, 2 builds" in capsys.readouterr().out
    sheet = load_sheet(folder / "day.toml")
    assert [(r.name, r.build, r.clip, r.logs) for r in sheet.runs] == [
        ("a1", "a", "a1.mp4", ("a1.gpx", "a1_revs.csv")),
        ("b1", "b", "b1.mp4", ("b1.nmea", "b1_revs.csv")),
    ]
    assert sheet.report.speed_unit == "km/h"
    text = (folder / "day.toml").read_text()
    assert "the camera's clock is 1 h ahead of UTC" in text
    assert "LOOK" not in text
    assert invoke(["day", "check", str(folder)]) == 0
    asked, fine = capsys.readouterr().out.splitlines()
    assert "stock_limit_rpm is not given" in asked
    assert fine == "2 runs, 2 builds, no problems"
    assert {p.name: p.stat().st_mtime_ns for p in folder.iterdir() if p.name in before} == before


def test_new_sheet__every_comment_that_holds_a_key_is_right(folder):
    """With all its keys taken into use, the sheet still holds no mistake but those it offers."""
    new_sheet(folder)
    lines = (folder / "day.toml").read_text().splitlines()
    kept = []
    for line in lines:
        bare = line.removeprefix("# ")
        is_key = " = " in bare or bare.startswith(("parts", "]", "  {", "[["))
        kept.append(bare if line.startswith("# ") and is_key and line[2] != "'" else line)
    text = "\n".join(kept)
    for other in ("tyre_diameter_m", "gear_ratios = [8.7]"):
        text = "\n".join(row for row in text.splitlines() if not row.startswith(other))
    text = "\n".join(
        row for row in text.splitlines() if not row.startswith("  ") or "{ name" in row
    )
    text = "\n".join(row for row in text.splitlines() if not row.startswith("because"))
    (folder / "day.toml").write_text(text)
    sheet = load_sheet(folder / "day.toml")
    assert sheet.vehicle.mass_kg == 170
    assert sheet.conditions.slope_percent == 0.4
    assert sheet.builds[0].total_price == 7


def test_new_sheet__never_overwrites(folder, capsys):
    (folder / "day.toml").write_text("mine")
    with pytest.raises(OutputError, match="never overwritten"):
        new_sheet(folder)
    assert invoke(["day", "new", str(folder)]) == OutputError.exit_code
    assert (folder / "day.toml").read_text() == "mine"


def test_new_sheet__leaves_out_what_cannot_be_read_and_says_so(folder):
    (folder / "broken.mp4").write_bytes(b"not a clip at all")
    (folder / "notes.txt").write_text("windy all day\n")
    (folder / "c1.gpx").write_bytes((folder / "a1.gpx").read_bytes())
    (folder / ".hidden.mp4").write_bytes(b"x")
    made = new_sheet(folder)
    told = " ".join(made.doubts)
    assert all(name in told for name in ("broken.mp4", "notes.txt", "c1.gpx"))
    assert ".hidden" not in told
    assert made.counts == "2 runs, 2 builds"
    assert len(load_sheet(made.path).runs) == 2


def test_new_sheet__names_hard_to_quote(tmp_path):
    stem = 'so "what", \\ it\'s = 1 #'
    make_clip(tmp_path / f"{stem}.mp4", seconds=1)
    shutil.copy(CLIPS / "a1.gpx", tmp_path / f"{stem}.gpx")
    made = new_sheet(tmp_path)
    run = load_sheet(made.path).runs[0]
    assert (run.clip, run.logs) == (f"{stem}.mp4", (f"{stem}.gpx",))


def test_new_sheet__clip_without_a_log_is_a_comment(folder):
    make_clip(folder / "c7.mp4", seconds=1)
    new_sheet(folder)
    text = (folder / "day.toml").read_text()
    assert '# clip = "c7.mp4"' in text
    assert [run.name for run in load_sheet(folder / "day.toml").runs] == ["a1", "b1"]


def test_new_sheet__two_cameras_of_one_run_are_told(folder):
    shutil.copy(folder / "a1.mp4", folder / "c7.mp4")
    assert "same time as a1.mp4" in " ".join(new_sheet(folder).doubts)


def test_new_sheet__needs_a_folder_with_a_clip(tmp_path, capsys):
    for place in (tmp_path, tmp_path / "none"):
        with pytest.raises(InputError):
            new_sheet(place)
    assert list(tmp_path.iterdir()) == []
    assert invoke(["day", "new", str(tmp_path)]) == InputError.exit_code
    assert capsys.readouterr().err.count("\n") == 1


@pytest.mark.parametrize("text", ["a", 'q"', "back\\slash", "é\x7f\x01", "tab\t"])
def test_quoted__is_read_back(text):
    assert tomllib.loads(f"k = {quoted(text)}")["k"] == text


def test_run_names__differ_even_in_small_letters():
    found = run_names(["a.mp4", "A.mov", "a.mkv", "....mp4", f"{'x' * 60}.mp4", f"{'x' * 61}.mp4"])
    assert len({name.casefold() for name in found}) == len(found)
    assert all(0 < len(name) <= 40 for name in found)
