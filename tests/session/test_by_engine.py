"""The lag by the engine where the picture cannot tell: simulated carts with a known lag."""

from __future__ import annotations

import subprocess
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from overlay.demo.recorder import Receiver, record_speed
from overlay.demo.scenario import BUILD_A, BUILD_B
from overlay.demo.vehicle import Drive, Motion, simulate
from overlay.engine.driveline import Driveline, engine_rpm_at
from overlay.motion.model import MotionSignal
from overlay.render.encoder import ffmpeg_path
from overlay.series import Series
from overlay.session import RunOptions, align, load
from overlay.session.by_engine import CREEP_SIGMA_S, Turning, by_engine, in_gear
from overlay.session.machine import Machine
from overlay.session.model import AlignedRun
from overlay.sync import Alignment, estimate_offset
from overlay.sync.refusal import OTHER_LOG
from tests.demo_runs import ready_runs

DARK = "eq=brightness=-0.75:contrast=0.3,noise=alls=12:allf=t"


@cache
def driven(build: str = "B", lift_at_m: float = 66.0) -> Motion:
    free = replace(BUILD_B.vehicle, limiter_rpm=5100.0)  # turns up to its lift
    vehicle = {"A": BUILD_A.vehicle, "B": free}[build]
    return simulate(vehicle, Drive(lift_at_m=lift_at_m))


def shown(motion: Motion, lag_s: float, *, late_s: float = 0.0) -> Series:
    """What a receiver logs, 18 s before footage time 0 begins."""
    receiver = Receiver(delay_s=lag_s - 0.3, smoothing_s=0.3)
    record = record_speed(motion, receiver)
    return Series("speed_mps", record.log_s + late_s, record.speed_mps)


def turning(motion: Motion, what: str = "engine_rpm", *, times: float = 1.0) -> Turning:
    t_s = np.arange(0.0, motion.duration_s, 0.02)
    noise = 1 + np.random.default_rng(8).normal(0, 0.004, len(t_s))
    values = times * motion.at(what, t_s) * noise
    return Turning(Series(what, t_s, values), "clip", is_wheel=what != "engine_rpm")


def total_s(turns: Turning, speed: Series) -> float:
    motion = in_gear(turns, speed)
    assert isinstance(motion, MotionSignal), motion
    found = estimate_offset(motion, speed)
    assert found.total_offset_s is not None, found.reason
    return found.total_offset_s


@pytest.mark.parametrize(("build", "lag_s"), [("A", 1.1), ("B", 0.5)])
def test_revs__give_the_lag(build: str, lag_s: float) -> None:
    motion = driven(build)
    expected_s = Receiver().before_s + lag_s
    assert total_s(turning(motion), shown(motion, lag_s)) == pytest.approx(expected_s, abs=0.04)


def test_revs__a_log_as_late_again_is_as_late_again_and_the_octave_does_not_matter() -> None:
    motion = driven()
    speed, later = shown(motion, 0.9), shown(motion, 0.9, late_s=0.7)
    first = total_s(turning(motion), speed)
    assert total_s(turning(motion), later) - first == pytest.approx(0.7, abs=0.005)
    assert total_s(turning(motion, times=0.5), speed) == pytest.approx(first, abs=0.005)


def test_wheel__gives_the_lag_over_launch_and_stop() -> None:
    motion = driven()
    found = total_s(turning(motion, "wheel_speed_mps"), shown(motion, 0.9))
    assert found == pytest.approx(Receiver().before_s + 0.9, abs=0.03)


def test_in_gear__leaves_out_where_the_clutch_slips() -> None:
    motion = driven("A")
    signal = in_gear(turning(motion), shown(motion, 0.9))
    assert isinstance(signal, MotionSignal)
    line = BUILD_A.vehicle
    at_wheel = motion.at("engine_rpm", signal.t_s) / 60 * line.metres_per_turn
    true = motion.at("speed_mps", signal.t_s)
    moves = (signal.quality > 0) & (signal.forward > 0)
    assert moves.sum() > 60
    np.testing.assert_allclose(at_wheel[moves], true[moves], rtol=0.04)
    rests = (signal.quality > 0) & (signal.forward == 0)
    assert rests.any() and np.all(true[rests] == 0)


@pytest.mark.parametrize(
    ("per_mps", "tells"), [(1.0, True), (1.05, True), (1.2, False), (0.8, False)]
)
def test_in_gear__of_another_gearing_is_refused(per_mps: float, tells: bool) -> None:
    motion, vehicle = driven(), BUILD_B.vehicle
    given = float(engine_rpm_at(np.ones(1), vehicle.ratio, 2 * np.pi * vehicle.tyre_radius_m)[0])
    turns = replace(turning(motion), what="logged engine speed")
    found = in_gear(turns, shown(motion, 0.9), per_mps * given)
    assert isinstance(found, MotionSignal) is tells
    if isinstance(found, str):
        told = float(found.split(" times as fast")[0].rsplit(" ", 1)[1])
        assert told == pytest.approx(1 / per_mps, abs=0.03)


def test_in_gear__of_a_run_that_is_another_is_refused() -> None:
    slow = replace(BUILD_A.vehicle, mass_kg=260.0)
    other = simulate(slow, Drive(lift_at_m=30.0, braking_mps2=1.5))
    speed = shown(driven("B", 100.0), 0.9)
    found = in_gear(turning(other), speed)
    if isinstance(found, MotionSignal):
        assert not estimate_offset(found, speed).determined
    else:
        assert "right log" in found or "does not follow" in found


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A ready-made run with its own sound, as dark and noisy as no ground can be followed in."""
    path = tmp_path_factory.mktemp("night") / "night.mp4"
    command = [ffmpeg_path(), "-v", "error", "-i", ready_runs()[0].clip, "-vf", DARK]
    subprocess.run([*command, "-c:a", "copy", "-preset", "ultrafast", str(path)], check=True)
    return path


@pytest.mark.parametrize("with_revs", [False, True])
def test_align__at_night_by_the_sound(night: Path, with_revs: bool) -> None:
    run = ready_runs()[0]
    logs = [run.log, *([run.revs] if with_revs else [])]
    found = align(load(night, logs)).alignment
    assert found.determined and found.interval_s is not None
    low, high = found.interval_s
    assert low <= run.truth.total_offset_s <= high
    assert 1.9 * CREEP_SIGMA_S < (high - low) / 2 < 0.08
    said = "\n".join(found.notes)
    by = "logged engine speed, set by the engine's sound" if with_revs else "heard in the clip"
    assert by in said and "the picture cannot tell: the picture is too dark" in said
    assert "make sure that the log is of this run" in said


def test_align__at_night_with_another_gearing_says_why_not(night: Path) -> None:
    run = ready_runs()[0]
    machine = Machine(Driveline((4.0,), 1.76))
    found = align(load(night, [run.log], RunOptions(machine=machine))).alignment
    assert not found.determined
    assert any("right gearing?" in note for note in found.notes)


def test_by_engine__never_overrules_a_picture_or_what_is_given(night: Path) -> None:
    inputs = load(night, [ready_runs()[0].log])
    motion = in_gear(turning(driven()), shown(driven(), 0.9))
    assert isinstance(motion, MotionSignal)
    speaks_against = AlignedRun(inputs, motion, Alignment(determined=False, reason=OTHER_LOG))
    assert by_engine(speaks_against) is speaks_against
    given = load(night, [ready_runs()[0].log], RunOptions(offset_s=3.0))
    assert align(given).alignment.total_offset_s == 3.0
