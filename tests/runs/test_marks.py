"""Marks on runs recorded with noise."""

from dataclasses import replace

import numpy as np

from overlay.engine.driveline import Driveline, engine_rpm_at
from overlay.runs.launch import find_launch
from overlay.runs.marks import find_marks, run_end_s
from overlay.runs.smoother import smooth
from overlay.series import Series

from .scene import received, truth_of

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
    k, launch, _ = analysed(rng)
    marks = find_marks(k, launch, signal_s=-1.8)
    assert [m.kind for m in marks] == ["late launch"]
    assert find_marks(k, launch, signal_s=-0.5) == ()


def test_find_marks__without_launch_only_gaps(rng):
    k, _, rpm = analysed(rng, gap=(3.0, 4.5))
    k = replace(k, launch_s=None)
    assert {m.kind for m in find_marks(k, None, rpm=rpm, driveline=LINE)} == {"gap"}


def test_run_end__where_the_brakes_come_on(rng):
    k, launch, _ = analysed(rng)
    assert abs(run_end_s(k, launch.at_s) - 7.0) < 0.4
