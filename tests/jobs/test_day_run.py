"""A whole day from its sheet: results against truth, what is kept, interruption, spoiled runs."""

import csv
import json
import os
import re
import shutil
import sys
from dataclasses import asdict, replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from overlay.cli.main import invoke
from overlay.compare.day import compare_day
from overlay.compare.figures import CANNOT_TELL, NOT_JUDGED, REAL
from overlay.compare.standing import DayRun
from overlay.errors import EncoderError, OutputError, UndeterminedError, UsageError
from overlay.files import held
from overlay.footage import probe
from overlay.jobs import day_motion, day_one, day_run, day_store
from overlay.jobs.day_one import RunTask, style_of
from overlay.jobs.day_reel import day_reel
from overlay.jobs.day_run import DayReport, pair_path, run_day
from overlay.jobs.day_store import is_drawn, load_run, note_drawn, run_key, save_run
from overlay.jobs.names import FOLDER, KEPT
from overlay.motion.camera import Camera
from overlay.runs.model import Mark
from overlay.sheet import load_sheet
from overlay.sync.model import Alignment, ChannelTiming
from tests.demo_runs import CLIPS
from tests.jobs.simulated import SimulatedDay, simulated_day
from tests.jobs.workers import killed_in_a1
from tests.simulation import read_truth

TOLD: list[tuple[str, float]] = []


@pytest.fixture(scope="module")
def done(tmp_path_factory) -> tuple[Path, DayReport]:
    """The ready-made day worked out once, nothing drawn."""
    folder = tmp_path_factory.mktemp("day")
    for file in CLIPS.iterdir():
        shutil.copy2(file, folder)
    TOLD.clear()
    return folder, run_day(folder, clips=False, workers=2, progress=lambda *say: TOLD.append(say))


@pytest.fixture(scope="module")
def day(tmp_path_factory) -> SimulatedDay:
    return simulated_day(tmp_path_factory.mktemp("simulated"))


@pytest.fixture
def here(monkeypatch) -> None:
    """The work stays in this process, where its functions can be replaced."""
    from overlay.jobs.parallel import in_parallel

    def near(task, items, **more):
        return in_parallel(task, items, **{**more, "apart": False, "workers": 1})

    monkeypatch.setattr(day_run, "in_parallel", near)


def contents(folder: Path) -> dict[str, int]:
    return {str(p): p.stat().st_mtime_ns for p in folder.rglob("*") if p.is_file()}


# -- the ready-made day ------------------------------------------------------------------------


def test_run_day__figures_agree_with_the_truth(done):
    folder, report = done
    assert report.worked_out == ("a1", "b1")
    assert report.exit_code == 0
    assert not report.drawn
    said = json.loads((folder / FOLDER / "results.json").read_text())
    for run, truth in zip(said["runs"], read_truth(CLIPS / "truth.json"), strict=True):
        assert run["total_offset_s"] == pytest.approx(truth.total_offset_s, abs=0.06)
        assert run["top_speed_mps"] == pytest.approx(truth.top_speed_mps, abs=0.3)
        for split, true in zip(run["splits"], truth.splits, strict=False):
            assert split["time_s"] == pytest.approx(true.time_s, abs=0.15)  # worth noticing


def test_run_day__writes_every_report(done):
    folder, report = done
    names = {path.name for path in report.written}
    assert {"results.md", "results.csv", "results.json", "results.html"} <= names
    assert {"speed-by-distance.png", "acceleration-by-speed.png"} <= names
    assert all(path.is_file() and path.stat().st_size for path in report.written)
    with (folder / FOLDER / "results.csv").open(newline="") as file:
        assert [row["run"] for row in csv.DictReader(file)] == ["a1", "b1"]


def test_run_day__every_stage_tells_how_far_it_is(done):
    shares: dict[str, list[float]] = {}
    for stage, share in TOLD:
        shares.setdefault(stage, []).append(share)
    # How many are to do, never as if they were done.
    assert list(shares) == ["looking at what is done", "working out 2 runs", day_run.WRITING]
    for told in shares.values():
        assert told == sorted(told) and told[0] == 0.0 and told[-1] == 1.0
    assert len(set(shares[day_run.WRITING])) > 8


