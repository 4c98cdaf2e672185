"""Marks on runs recorded with noise."""

from dataclasses import replace

import numpy as np
import pytest

from overlay.demo.soundtrack import RATE_HZ, SoundSpec, soundtrack
from overlay.demo.vehicle import DemoVehicle, Drive, simulate
from overlay.engine.driveline import Driveline, engine_rpm_at
from overlay.engine.sound_rpm import rpm_from_sound
from overlay.footage.model import Sound
from overlay.runs.launch import find_launch
from overlay.runs.marks import find_heard_cuts, find_marks, late_launch, run_end_s
from overlay.runs.smoother import smooth
from overlay.series import Series

from .scene import constant_accel, received, truth_of

LINE = Driveline((9.4,), 1.76)


def braked(t):
    return np.where(t < 7, 4 * np.exp(-t / 3), np.where(t < 9.5, -5.0, 0.0))


def analysed(rng, *, spin=None, gap=None):
    truth = truth_of(braked)
    log = received(truth, rng, end_s=12.0)
    if gap is not None:
        keep = (log.t_s < gap[0] + 1.0) | (log.t_s > gap[1] + 1.0)
        log = Series(log.name, log.t_s[keep], log.values[keep])
    k = smooth(log, delay_s=1.0, smoothing_s=0.3, timing_sigma_s=0.005)
    t = np.arange(-1, 11, 0.05)
    wheel = np.maximum(truth.speed_at(t), np.where((t > 0) & (t < 7), 5.0, 3.4))
    if spin is not None:
        wheel = np.where((t > spin[0]) & (t < spin[1]), 1.3 * wheel, wheel)
    rpm = engine_rpm_at(wheel, 9.4, 1.76) + 15 * rng.standard_normal(len(t))
    return k, find_launch(k), Series("engine_rpm", t, rpm)


def kinds(rng, **options):
    k, launch, rpm = analysed(rng, **options)
    return [m.kind for m in find_marks(k, launch, rpm=rpm, driveline=LINE)]


def test_find_marks__clean_runs_carry_only_the_clutch(rng):
    false = 0
    for _ in range(10):
        false += sum(kind != "clutch slip" for kind in kinds(rng))
    assert false <= 1


def test_find_marks__wheelspin_and_gap(rng):
    assert "wheelspin" in kinds(rng, spin=(4.0, 4.4))
    assert "gap" in kinds(rng, gap=(3.0, 4.5))


def test_find_marks__late_launch_against_a_signal(rng):
    _, launch, _ = analysed(rng)
    late = late_launch(launch, -1.8)
    assert late is not None and late.kind == "late launch"
    assert (late.start_s, late.end_s) == (-1.8, launch.at_s)
    assert late_launch(launch, -0.5) is None


def test_find_marks__without_launch_only_gaps(rng):
    k, _, rpm = analysed(rng, gap=(3.0, 4.5))
    k = replace(k, launch_s=None)
    assert {m.kind for m in find_marks(k, None, rpm=rpm, driveline=LINE)} == {"gap"}


def test_run_end__where_the_brakes_come_on(rng):
    k, launch, _ = analysed(rng)
    assert abs(run_end_s(k, launch.at_s) - 7.0) < 0.4


def heard_in(vehicle, drive):
    """Engine speed heard in the simulated sound, with the run's own truth."""
    motion = simulate(vehicle, drive)
    sound = Sound(soundtrack(motion, SoundSpec(rng_seed=11)), RATE_HZ, 0.0)
    heard = rpm_from_sound(sound).series()
    assert heard is not None
    log = Series("speed_mps", motion.t_s[::100], motion.speed_mps[::100])
    kinematics = smooth(log, delay_s=0.0, smoothing_s=0.0, timing_sigma_s=0.0)
    return find_heard_cuts(kinematics, find_launch(kinematics), heard), motion


def test_find_heard_cuts__the_limiter_is_heard_and_the_governor_is_none():
    torque = (9.0, 12.6, 14.0, 13.9, 13.7, 12.9, 9.5)
    cut = DemoVehicle(torque_nm=torque, governor_rpm=6000.0, limiter_rpm=3900.0)
    marks, motion = heard_in(cut, Drive(lift_at_m=60.0))
    (mark,) = marks
    assert mark.kind == "limiter cut"
    assert "revs heard bounce at 3" in mark.detail
    true_s = motion.t_s[motion.engine_rpm >= 3900.0]
    assert mark.start_s == pytest.approx(true_s[0], abs=0.3)
    assert mark.end_s == pytest.approx(true_s[-1], abs=0.45)  # a bounce takes 0.41 s
    assert heard_in(DemoVehicle(), Drive(lift_at_m=60.0))[0] == ()


def test_find_marks__a_gap_ends_at_the_last_instant_without_a_reading(rng):
    kinematics = analysed(rng)[0]
    blind = (kinematics.t_s >= 5.0) & (kinematics.t_s <= 6.4)
    (mark,) = find_marks(replace(kinematics, known=~blind), None)
    within = kinematics.t_s[blind]
    assert (mark.kind, mark.start_s, mark.end_s) == ("gap", within[0], within[-1])
    assert mark.detail == f"The log has no speed for {within[-1] - within[0]:.1f} s."


def legs(*parts):
    """Speed in closed form: after a second at rest, so many seconds at each acceleration."""
    edges = np.cumsum([0.0, *(seconds for seconds, _ in parts)])
    k = constant_accel(0.0, end_s=float(edges[-1]) + 1.0)
    t = np.clip(k.t_s, 0.0, edges[-1])
    at_edges = np.cumsum([0.0, *(seconds * accel for seconds, accel in parts)])
    number = np.clip(np.searchsorted(edges, k.t_s + 1e-9, side="right") - 1, 0, len(parts))
    rate = np.array([*(accel for _, accel in parts), 0.0])[number]
    rate = np.where(k.t_s < -1e-9, 0.0, rate)
    return replace(k, speed_mps=np.interp(t, edges, at_edges), accel_mps2=rate)


@pytest.mark.parametrize(
    ("parts", "end_s"),
    [
        # 10 m/s after 5 s, hardly less 4 s later, then the brakes; or it rolls out from 5 s on.
        (((5, 2.0), (4, -0.3), (2.5, -4.0)), 9.0),
        (((5, 2.0), (4, -0.5), (2, -4.0)), 5.0),
        # Never braked: half of 10 m/s is left after 10 s of rolling.
        (((5, 2.0), (16, -0.5), (2, -1.0)), 15.0),
        # Never below half: the end of the record.
        (((5, 2.0), (4, -0.5)), 10.0),
        # A cut of the limiter slows as a brake does, for 0.3 s, and the speed comes back.
        (((5, 2.0), (0.3, -1.0), (2, 0.2), (2, -4.0)), 7.3),
        # Off the brake below four fifths of the top speed is no pull; above it is.
        (((5, 2.0), (0.75, -4.0), (1, 0.0), (1.5, -4.0)), 5.0),
        (((5, 2.0), (0.25, -4.0), (1, 0.0), (2, -4.0)), 6.25),
    ],
)
def test_run_end__in_closed_form(parts, end_s):
    assert run_end_s(legs(*parts), 0.0) == pytest.approx(end_s, abs=0.021)


def test_run_end__starts_from_the_instant_given():
    k = legs((2, 5.0), (2, -5.0), (2, 0.0), (4, 2.0), (2, -4.0))
    assert run_end_s(k, 0.0) == pytest.approx(2.0, abs=0.021)
    assert run_end_s(k, 5.0) == pytest.approx(10.0, abs=0.021)
    assert run_end_s(k, 99.0) == 99.0
