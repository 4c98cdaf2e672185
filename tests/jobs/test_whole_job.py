"""The main job on the ready-made clips: align, correct, draw, pair, verify, against their truth."""

import json
from pathlib import Path

import av
import numpy as np
import pytest

from overlay.cli.main import invoke
from overlay.logs import read_log
from tests.demo_runs import ReadyRun, ready_runs, same_clock_log

RUNS = ready_runs()


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, dict]:
    code = invoke([*arguments, "--json", "-q"])
    return code, json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("run", RUNS, ids=lambda run: run.truth.name)
def test_align__total_offset_of_the_ready_clips(run: ReadyRun, capsys):
    code, found = said(capsys, "align", run.clip, run.log, run.revs)
    assert code == 0
    assert found["determined"]
    low, high = found["interval_s"]
    assert low < found["total_offset_s"] < high
    assert abs(found["total_offset_s"] - run.truth.total_offset_s) < 0.06
    assert found["readout_lag_s"] is None
    assert "clock" in found["reason"]


def test_align__same_clock_gives_the_lag(tmp_path, capsys):
    run = RUNS[0]
    code, found = said(capsys, "align", run.clip, same_clock_log(run, tmp_path), "--same-clock")
    assert code == 0
    assert found["clock_offset_s"] == 0
    assert abs(found["readout_lag_s"] - run.truth.readout_lag_s) < 0.06


def test_align__sound_tells_the_lag_from_the_clock(tmp_path, capsys):
    """GPS and RPM on one logger's clock: the engine's sound gives the clock, the rest is lag."""
    run = RUNS[0]
    speed, revs = read_log(run.log).speed, read_log(run.revs).rpm
    assert speed is not None
    assert revs is not None
    revs = revs.shifted(run.truth.clock_offset_s - run.truth.revs_clock_offset_s)
    log = tmp_path / "one-logger.csv"
    with log.open("w") as file:
        file.write("t_s,speed (m/s),rpm\n")
        for t, v, n in zip(speed.t_s, speed.values, revs.at(speed.t_s), strict=True):
            file.write(f"{t:.2f},{v:.3f},{'' if np.isnan(n) else f'{n:.0f}'}\n")
    code, found = said(capsys, "align", run.clip, str(log))
    assert code == 0
    assert found["clock_offset_s"] == pytest.approx(run.truth.clock_offset_s, abs=0.02)
    assert found["readout_lag_s"] == pytest.approx(run.truth.readout_lag_s, abs=0.06)
    low, high = found["readout_lag_interval_s"]
    assert low < found["readout_lag_s"] < high
    assert {channel["channel"] for channel in found["channels"]} >= {"engine_rpm"}


def test_align__refuses_a_log_without_motion(tmp_path, capsys):
    log = tmp_path / "constant.csv"
    log.write_text("t_s,speed (m/s)\n" + "".join(f"{i / 10},8.0\n" for i in range(300)))
    code, found = said(capsys, "align", RUNS[0].clip, str(log))
    assert code == 5
    assert not found["determined"]
    assert found["total_offset_s"] is None
    assert found["reason"]


def test_correct__speed_within_its_own_uncertainty_of_the_truth(tmp_path, capsys):
    run = RUNS[0]
    out = tmp_path / "a.csv"
    assert invoke(["correct", run.clip, run.log, "-o", str(out), "-q"]) == 0
    speed = read_log(out).speed
    assert speed is not None
    truth = np.interp(speed.t_s, run.truth.t_s, run.truth.speed_mps)
    inside = (speed.t_s > run.truth.launch_s) & (speed.t_s < run.truth.stop_s)
    error = speed.values[inside] - truth[inside]
    # The receiver's noise is 0.07 m/s; the raw log is up to 2 m/s off while speeding up.
    assert np.sqrt(np.mean(error**2)) < 0.15