def test_run_day__page_has_each_run_s_evidence_and_small_clips(done, tmp_path):
    folder, _ = done
    page = (folder / FOLDER / "results.html").read_text(encoding="utf-8")
    assert page.count("motion and corrected speed agree to a correlation of 0.99") == 2
    assert '"films": {}' in page
    shutil.copytree(folder, tmp_path / "day")
    report = run_day(tmp_path / "day", clips=False, with_clips=True)
    assert report.worked_out == () and report.problems == ()
    films = tmp_path / "day" / FOLDER / "results-clips"
    assert [probe(films / run / "clip.mp4").width for run in ("a1", "b1")] == [640, 640]
    page = (tmp_path / "day" / FOLDER / "results.html").read_text(encoding="utf-8")
    text = re.search(r'id="data">(.*?)</script>', page, re.DOTALL)[1]
    data = json.loads(text)
    assert data["films"]["b1"]["base"] == "results-clips/b1/"
    names = [
        sheet["name"] for sheet in data["films"]["b1"]["data"]["gauges"]["corrected"]["sheets"]
    ]
    assert all((films / "b1" / name).is_file() for name in names)
    assert [set(table) for table in data["locks"]] == [{"launch", "distance"}]


def test_run_day__unchanged_is_not_done_again(done):
    folder, _ = done
    results = folder / FOLDER
    before = contents(results)
    again = run_day(folder, clips=False)
    assert again.worked_out == () and again.drawn == ()
    after = contents(results)
    rewritten = {Path(p).name for p in after if before[p] != after[p]}
    assert rewritten <= {"results.md", "results.csv", "results.json"}


def test_run_day__two_on_one_folder_are_one_line(done, capsys):
    folder, _ = done
    before = contents(folder / FOLDER)
    with held(folder / FOLDER / KEPT):
        assert invoke(["day", "run", str(folder), "--no-clips", "-q"]) == OutputError.exit_code
    err = capsys.readouterr().err
    assert err.count("\n") == 1 and "another timetrue writes there; wait until it is done" in err
    assert contents(folder / FOLDER) == before
    with held(folder / FOLDER / KEPT):  # it is let go at the end
        pass


def test_run_day__goes_on_after_an_interruption(done, here, monkeypatch):
    folder, _ = done
    results = folder / FOLDER
    (results / KEPT / "b1.npz").unlink()
    kept = (results / KEPT / "a1.npz").read_bytes()

    def interrupted(*args, **named):
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(day_one, "align", interrupted)
        assert invoke(["day", "run", str(folder), "--no-clips", "--workers", "1", "-q"]) == 130
    assert (results / KEPT / "a1.npz").read_bytes() == kept
    assert not list(results.rglob("*.part*"))
    assert not (results / KEPT / "b1.npz").exists()
    assert run_day(folder, clips=False, workers=1).worked_out == ("b1",)


def test_run_day__what_a_stopped_run_kept_is_not_made_again(done, here, tmp_path, monkeypatch):
    folder, _ = done
    shutil.copytree(folder, tmp_path / "day")
    kept = tmp_path / "day" / FOLDER / KEPT
    (kept / "b1.npz").unlink()
    before = contents(kept)
    assert run_day(tmp_path / "day", clips=False, workers=1).worked_out == ("b1",)
    after = contents(kept)
    assert {Path(p).name for p in after if before.get(p) != after[p]} - {"page.json", ".held"} == {
        "b1.npz"
    }


def test_run_day__a_run_that_fails_leaves_the_others(done, here, tmp_path, capsys):
    folder, _ = done
    shutil.copytree(folder, tmp_path / "day")
    sheet = tmp_path / "day" / "day.toml"
    text = '\n[[runs]]\nname = "b2"\nbuild = "B"\nclip = "b2.mp4"\nlogs = ["b2.csv"]\n'
    shutil.copy2(CLIPS / "b1.mp4", sheet.with_name("b2.mp4"))
    shutil.copy2(CLIPS / "b1_revs.csv", sheet.with_name("b2.csv"))
    sheet.write_text(sheet.read_text() + text)
    code = invoke(["day", "run", str(sheet), "--no-clips", "--workers", "1", "-q", "--json"])
    assert code == 4  # the log has no speed: it does not belong there
    said = json.loads(capsys.readouterr().out)
    assert [run["name"] for run in said["runs"]] == ["a1", "b1"]
    assert [(one["run"], "no speed" in one["reason"]) for one in said["not_worked_out"]] == [
        ("b2", True)
    ]


