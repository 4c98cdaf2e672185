"""One file in: the clip's own track serves where no log is named."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from overlay.cli.main import main
from overlay.errors import InputError, UsageError
from overlay.footage import probe
from overlay.jobs.day_new import new_sheet
from overlay.jobs.day_one import RunTask, inputs_of
from overlay.jobs.names import KEPT
from overlay.jobs.sheet_runs import file_problems
from overlay.logs import read_log
from overlay.session import RunOptions, load
from overlay.session.steps import taken_lines
from overlay.sheet import load_sheet
from tests.logs.containers import Track, camm_gps, film, video_track, with_track

FOLDER = Path(__file__).resolve().parents[2] / "demo_clips"
TRUTH = json.loads((FOLDER / "truth.json").read_text())["runs"][0]


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A rendered run with the late speeds of its receiver put inside, on the footage's clock."""
    speed = read_log(FOLDER / "a1.gpx").speed
    assert speed is not None
    source = FOLDER / "a1.mp4"
    t_s = speed.t_s - TRUTH["clock_offset_s"]
    inside = (t_s >= 0) & (t_s < probe(source).duration_s)
    ticks = np.round(t_s[inside] * 1000).astype(int)
    samples = [
        camm_gps(epoch_s=0, fix=3, lat=52.0, lon=0.5, alt=20.0, east=0.0, north=float(value))
        for value in speed.values[inside]
    ]
    track = Track("camm", samples, [*np.diff(ticks).tolist(), 100], start=int(ticks[0]))
    path = tmp_path_factory.mktemp("own") / "a1.mp4"
    path.write_bytes(with_track(source.read_bytes(), track))
    return path


def test_load__takes_the_clips_own_track(clip: Path) -> None:
    inputs = load(clip, [])
    assert inputs.speed_log.format == "camm"
    assert inputs.options.same_clock
    with_revs = load(clip, [FOLDER / "a1_revs.csv"])
    assert with_revs.speed_log.format == "camm"
    assert with_revs.rpm_log is not None
    assert with_revs.options.same_clock


def test_taken_lines__say_whose_speed_and_which_columns(clip: Path) -> None:
    lines = list(taken_lines(load(clip, [FOLDER / "a1_revs.csv"])))
    assert lines[0] == (
        "the speed is the speed over ground in the clip's own track (camm, camera), on the "
        "footage's clock"
    )
    assert lines[1].startswith("a1_revs.csv: time ")
    assert list(taken_lines(load(clip, [FOLDER / "a1.gpx"]))) == []


def test_load__a_named_log_goes_first(clip: Path) -> None:
    inputs = load(clip, [FOLDER / "a1.gpx"])
    assert inputs.speed_log.format == "gpx"
    assert not inputs.options.same_clock


def test_load__without_log_and_track(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"a1\.mp4: has no track of its own; name a log"):
        load(FOLDER / "a1.mp4", [])
    path = tmp_path / "run.mp4"
    none = [camm_gps(epoch_s=0, fix=0, lat=0, lon=0, alt=0, east=0, north=0)] * 30
    path.write_bytes(film(video_track(), Track("camm", none, [100] * 30)))
    with pytest.raises(InputError, match="no usable fix in this clip"):
        load(path, [])
    with pytest.raises(UsageError, match="has no device 'roof'"):
        load(path, [], RunOptions(columns={"device": "roof"}))


def test_align__one_file(clip: Path) -> None:
    result = CliRunner().invoke(main, ["align", str(clip), "--json"])
    assert result.exit_code == 0
    found = json.loads(result.output)
    assert found["readout_lag_s"] == pytest.approx(TRUTH["readout_lag_s"], abs=0.03)
    assert found["clock_offset_s"] == 0.0
    assert any("the clip's own track" in note for note in found["notes"])


def test_correct__one_file(clip: Path, tmp_path: Path) -> None:
    target = tmp_path / "speed.csv"
    result = CliRunner().invoke(main, ["correct", str(clip), "-o", str(target)])
    assert result.exit_code == 0, result.output
    rows = np.genfromtxt(target, delimiter=",", names=True)
    t_s, speed_mps = (rows[name] for name in rows.dtype.names[:2])
    true_mps = np.interp(t_s, TRUTH["t_s"], TRUTH["speed_mps"])
    inside = (t_s > 2) & (t_s < 11)
    assert speed_mps[inside] == pytest.approx(true_mps[inside], abs=0.35)


SHEET = """\
[[builds]]
name = "A"
[[runs]]
name = "one"
build = "A"
clip = "a1.mp4"
"""


def test_sheet__a_run_may_have_no_logs_where_the_clip_has_a_track(
    clip: Path, tmp_path: Path
) -> None:
    (tmp_path / "day.toml").write_text(SHEET)
    shutil.copy(clip, tmp_path)
    assert not file_problems(load_sheet(tmp_path / "day.toml"))
    shutil.copy(FOLDER / "a1.mp4", tmp_path)
    (problem,) = file_problems(load_sheet(tmp_path / "day.toml"))
    assert "without a track of speed or position inside" in str(problem)
    assert problem.line == 6


def test_sheet__a_run_cut_out_of_a_longer_clip_keeps_its_track(clip: Path, tmp_path: Path) -> None:
    (tmp_path / "day.toml").write_text(SHEET + "window_s = [1.0, 13.0]\n")
    (tmp_path / KEPT).mkdir()
    shutil.copy(clip, tmp_path)
    sheet = load_sheet(tmp_path / "day.toml")
    inputs, start_s = inputs_of(RunTask(sheet, sheet.runs[0], tmp_path))
    assert inputs.options.same_clock
    own = read_log(clip).speed
    assert own is not None
    assert inputs.speed.t_s == pytest.approx(own.t_s - start_s)


def test_new_sheet__pairs_a_clip_with_the_track_inside_it(clip: Path, tmp_path: Path) -> None:
    shutil.copy(clip, tmp_path)
    new_sheet(tmp_path)
    text = (tmp_path / "day.toml").read_text()
    assert "# a1.mp4: paired as the track inside it" in text
    assert not file_problems(load_sheet(tmp_path / "day.toml"))
    assert load_sheet(tmp_path / "day.toml").runs[0].logs == ()


def test_align__timed_text_beside_a_clip_is_on_its_clock(tmp_path: Path, clip: Path) -> None:
    speed = read_log(clip).speed
    assert speed is not None
    cues = [
        f"00:00:{t:06.3f} --> 00:00:{t + 0.1:06.3f}\nSpeed: {3.6 * v:.2f} km/h\n".replace(
            ".", ",", 2
        )
        for t, v in zip(speed.t_s, speed.values, strict=True)
    ]
    text = tmp_path / "a1.srt"
    text.write_text("\n".join(cues))
    inputs = load(FOLDER / "a1.mp4", [text])
    assert inputs.options.same_clock
    assert inputs.speed.t_s == pytest.approx(speed.t_s)
    assert inputs.speed.values == pytest.approx(speed.values, abs=0.003)


def test_sheet__revs_beside_a_track(clip: Path, tmp_path: Path) -> None:
    (tmp_path / "day.toml").write_text(SHEET + 'logs = ["a1_revs.csv"]\n')
    shutil.copy(FOLDER / "a1_revs.csv", tmp_path)
    shutil.copy(clip, tmp_path)
    assert not file_problems(load_sheet(tmp_path / "day.toml"))
    shutil.copy(FOLDER / "a1.mp4", tmp_path)
    (problem,) = file_problems(load_sheet(tmp_path / "day.toml"))
    assert "have no speed in them" in str(problem)
