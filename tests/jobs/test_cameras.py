"""A run by two cameras: the second one's clock found by sound, its figures those of the first."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from overlay.cli.main import invoke
from overlay.demo.clip import write_clip
from overlay.errors import UndeterminedError
from overlay.footage import probe, read_sound
from overlay.jobs.cameras import clock_of, draw_cameras, moved
from overlay.jobs.film import FilmRun
from overlay.runs import parse_goal
from overlay.scene import Style
from overlay.session import RunAnalysis, RunOptions, align, analyse, correct, load
from tests.beside_scene import Stand, filmed
from tests.clips import make_clip
from tests.demo_runs import ReadyRun, ready_runs, same_clock_log
from tests.engine.test_trackside import carried
from tests.jobs.known import known_alignment, speed_log

__all__ = ["known_alignment"]
CLOCK_S = 1.5


@pytest.fixture
def known(tmp_path: Path, known_alignment: None) -> RunAnalysis:
    make_clip(tmp_path / "a.mp4", size=(320, 180), seconds=2.2, rate=20)
    log = speed_log(tmp_path / "a.csv", 2.2, revs=True)
    run = correct(align(load(tmp_path / "a.mp4", [log], RunOptions())))
    return analyse(run, [parse_goal("2 m/s"), parse_goal("1 m")])


@pytest.mark.parametrize("by_s", [1.5, -0.7])
def test_moved__shows_the_same_figures_later_by_the_clock(known: RunAnalysis, by_s: float) -> None:
    there = moved(known, by_s, 0.04)
    for t_s in (0.9, 1.4, 2.0):
        one, other = known.course.at(t_s), there.course.at(t_s + by_s)
        assert other.speed_mps == pytest.approx(one.speed_mps, abs=1e-9)
        assert other.distance_m == pytest.approx(one.distance_m, abs=1e-9)
        late_mps = 0.04 * float(np.interp(t_s, known.kinematics.t_s, known.kinematics.accel_mps2))
        assert other.sigma_mps == pytest.approx(math.hypot(one.sigma_mps, late_mps), rel=1e-3)
    assert known.launch is not None and there.launch is not None
    assert there.launch.at_s == pytest.approx(known.launch.at_s + by_s)
    assert there.launch.rollout_at_s == pytest.approx((known.launch.rollout_at_s or 0) + by_s)
    for one, other in zip(known.splits, there.splits, strict=True):
        assert other.time_s == one.time_s
        assert other.at_s == pytest.approx((one.at_s or 0) + by_s)
        assert other.total_sigma_s == one.total_sigma_s
    assert known.rpm is not None and there.rpm is not None
    np.testing.assert_allclose(there.rpm.t_s, known.rpm.t_s + by_s)


def _trackside(run: ReadyRun, path: Path) -> Path:
    """A clip of a still picture with what a camera 20 m along the run hears, its clock ahead."""
    sound = read_sound(run.clip)
    assert sound is not None
    t_s, speed = np.array(run.truth.t_s), np.array(run.truth.speed_mps)
    gone_m = np.concatenate([[0.0], np.cumsum(np.diff(t_s) * (speed[1:] + speed[:-1]) / 2)])
    heard = carried(
        sound.samples.mean(axis=1).astype(float), (t_s + 0.0, gone_m), 20.0, 6.0, CLOCK_S
    ).samples
    seconds = min(len(heard) / 48000, 20.0)
    ground = np.full((240, 426, 3), 90, np.uint8)
    ground[:, ::16] = 140
    write_clip(path, (ground for _ in range(int(25 * seconds))), np.repeat(heard, 2, 1), rate_hz=25)
    return path


def test_draw__a_second_camera_beside_the_first(tmp_path: Path) -> None:
    (run, _) = ready_runs()
    beside, film = _trackside(run, tmp_path / "beside.mp4"), tmp_path / "film.mp4"
    log = same_clock_log(run, tmp_path)
    total_s = run.truth.readout_lag_s
    options = RunOptions(same_clock=True, offset_s=total_s)
    report = draw_cameras(FilmRun(run.clip, (log,), options=options), [beside], film, Style())
    one, other = report.runs
    assert one.launch is not None and other.launch is not None
    assert other.launch.at_s - one.launch.at_s == pytest.approx(CLOCK_S, abs=0.06)
    for t_s in (4.0, 6.0):
        true = float(np.interp(t_s, run.truth.t_s, run.truth.speed_mps))
        assert other.course.at(t_s + CLOCK_S).speed_mps == pytest.approx(true, abs=0.7)
    assert "+1." in report.lines[1][0] and "Doppler" in report.lines[1][1]
    facts = probe(film)
    assert (facts.width, facts.height) == (1920, 1080)
    assert facts.audio_codec is not None


def test_clock_of__a_camera_without_a_sound_is_set_by_its_picture(tmp_path: Path) -> None:
    (ready, _) = ready_runs()
    beside = tmp_path / "beside.mp4"
    t_s, speed = np.array(ready.truth.t_s), np.array(ready.truth.speed_mps)
    gone_m = np.concatenate([[0.0], np.cumsum(np.diff(t_s) * (speed[1:] + speed[:-1]) / 2)])
    clock_s = -0.4  # its first picture comes later than the one on board
    at_s = np.arange(0.0, 6.0, 1 / 12.5) - clock_s
    pictures = filmed(Stand(1.0, 8.0), at_s, np.interp(at_s, t_s, gone_m))
    write_clip(beside, (np.repeat(p[..., None], 3, 2) for p in pictures), rate_hz=12.5)
    options = RunOptions(same_clock=True, offset_s=ready.truth.readout_lag_s)
    inputs = load(ready.clip, [same_clock_log(ready, tmp_path)], options)
    run = analyse(correct(align(inputs)))
    found = clock_of(probe(beside), run, None)
    assert found.offset_s == pytest.approx(clock_s, abs=0.06)
    assert 0.01 < found.sigma_s < 0.05
    said = "\n".join(found.lines)
    assert f"its clock shows {found.offset_s:+.3f} ± {1.959964 * found.sigma_s:.3f} s" in said
    assert "corners on the vehicle" in said and "its sound does not tell" in said


def test_draw__a_clip_that_heard_something_else_is_refused(tmp_path: Path, capsys) -> None:
    (run, _) = ready_runs()
    other, film = tmp_path / "other.mp4", tmp_path / "film.mp4"
    make_clip(other, size=(320, 180), seconds=8.0, rate=20, audio=1)
    words = ["--same-clock", "--offset", str(run.truth.readout_lag_s), "-q", "-o", str(film)]
    log = same_clock_log(run, tmp_path)
    code = invoke(["draw", run.clip, log, "--also", str(other), *words])
    assert code == UndeterminedError.exit_code
    said = capsys.readouterr().err
    assert "cannot be set against" in said and "did not hear the same run" in said
    assert not film.exists()