def test_run_day__a_late_launch_is_told_and_kept(done, here, tmp_path):
    folder, _ = done
    day = tmp_path / "day"
    shutil.copytree(folder, day)
    sheet = day / "day.toml"
    text = sheet.read_text().replace('clip = "b1.mp4"', 'clip = "b1.mp4"\nsignal_s = 0.1')
    sheet.write_text(text)
    report = run_day(day, clips=False, workers=1)
    assert report.worked_out == ("b1",)
    standing = report.results.day.standing("b1")
    assert any(note.startswith("late launch ") for note in standing.notes)
    assert "kept" in standing.notes and standing.is_whole


def test_run_day__another_offset_does_not_watch_the_clip_again(done, here, tmp_path, monkeypatch):
    folder, report = done
    day = tmp_path / "day"
    shutil.copytree(folder, day)
    given_s = round(report.results.runs[0].alignment.total_offset_s + 0.2, 3)
    sheet = (day / "day.toml").read_text()
    given = f'"a1_revs.csv"]\noffset_s = {given_s}'
    (day / "day.toml").write_text(sheet.replace('"a1_revs.csv"]', given))
    monkeypatch.setattr(day_motion, "measured", None)  # would fail if it were called
    again = run_day(day, clips=False, workers=1)
    assert again.worked_out == ("a1",)
    assert again.results.runs[0].alignment.total_offset_s == given_s
    before_s, after_s = (one.results.runs[0].launch.at_s for one in (report, again))
    assert after_s - before_s == pytest.approx(-0.2, abs=0.1)  # a log that is later shows it sooner
    said = load_sheet(day / "day.toml")
    motion, found = day_motion.load_motion(said, said.runs[0], day / FOLDER / KEPT)
    assert found.interval_s is not None and len(motion) > 100
    assert asdict(motion)["gain_errors"]["pitch"] == motion.gain_errors.pitch
    assert motion.camera is None
    seen = replace(motion, camera=Camera(0.58, 0.04, 3.0, -20.0, lens=1.0))
    monkeypatch.setattr(
        day_motion, "measured", lambda *_: SimpleNamespace(motion=seen, alignment=found)
    )
    shutil.rmtree(day / FOLDER / KEPT)
    (day / FOLDER / KEPT).mkdir()
    day_motion.watched(said, said.runs[0], None, day / FOLDER / KEPT)
    again, _ = day_motion.load_motion(said, said.runs[0], day / FOLDER / KEPT)
    assert again.camera == seen.camera
    (day / "a1.gpx").touch()
    assert day_motion.load_motion(said, said.runs[0], day / FOLDER / KEPT) is None


def test_run_day__a_failure_is_kept_until_something_changes(
    done, here, tmp_path, capsys, monkeypatch
):
    folder, _ = done
    day = tmp_path / "day"
    shutil.copytree(folder, day)
    log = day / "b1.nmea"
    good = log.read_bytes()
    shutil.copy2(day / "b1_revs.csv", log)
    tried = []

    def counted(task):
        tried.append(task.name)
        return real(task)

    real = day_one.inputs_of
    monkeypatch.setattr(day_one, "inputs_of", counted)

    def code(*more):
        tried.clear()
        return invoke(["day", "run", str(day), "--no-clips", "--workers", "1", "-q", *more])

    assert code() == 4 and tried == ["b1"]
    assert "--retry" not in capsys.readouterr().err
    assert code() == 4 and tried == []
    told = capsys.readouterr()
    assert "b1: failed before and nothing has changed since; --retry tries again" in told.err
    assert "b1: not worked out: " in told.out and "no speed" in told.out
    assert code("--retry") == 4 and tried == ["b1"]
    log.write_bytes(good)
    assert code() == 0 and tried == ["b1"]
    assert code() == 0 and tried == []
    assert not list((day / FOLDER).rglob("*.failed.json"))


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
def test_run_day__a_run_whose_process_is_killed_is_named_and_the_rest_finish(
    done, tmp_path, capsys, monkeypatch
):
    """As out of memory, or by a decoder that crashes; the next day goes on from there."""
    folder, _ = done
    day = tmp_path / "day"
    shutil.copytree(folder, day)
    sheet = load_sheet(day / "day.toml")
    for name in ("a1", "b1"):
        shutil.move(day / FOLDER / KEPT / f"{name}.npz", day / f"{name}.kept")
    assert not day_run.known(RunTask(sheet, sheet.runs[0], day / FOLDER))
    monkeypatch.setattr(day_run, "do_run", killed_in_a1)
    code = invoke(["day", "run", str(day), "--no-clips", "--workers", "2", "-q", "--json"])
    assert code == EncoderError.exit_code
    said = json.loads(capsys.readouterr().out)
    assert [run["name"] for run in said["runs"]] == ["b1"]
    ((run, reason),) = [(one["run"], one["reason"]) for one in said["not_worked_out"]]
    assert run == "a1" and "its process was killed" in reason
    assert not list((day / FOLDER).rglob("*.failed.json"))  # tried again by the next call


