"""Clips, the day and the ready-made files."""

import tomllib
from datetime import UTC, datetime
from pathlib import Path

import av
import numpy as np
import pytest

from overlay.demo.clip import write_clip
from overlay.demo.day import film, write_day
from overlay.demo.scenario import plan_day
from overlay.demo.scene import SceneSpec, pictures
from overlay.demo.soundtrack import RATE_HZ
from overlay.demo.truth import truth_of_day
from overlay.demo.vehicle import simulate
from overlay.errors import EncoderError, UsageError
from tests.simulation import motion_from_speed, read_truth

READY_MADE = Path(__file__).resolve().parents[2] / "demo_clips"


def colour_patch(bgr):
    return np.full((64, 96, 3), bgr, np.uint8)


def test_clip__keeps_frame_times_sound_and_creation_time(tmp_path):
    spec = SceneSpec(width=160, height=90, frame_rate_hz=24.0)
    run = motion_from_speed(np.array([0.0, 2.0]), np.array([0.0, 6.0]))
    frames = list(pictures(spec, run))
    tone = np.sin(2 * np.pi * 500 * np.arange(2 * RATE_HZ) / RATE_HZ).astype(np.float32)
    tone[: RATE_HZ // 2] = 0  # starts at 0.5 s
    target = tmp_path / "a.mp4"
    when = datetime(2026, 5, 16, 12, 0, 5, tzinfo=UTC)
    shown = (picture for _, picture in frames)
    both = np.stack([tone, tone], 1)
    assert write_clip(target, shown, both, rate_hz=24.0, created_utc=when) == len(frames)
    with av.open(str(target)) as container:
        video = container.streams.video[0]
        assert container.metadata["creation_time"].startswith("2026-05-16T12:00:05")
        times = [float(f.pts * video.time_base) for f in container.decode(video)]
    np.testing.assert_allclose(times, [t for t, _ in frames], atol=1e-5)
    with av.open(str(target)) as container:
        audio = container.streams.audio[0]
        parts = list(container.decode(audio))
        assert audio.rate == RATE_HZ
        start = float(parts[0].pts * audio.time_base)
        heard = np.concatenate([p.to_ndarray()[0] for p in parts])
    onset = start + np.flatnonzero(np.abs(heard) > 0.3)[0] / RATE_HZ
    assert onset == pytest.approx(0.5, abs=0.005)
    assert [p.name for p in tmp_path.iterdir()] == ["a.mp4"]


@pytest.mark.parametrize(
    ("bgr", "yuv"),
    [
        # BT.709 8-bit limited range; computed from its Kr = 0.2126, Kb = 0.0722
        ((255, 255, 255), (235, 128, 128)),
        ((0, 0, 255), (63, 102, 240)),
        ((0, 255, 0), (173, 42, 26)),
        ((255, 0, 0), (32, 240, 118)),
    ],
)
def test_clip__colours_are_bt709(tmp_path, bgr, yuv):
    target = tmp_path / "c.mp4"
    write_clip(target, [colour_patch(bgr)] * 3)
    with av.open(str(target)) as container:
        context = container.streams.video[0].codec_context
        assert (context.color_range, context.colorspace, context.color_primaries) == (1, 1, 1)
        frame = next(container.decode(video=0))
    planes = frame.to_ndarray()
    luma = planes[:64].mean()
    chroma = planes[64:].reshape(2, -1).mean(1)
    assert (luma, *chroma) == pytest.approx(yuv, abs=2)


def test_clip__leaves_nothing_when_pictures_fail(tmp_path):
    def broken():
        yield colour_patch((9, 9, 9))
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_clip(tmp_path / "x.mp4", broken())
    assert not list(tmp_path.iterdir())
    with pytest.raises(UsageError, match="at least one picture"):
        write_clip(tmp_path / "x.mp4", [])


def test_clip__says_why_the_encoder_stopped(tmp_path):
    with pytest.raises(EncoderError, match=r"x\.mp4: the encoder stopped: .*not divisible by 2"):
        write_clip(tmp_path / "x.mp4", [np.zeros((63, 97, 3), np.uint8)])
    assert not list(tmp_path.iterdir())


@pytest.fixture(scope="module")
def day(tmp_path_factory):
    folder, runs = tmp_path_factory.mktemp("day"), []
    for plan in plan_day(runs_per_build=1, size=(192, 108)):
        told = []
        runs.append(film(plan, folder, tell=told.append))
        assert told == sorted(told)
        assert 0.9 < told[-1] <= 1.0
    return write_day(folder, tuple(runs)), tuple(runs)


def test_day__files_and_truth_agree(day):
    sheet, runs = day
    folder = sheet.parent
    assert read_truth(folder / "truth.json") == runs
    assert [run.name for run in runs] == ["a1", "b1"]
    for run in runs:
        for name in (run.clip, run.speed_log, run.revs_log):
            assert (folder / name).stat().st_size > 1000
        assert run.total_offset_s == pytest.approx(run.clock_offset_s + run.readout_lag_s)
        assert run.readout_lag_s == pytest.approx(run.delay_s + run.smoothing_s)
        assert 0.85 < run.readout_lag_s < 1.05
        steps = np.diff(run.distance_m)
        mean = (np.array(run.speed_mps[1:]) + run.speed_mps[:-1]) / 2
        np.testing.assert_allclose(steps, mean * np.diff(run.t_s), atol=5e-4)
    assert not list(folder.glob(".*"))


def test_day__sheet_is_toml_and_names_the_files(day):
    from overlay.sheet import load_sheet

    text = tomllib.loads(day[0].read_text(encoding="utf-8"))
    parts = text["builds"][1]["parts"]
    assert sum(part["price"] for part in parts) == text["builds"][1]["price"] == 85
    sheet = load_sheet(day[0])
    assert [build.name for build in sheet.builds] == ["A", "B"]
    assert (sheet.report.speed_unit, sheet.report.splits[0]) == ("mph", "10 mph")
    assert [one.name for one in sheet.candidates][:2] == ["sprocket", "lighter seat"]
    assert [(run.name, run.build) for run in sheet.runs] == [("a1", "A"), ("b1", "B")]
    for run in sheet.runs:
        assert sheet.file(run.clip).exists()
        assert all(sheet.file(log).exists() for log in run.logs)


def test_plan__one_run_is_spoiled_and_scatter_is_realistic():
    plans = plan_day()
    assert [p.name for p in plans] == ["a1", "a2", "a3", "b1", "b2", "b3", "a4"]
    assert [p.name for p in plans if p.spoiled] == ["a2"]
    times = {p.name: simulate(p.build.vehicle, p.drive).split_to_distance(60) for p in plans}
    good_a, good_b = times["a1"], np.array([times[n] for n in ("b1", "b2", "b3")])
    assert times["a2"] > good_a + 0.2
    assert 0.005 < good_b.std(ddof=1) < 0.15
    assert times["a4"] - good_a > 0.2  # six runs later: heat and a breeze
    assert times["a4"] - good_b.mean() > 0.12
    assert len({p.counter.clock_offset_s for p in plans}) == 7
    assert len({p.receiver.lag_s for p in plans}) == 1


def test_truth__of_the_day_is_that_of_its_runs_but_for_luck():
    """Runs of one build at other times of the day differ by the drift, of two by both."""
    plans = plan_day()
    motions = {p.name: simulate(p.build.vehicle, p.drive) for p in plans}
    rolling = {n: m.split_to_distance(60) - m.split_to_distance(20) for n, m in motions.items()}
    truth = truth_of_day(len(plans))
    assert rolling["a4"] - rolling["a1"] == pytest.approx(6 * truth.drift_s["A"], abs=0.03)
    # b1 was the run in the middle of the day; a would then have been half-way from a1 to a4.
    a_then = (rolling["a1"] + rolling["a4"]) / 2
    assert rolling["b1"] - a_then == pytest.approx(truth.difference_s, abs=0.03)
    assert truth.drift_s["B"] > truth.drift_s["A"] > 0.01  # A's governor hides some of it


def test_plan__same_seed_same_day():
    assert plan_day(rng_seed=4) == plan_day(rng_seed=4)
    assert plan_day(rng_seed=4) != plan_day(rng_seed=5)


def test_ready_made__clips_are_small_and_match_their_truth():
    from overlay.demo.recorder import late_speed
    from overlay.demo.vehicle import DemoVehicle
    from overlay.logs import read_log

    runs = read_truth(READY_MADE / "truth.json")
    assert len(runs) == 2
    assert {Path(run.speed_log).suffix for run in runs} == {".gpx", ".nmea"}
    assert sum(f.stat().st_size for f in READY_MADE.iterdir()) < 8 * 2**20
    for run in runs:
        truth = motion_from_speed(np.array(run.t_s), np.array(run.speed_mps), vehicle=DemoVehicle())
        speed = read_log(READY_MADE / run.speed_log).speed
        expected = late_speed(truth, speed.t_s - run.clock_offset_s, run.delay_s, run.smoothing_s)
        error = speed.values - expected
        assert error.std() < 0.1
        revs = read_log(READY_MADE / run.revs_log).rpm
        inside = revs.between(
            run.revs_clock_offset_s + 0.1, run.revs_clock_offset_s + run.t_s[-1] - 0.1
        )
        true_rpm = np.interp(inside.t_s - run.revs_clock_offset_s, run.t_s, run.engine_rpm)
        assert np.median(np.abs(inside.values - true_rpm)) < 15
        with av.open(str(READY_MADE / run.clip)) as container:
            assert float(container.duration / 1e6) == pytest.approx(run.t_s[-1], abs=0.1)
            assert container.streams.audio[0].rate == RATE_HZ