def test_correct__gpx_keeps_positions_and_utc(tmp_path):
    run = RUNS[0]
    out = tmp_path / "a.gpx"
    assert invoke(["correct", run.clip, run.log, "-o", str(out), "-q"]) == 0
    again = read_log(out)
    assert again.start_utc is not None
    assert {"speed_mps", "latitude_deg", "longitude_deg"} <= set(again.channels)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("drawn")
    run = RUNS[0]
    log = same_clock_log(run, folder)
    made = {"corrected": folder / "true.mp4", "uncorrected": folder / "late.mp4"}
    common = [run.clip, log, "--same-clock", "-q", "--preset", "ultrafast"]
    assert invoke(["draw", *common, "-o", str(made["corrected"])]) == 0
    assert invoke(["draw", *common, "-o", str(made["uncorrected"]), "--uncorrected"]) == 0
    return made


def test_draw__keeps_frames_times_and_sound(drawn):
    with av.open(RUNS[0].clip) as source, av.open(str(drawn["corrected"])) as made:
        times = []
        for container in (source, made):
            stream = container.streams.video[0]
            pts = sorted(p.pts for p in container.demux(stream) if p.pts is not None)
            times.append(np.array(pts) * float(stream.time_base))
        np.testing.assert_allclose(times[1] - times[1][0], times[0] - times[0][0], atol=1e-4)
        assert made.streams.audio[0].rate == source.streams.audio[0].rate


def test_verify__passes_on_corrected(drawn, capsys):
    code, found = said(capsys, "verify", str(drawn["corrected"]))
    assert code == 0, found
    (run,) = found["runs"]
    low, high = run["interval_s"]
    assert low <= 0 <= high
    assert high - low < 0.2
    assert run["smallest_caught_s"] < 0.2


def test_verify__fails_on_uncorrected_and_names_the_lag(drawn, capsys):
    code, found = said(capsys, "verify", str(drawn["uncorrected"]))
    assert code == 6, found
    (run,) = found["runs"]
    assert run["residual_lag_s"] == pytest.approx(RUNS[0].truth.readout_lag_s, abs=0.1)


@pytest.mark.parametrize(("flags", "codes"), [([], (0, 7)), (["--uncorrected"], (6,))])
def test_verify__a_slowed_section_is_undone(tmp_path, capsys, flags, codes):
    run = RUNS[0]
    out = str(tmp_path / "slow.mp4")
    section = ["--from", "3", "--to", "4.5", "--factor", "4", "--sound", "muted"]
    common = ["--same-clock", "-q", "--preset", "ultrafast", "-o", out]
    log = same_clock_log(run, tmp_path)
    assert invoke(["slow", run.clip, log, *section, *common, *flags]) == 0
    capsys.readouterr()
    found_code, found = said(capsys, "verify", out)
    assert found_code == codes[0], found
    lag_s = run.truth.readout_lag_s if flags else 0.0
    assert found["runs"][0]["residual_lag_s"] == pytest.approx(lag_s, abs=0.1)
    assert "slow motion ×4 undone" in found["runs"][0]["evidence"]


def test_verify__clip_and_log_before_drawing(capsys):
    code, found = said(capsys, "verify", RUNS[1].clip, RUNS[1].log)
    assert code in (0, 7), found
    assert abs(found["runs"][0]["residual_lag_s"]) < 0.1


def test_verify__a_clip_without_gauges_is_no_proof(capsys):
    code = invoke(["verify", RUNS[0].clip, "-q"])
    assert code == 3
    assert "ribbon" in capsys.readouterr().err


def test_pair__two_runs_from_the_sheet_and_verified(tmp_path, capsys):
    out = tmp_path / "pair.mp4"
    sheet = str(Path(RUNS[0].clip).parent / "day.toml")
    quick = ["-q", "--preset", "ultrafast"]
    code = invoke(["pair", "a1", "b1", "--sheet", sheet, "-o", str(out), *quick])
    assert code == 0
    capsys.readouterr()
    with av.open(str(out)) as made:
        assert (made.streams.video[0].width, made.streams.video[0].height) == (1920, 1080)
        assert made.streams.audio
    code, found = said(capsys, "verify", str(out))
    assert [run["name"] for run in found["runs"]] == ["a1", "b1"]
    assert code == 0, found