# -- a reel from the day -----------------------------------------------------------------------


@pytest.fixture
def finished(done, tmp_path) -> Path:
    """The day with clips that count as drawn."""
    folder, _ = done
    day = tmp_path / "day"
    shutil.copytree(folder, day)
    sheet, results = load_sheet(day / "day.toml"), day / FOLDER
    for name in ("a1", "b1"):
        shutil.copy2(day / f"{name}.mp4", results)
        note = results / KEPT / f"{name}.clip.json"
        task = RunTask(sheet, sheet.run(name), results)
        note_drawn(task.clip, note, task.clip_key)
    shutil.copy2(day / "a1.mp4", results / "A beside B.mp4")
    return day


def test_day_reel__takes_clips_and_words_from_the_results(finished):
    found = day_reel(finished)
    results = finished / FOLDER
    assert found.clips == tuple(results / f"{n}.mp4" for n in ("a1", "b1", "A beside B"))
    assert found.title == "Taxiway day"
    assert found.builds == ("A: As bought", "B: Open filter, jet and free governor, £85")
    assert found.verdict == "Cannot tell yet"  # one run of each
    said = json.loads((results / "results.json").read_text())["steps"][0]["sentence"]
    assert "; ".join(found.value_lines) == said


def test_day_reel__reaches_the_film(finished, tmp_path, monkeypatch):
    made = {}

    def make_reel(clips, target, **words):
        made.update(words, clips=clips)
        return SimpleNamespace(notes=(), duration_s=1.0)

    monkeypatch.setattr("overlay.cli.clips.make_reel", make_reel)
    out = str(tmp_path / "reel.mp4")
    assert invoke(["reel", "--day", str(finished), "-o", out, "-q"]) == 0
    assert [Path(clip).name for clip in made["clips"]] == ["a1.mp4", "b1.mp4", "A beside B.mp4"]
    assert made["title"].title == "Taxiway day"
    assert made["results"].lines[0].startswith("£85 bought nothing that is sure yet")
    own = ["--title", "Our own", "--value-text", "As we say"]
    assert invoke(["reel", "--day", str(finished), "-o", out, "-q", *own]) == 0
    assert (made["title"].title, made["results"].lines) == ("Our own", ("As we say",))


def test_day_reel__says_what_is_not_there(finished, capsys):
    with pytest.raises(UsageError, match="no finished clip of a1; run 'timetrue day run'"):
        (finished / FOLDER / "a1.mp4").unlink()
        day_reel(finished)
    sheet = finished / "day.toml"
    sheet.write_text(sheet.read_text().replace("gear_ratios = [9.4]", "gear_ratios = [9.3]"))
    with pytest.raises(UsageError, match="a1, b1 not worked out as the sheet stands now"):
        day_reel(finished)
    assert invoke(["reel", "-o", "o.mp4"]) == 2
    assert "or a day with --day" in capsys.readouterr().err


# -- what is kept ------------------------------------------------------------------------------


def changed(folder: Path, old: str, new: str) -> list[str]:
    """Digests of the runs after a change in the sheet."""
    sheet = folder / "day.toml"
    text = (CLIPS / "day.toml").read_text()
    assert old in text
    sheet.write_text(text.replace(old, new))
    return digests(folder)


def digests(folder: Path) -> list[str]:
    sheet = load_sheet(folder / "day.toml")
    return [run_key(sheet, run, style_of(sheet).goals) for run in sheet.runs]


@pytest.fixture
def copied(tmp_path) -> Path:
    for file in CLIPS.iterdir():
        shutil.copy2(file, tmp_path)
    return tmp_path


def test_digest__what_matters_changes_it(copied):
    first = digests(copied)
    for old, new in (
        ('"60 m"', '"50 m"'),
        ("gear_ratios = [9.4]", "gear_ratios = [9.5]"),
        ('clip = "a1.mp4"', 'clip = "a1.mp4"\nsame_clock = true'),
        ('clip = "a1.mp4"', 'clip = "a1.mp4"\noffset_s = 1.0'),
        ('clip = "a1.mp4"', 'clip = "a1.mp4"\nrounding = "down"'),
        ('clip = "a1.mp4"', 'clip = "a1.mp4"\nwindow_s = [0.0, 9.0]'),
        ('clip = "a1.mp4"', 'clip = "a1.mp4"\nsignal_s = 1.5'),
        ('clip = "a1.mp4"', 'clip = "a1.mp4"\ncolumns = { speed = "V:mph" }'),
        ('logs = ["a1.gpx", "a1_revs.csv"]', 'logs = ["a1.gpx"]'),
        ("rolling_circumference_m = 1.7593", "rolling_circumference_m = 1.76"),
        ("rolling_circumference_m = 1.7593", "tyre_diameter_m = 0.56"),
        ('clutch = "centrifugal"', 'clutch = "plate"'),
        ("cylinders = 1", "cylinders = 2"),
        ("strokes = 4", "strokes = 2"),
        ("limiter_rpm = 3950.0", "limiter_rpm = 3900.0"),
    ):
        assert changed(copied, old, new)[0] != first[0]
    assert changed(copied, 'clip = "a1.mp4"', 'clip = "a1.mp4"\noffset_s = 1.0')[1] == first[1]


def test_digest__of_the_clip_its_size_its_time_and_that_it_is_there(copied):
    sheet, clip = load_sheet(copied / "day.toml"), copied / "a1.mp4"

    def both() -> list[str]:
        return [run_key(sheet, run, ()) for run in sheet.runs]

    seen, was = [both()], clip.stat()
    os.utime(clip, ns=(was.st_atime_ns, was.st_mtime_ns + 1000))
    seen.append(both())
    clip.write_bytes(clip.read_bytes() + b" ")
    os.utime(clip, ns=(was.st_atime_ns, was.st_mtime_ns))
    seen.append(both())
    clip.unlink()
    seen.append(both())
    assert [len(set(keys)) for keys in zip(*seen, strict=True)] == [4, 1]


def test_digest__another_form_of_what_is_kept_changes_it(copied, monkeypatch):
    first = digests(copied)
    monkeypatch.setattr(day_store, "FORMAT", day_store.FORMAT + 1)
    assert not set(first) & set(digests(copied))


def test_digest__what_does_not_matter_leaves_it(copied):
    first = digests(copied)
    for old, new in (
        ("price = 85.00", ""),
        ("worth_noticing_s = 0.15", "worth_noticing_s = 0.1"),
        ('clip = "a1.mp4"', 'clip = "a1.mp4"\nnotes = "wet"\ncounted = false\nbecause = "wet"'),
    ):
        assert changed(copied, old, new) == first


def test_digest__a_changed_log_changes_its_run_only(copied):
    first = digests(copied)
    with (copied / "a1.gpx").open("a") as file:
        file.write(" ")
    after = digests(copied)
    assert after[0] != first[0]
    assert after[1] == first[1]


@pytest.mark.parametrize("library", ["numpy", "scipy", "av", "opencv-python-headless", "pillow"])
def test_digest__a_newer_library_changes_it(copied, monkeypatch, library):
    from importlib import metadata

    first, plain = digests(copied), metadata.version
    monkeypatch.setattr(
        metadata, "version", lambda name: "99.0" if name == library else plain(name)
    )
    day_store.program.cache_clear()
    try:
        assert digests(copied)[0] != first[0]
    finally:
        monkeypatch.undo()
        day_store.program.cache_clear()


def test_pair_path__no_run_and_no_other_pair_shares_it(copied):
    """A run may be called as a pair would be, and builds so that two pairs would be alike."""
    sheet = copied / "day.toml"
    text = sheet.read_text().replace('name = "b1"', 'name = "a BESIDE b"')
    sheet.write_text(text + '\n[[builds]]\nname = "B beside C"\n\n[[builds]]\nname = "C"\n'
                     '\n[[builds]]\nname = "A beside B"\n')  # fmt: skip
    made = load_sheet(sheet)
    pairs = [("A", "B"), ("A", "B beside C"), ("A beside B", "C"), ("A", "C")]
    paths = [pair_path(made, folder := copied / "day-results", pair) for pair in pairs]
    assert paths[-1].name == "A beside C.mp4"
    runs = [RunTask(made, run, folder).clip for run in made.runs]
    assert len({str(path).casefold() for path in (*paths, *runs)}) == len(paths) + len(runs)


def test_run_day__a_run_named_as_a_pair_keeps_its_clip(copied, monkeypatch, here):
    """The film of the best runs goes beside it, under another name."""
    sheet = copied / "day.toml"
    sheet.write_text(sheet.read_text().replace('name = "b1"', 'name = "A beside B"'))
    monkeypatch.setattr(day_one, "encoded", lambda scene, path, *_, **__: path.write_text("run"))
    monkeypatch.setattr(day_run, "encoded", lambda scene, path, **_: path.write_text("pair"))
    report = run_day(sheet)
    made = copied / "day-results"
    assert (made / "A beside B.mp4").read_text() == "run"
    assert (made / "A beside B (1 and 2).mp4").read_text() == "pair"
    assert made / "A beside B (1 and 2).mp4" in report.written


def test_run_day__a_run_without_an_offset_is_told_what_a_sheet_takes(copied, monkeypatch, here):
    """Inside a day there are no options of a run: the sheet's key is named."""
    none = Alignment(False, reason="the picture never moves")
    monkeypatch.setattr(
        day_one, "align", lambda inputs, seen=None: SimpleNamespace(
            alignment=none, clip=inputs.clip, inputs=inputs
        ),
    )  # fmt: skip
    monkeypatch.setattr(day_one, "watched", lambda *_: None)
    with pytest.raises(UndeterminedError, match="offset_s"):
        run_day(copied, clips=False)


def test_store__gives_back_what_was_kept(day, tmp_path):
    timing = ChannelTiming("engine_rpm", 1.5, (1.4, 1.6), "from sound")
    found = Alignment(True, 0.9, (0.88, 0.92), channels=(timing,), notes=("one",))
    run = replace(day.runs[2], alignment=found)
    save_run(tmp_path / "a.npz", "key", run)
    back = load_run(tmp_path / "a.npz", "key")
    assert back is not None
    assert (back.name, back.launch, back.splits, back.marks) == (
        run.name,
        run.launch,
        run.splits,
        run.marks,
    )
    assert back.alignment == found
    np.testing.assert_array_equal(back.rpm.values, run.rpm.values)
    for name, values in asdict(run.kinematics).items():
        np.testing.assert_array_equal(getattr(back.kinematics, name), values)
    assert load_run(tmp_path / "a.npz", "another") is None


@pytest.mark.parametrize("damage", [b"", b"no archive", None])
def test_store__damaged_counts_as_not_there(day, tmp_path, damage):
    path = tmp_path / "a.npz"
    save_run(path, "key", day.runs[0])
    path.write_bytes(path.read_bytes()[:2000] if damage is None else damage)
    assert load_run(path, "key") is None


def test_store__a_clip_that_was_changed_is_drawn_again(tmp_path):
    clip, note = tmp_path / "a.mp4", tmp_path / "a.json"
    assert not is_drawn(clip, note, "key")
    clip.write_bytes(b"clip")
    note_drawn(clip, note, "key")
    assert is_drawn(clip, note, "key")
    assert not is_drawn(clip, note, "another")
    clip.write_bytes(b"other clip")
    assert not is_drawn(clip, note, "key")
    clip.unlink()
    assert not is_drawn(clip, note, "key")


# -- judging a day -----------------------------------------------------------------------------


def test_compare_day__verdicts_are_the_truth_built_in(day):
    (step,) = compare_day(day.sheet, day.runs).steps
    verdicts = {c.label: c.verdict for c in step.comparisons}
    assert verdicts == {
        "10 mph": NOT_JUDGED,
        "20 mph": NOT_JUDGED,
        "20 m": NOT_JUDGED,
        "60 m": NOT_JUDGED,
        "20 to 60 m": REAL,
        "10 to 20 mph": CANNOT_TELL,  # the day drifts by as much as would matter
        "top speed": REAL,  # B reaches its limiter before the driver lifts
    }
    clean = [truth for truth in day.truths if truth.spoiled is None]
    for i, c in enumerate(step.comparisons[:4]):
        means = [np.mean([t.splits[i].time_s for t in clean if t.build == build]) for build in "AB"]
        assert c.low < means[1] - means[0] < c.high
    assert step.value.sentence.startswith("£85 bought")


@pytest.mark.parametrize("rng_seed", [3, 11])
def test_compare_day__no_verdict_is_wrong_on_other_days(tmp_path, rng_seed):
    day = simulated_day(tmp_path, rng_seed=rng_seed)
    (step,) = compare_day(day.sheet, day.runs).steps
    verdicts = {c.label: c.verdict for c in step.comparisons}
    assert verdicts["20 to 60 m"] == REAL
    assert verdicts["10 to 20 mph"] != REAL


def test_compare_day__wheelspin_is_left_out_and_told(day):
    found = compare_day(day.sheet, day.runs)
    spun = [truth.name for truth in day.truths if truth.spoiled == "wheelspin"]
    assert [one.run for one in found.standings if one.is_left_out] == spun == ["a2"]
    notes = found.standing("a2").notes
    assert any("wheelspin" in note for note in notes)
    assert "left out of the statistics" in notes
    assert found.steps[0].comparisons[3].a.excluded == (("a2", "wheelspin"),)
    assert found.best("A") in ("a1", "a3", "a4")


def with_mark(run: DayRun, kind: str, since_launch_s: float) -> DayRun:
    at_s = run.launch.at_s + since_launch_s
    return replace(run, marks=(*run.marks, Mark(kind, at_s, at_s + 0.3, "It is so.")))


@pytest.mark.parametrize(
    ("kind", "since_launch_s", "counted"),
    [
        ("limiter cut", 6.0, [True, True, True, False, False, True]),
        ("limiter cut", 1.0, [False] * 6),
        ("gap", 6.0, [True, True, True, False, False, True]),
        ("creeping launch", 0.0, [False, False, False, False, True, True]),
        ("lift", 1.0, [False] * 6),
        ("lift", 6.0, [True, True, True, False, False, True]),
        ("late launch", 0.0, [True] * 6),
        ("clutch slip", 0.0, [True] * 6),
    ],
)
def test_compare_day__rule_for_spoiled_runs(day, kind, since_launch_s, counted):
    runs = [with_mark(run, kind, since_launch_s) if run.name == "a3" else run for run in day.runs]
    standing = compare_day(day.sheet, runs).standing("a3")
    assert [split.counted for split in standing.splits[:-1]] == counted
    told = any(kind in note for note in standing.notes)
    assert told == (kind != "clutch slip")
    assert ("kept" in standing.notes) == (kind == "late launch")


def overruled(day: SimulatedDay, name: str, **said):
    runs = tuple(r.model_copy(update=said) if r.name == name else r for r in day.sheet.runs)
    return day.sheet.model_copy(update={"runs": runs})


def test_compare_day__the_sheet_overrules(day):
    sheet = overruled(day, "a2", counted=True, because="part of the build")
    standing = compare_day(sheet, day.runs).standing("a2")
    assert all(split.counted for split in standing.splits)
    assert "counted as the sheet says (part of the build)" in standing.notes
    sheet = overruled(day, "b1", counted=False, because="wrong gear")
    found = compare_day(sheet, day.runs)
    assert found.standing("b1").is_left_out
    assert ("b1", "wrong gear") in found.steps[0].comparisons[0].b.excluded


def test_compare_day__revs_beyond_the_stock_limit_are_cautioned(day):
    cautions = compare_day(day.sheet, day.runs).cautions
    assert cautions[0].startswith("B: ") and "beyond the stated 4000 rpm" in cautions[0]
    assert not any(line.startswith("A: ") for line in cautions)


def test_compare_day__one_build_has_no_steps(day):
    found = compare_day(day.sheet, [run for run in day.runs if run.build == "A"])
    assert found.steps == () and len(found.standings) == 4


def test_run_day__clips_are_the_same_by_any_number_of_processes_and_cores(
    done, tmp_path, monkeypatch
):
    folder, _ = done
    clips = []
    for workers in (1, 2):
        day = tmp_path / str(workers)
        shutil.copytree(folder, day)
        with monkeypatch.context() as patched:
            patched.setattr(day_run, "cores", lambda many=4 * workers: many)
            patched.setattr(day_run, "_pair", lambda *_: (None, False))
            assert set(run_day(day, workers=workers).drawn) == {"a1", "b1"}
        clips.append([(day / FOLDER / f"{run}.mp4").read_bytes() for run in ("a1", "b1")])
    assert clips[0] == clips[1]
