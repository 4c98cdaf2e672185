"""The steps of one run: what each adds, and what the options change; on a run in closed form."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from overlay.engine.clock import ClockOffset
from overlay.engine.driveline import Driveline
from overlay.errors import MismatchError, UndeterminedError, UsageError
from overlay.gauges.comb import Comb
from overlay.motion.camera import Camera
from overlay.motion.model import Box, MotionSignal
from overlay.runs import parse_goal
from overlay.scene import Cell, Style, scene_of
from overlay.series import Series
from overlay.session import Machine, RunInputs, RunOptions, align, analyse, boxes_of, correct, load
from overlay.session import sound as by_sound
from overlay.session.steps import estimated, measured, with_given_offset
from overlay.sync.model import Alignment, ChannelTiming
from tests.clips import make_clip
from tests.jobs.known import (
    ACCEL_MPS2,
    LAUNCH_S,
    OFFSET_S,
    aligned,
    known_alignment,
    speed_log,
    true_speed,
)

__all__ = ["known_alignment"]
SECONDS = 2.2


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("run")
    make_clip(place / "a.mp4", size=(320, 180), seconds=SECONDS, rate=20)
    speed_log(place / "a.csv", SECONDS, revs=True)
    return place


def loaded(folder: Path, **options: Any) -> RunInputs:
    return load(folder / "a.mp4", [folder / "a.csv"], RunOptions(**options))


def clock(offset_s: float, half_s: float = 0.01) -> ClockOffset:
    interval = (offset_s - half_s, offset_s + half_s)
    return ClockOffset(True, offset_s, interval, reason="the sound", logger_delay_up_to_s=0.0)


@pytest.mark.usefixtures("known_alignment")
def test_steps__closed_form_on_footage_time(folder: Path) -> None:
    run = analyse(correct(align(loaded(folder))), [parse_goal("2 m/s"), parse_goal("1 m")])
    k = run.kinematics
    inside = (k.t_s > 1.0) & (k.t_s < 2.0)
    assert np.abs(k.speed_mps - true_speed(k.t_s))[inside].max() < 0.1
    assert run.launch is not None and run.launch.at_s == pytest.approx(LAUNCH_S, abs=0.03)
    times = [split.time_s for split in run.splits]
    meant = [2 / ACCEL_MPS2, math.sqrt(2 * 1 / ACCEL_MPS2)]
    assert times == pytest.approx(meant, abs=0.03)
    assert k.timing_sigma_s == pytest.approx(0.02 / 1.96, rel=1e-3)


@pytest.mark.usefixtures("known_alignment")
def test_correct__uncorrected_is_late_by_the_lag(folder: Path) -> None:
    """The log put on footage time by the clock alone shows each speed a lag later."""
    k = correct(align(loaded(folder, corrected=False))).kinematics
    at_s = 2.0
    shown = float(np.interp(at_s, k.t_s, k.speed_mps))
    assert shown == pytest.approx(true_speed(at_s - OFFSET_S), abs=0.1)


@pytest.mark.usefixtures("known_alignment")
def test_correct__revs_by_their_clock_alone(folder: Path) -> None:
    """The revs in the table are not late; on the footage's clock they stand where they are."""
    run = correct(align(loaded(folder)))
    assert run.rpm is not None and not run.rpm_from_sound
    revs = float(run.rpm.at(np.array([1.8]))[0])
    assert revs == pytest.approx(1700 + 260 * true_speed(1.8), abs=15)


@pytest.mark.usefixtures("known_alignment")
@pytest.mark.parametrize("clock_s", [0.3, -0.45])
def test_correct__revs_a_known_clock_apart(
    folder: Path, monkeypatch: pytest.MonkeyPatch, clock_s: float
) -> None:
    """log time = footage time + clock offset, so revs at log time t stand at t - offset."""
    monkeypatch.setattr(by_sound, "rpm_clock", lambda run: (clock(clock_s), "heard"))
    run = correct(align(loaded(folder)))
    assert run.rpm is not None
    revs = float(run.rpm.at(np.array([1.6]))[0])
    assert revs == pytest.approx(1700 + 260 * true_speed(1.6 + clock_s), abs=15)


def without_clock(inputs: RunInputs, *_: object) -> Any:
    """The known alignment, of a log whose clock nothing tells yet."""
    found = aligned(inputs)
    strange = replace(
        found.alignment, clock_offset_s=None, readout_lag_s=None, readout_lag_interval_s=None
    )
    return replace(found, alignment=strange)


def test_align__sound_tells_the_lag_from_the_clock(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Total = clock + lag; the variances add (JCGM 100:2008, 5.1.2)."""
    monkeypatch.setattr("overlay.session.steps.measured", without_clock)
    monkeypatch.setattr(by_sound, "rpm_clock", lambda run: (clock(0.2, 0.03), "heard"))
    found = align(loaded(folder)).alignment
    assert found.clock_offset_s == pytest.approx(0.2)
    assert found.readout_lag_s == pytest.approx(OFFSET_S - 0.2)
    low, high = found.readout_lag_interval_s or (0, 0)
    assert (high - low) / 2 == pytest.approx(math.hypot(0.02, 0.03))
    assert [c.channel for c in found.channels] == ["engine_rpm"]


def test_align__a_given_offset_and_a_heard_clock_add_up(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("overlay.session.steps.measured", without_clock)
    monkeypatch.setattr(by_sound, "rpm_clock", lambda run: (clock(0.2), "heard"))
    found = align(loaded(folder, offset_s=1.0)).alignment
    assert (found.total_offset_s, found.interval_s) == (1.0, None)
    assert found.clock_offset_s == pytest.approx(0.2)
    assert found.readout_lag_s == pytest.approx(0.8)
    assert found.readout_lag_interval_s is None


def test_align__a_clock_that_nothing_tells_is_noted(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    refused = ClockOffset(False, None, None, reason="the clip has no sound")
    monkeypatch.setattr("overlay.session.steps.measured", without_clock)
    monkeypatch.setattr(by_sound, "rpm_clock", lambda run: (refused, ""))
    run = align(loaded(folder))
    assert any("cannot be set against the footage" in note for note in run.alignment.notes)
    assert correct(run).rpm is None


def test_given_offset__keeps_the_smoothing_and_forgets_the_rest(folder: Path) -> None:
    found = aligned(loaded(folder, offset_s=2.0))
    fitted = replace(found.alignment, smoothing_s=0.4, delay_s=OFFSET_S - 0.4, gain_mps=3.0)
    timing = ChannelTiming("engine_rpm", 0.1, (0.0, 0.2), "of before")
    given = with_given_offset(
        replace(found, alignment=replace(fitted, channels=(timing,)))
    ).alignment
    assert (given.delay_s, given.smoothing_s) == pytest.approx((1.6, 0.4))
    assert (given.channels, given.gain_mps, given.agreement) == ((), None, 0.0)


def test_correct__refuses_what_is_not_known(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    inputs = loaded(folder)
    found = aligned(inputs)
    with pytest.raises(UndeterminedError, match="nothing moves"):
        correct(replace(found, alignment=Alignment(False, reason="nothing moves")))
    with pytest.raises(UndeterminedError, match="--same-clock"):
        correct(without_clock(loaded(folder, corrected=False)))
    far = replace(found.alignment, delay_s=60.0, total_offset_s=60.0)
    with pytest.raises(MismatchError, match="the log of this run"):
        correct(replace(found, alignment=far))


@pytest.mark.usefixtures("known_alignment")
def test_analyse__slip_of_the_one_gearing_formula(folder: Path) -> None:
    """Revs a minute of a wheel: 60 · ratio / circumference for one metre a second."""
    line = Driveline((9.4,), 1.76)
    machine = Machine(line)
    assert machine.rpm_per_mps == pytest.approx(60 * 9.4 / 1.76)
    assert Machine(Driveline((9.4, 6.0), 1.76)).rpm_per_mps is None
    assert Machine().rpm_per_mps is None
    run = analyse(correct(align(loaded(folder, machine=machine))))
    speed = run.course.at(1.8).speed_mps
    slip = run.course.rpm_at(1.8) / (60 * 9.4 / 1.76) / speed - 1
    assert run.course.slip_at(1.8) == pytest.approx(slip)


@pytest.mark.usefixtures("known_alignment")
def test_cells__each_says_where_its_revs_come_from(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One run's revs are logged, the other's heard: so is it written on each comb."""
    seen: list[bool] = []

    make = Comb.__init__

    def noted(self: Comb, *size: int, from_sound: bool, **more: Any) -> None:
        seen.append(from_sound)
        make(self, *size, from_sound=from_sound, **more)

    monkeypatch.setattr(Comb, "__init__", noted)
    logged = analyse(correct(align(loaded(folder))))
    heard = replace(logged, rpm_from_sound=True)
    scene_of([Cell(logged, "a"), Cell(heard, "b")], Style(units="m/s"), "side by side")
    assert seen == [False, True]


def test_measured__leaves_out_covers_and_ignored_parts(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    masks: list[Sequence[Box]] = []

    def signal(frames: object, ignore: Sequence[Box], **_: object) -> MotionSignal:
        masks.append(ignore)
        return aligned(loaded(folder)).motion

    monkeypatch.setattr("overlay.session.steps.motion_signal", signal)
    monkeypatch.setattr("overlay.session.steps.estimate_offset", lambda *_, **__: Alignment(False))
    options = {"covers": ((0, 0, 160, 90),), "ignore": ((0.5, 0.5, 0.5, 0.25), (32, 0, 32, 18))}
    measured(loaded(folder, **options))
    assert masks == [
        (Box(0, 0, 0.5, 0.5), Box(0.5, 0.5, 1.0, 0.75), Box(0.1, 0.0, 0.2, 0.1)),
    ]


def test_measured__by_the_angle_of_view_that_is_given_and_said(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    angles: list[float | None] = []
    seen = Camera(0.5, 0.0, down_deg=3.4, left_deg=-25.2)

    def signal(frames: object, angle_deg: float | None, **_: object) -> MotionSignal:
        angles.append(angle_deg)
        return replace(aligned(loaded(folder)).motion, camera=seen)

    monkeypatch.setattr("overlay.session.steps.motion_signal", signal)
    monkeypatch.setattr("overlay.session.steps.estimate_offset", lambda *_, **__: Alignment(False))
    found = measured(loaded(folder, angle_of_view_deg=90.0))
    assert angles == [90.0]
    assert found.alignment.notes[0] == (
        "corners on the ground were followed; angle of view 90 degrees across the picture's "
        "longer side, as given; the camera looks 3 degrees down and 25 to the right of the way"
    )


def test_camera__angle_of_view_with_its_doubt() -> None:
    camera = Camera(0.5, 0.1, down_deg=-3.44, left_deg=25.16)
    assert camera.to_json() == {
        "angle_of_view_deg": 90.0,
        # 2 atan(exp(-+0.196)), the longer focal length being the narrower angle
        "angle_of_view_interval_deg": [78.8, 101.2],
        "lens": 0.0,
        "looks_down_deg": -3.4,
        "looks_left_deg": 25.2,
    }


@pytest.mark.parametrize(
    ("box", "words"),
    [
        ((400, 0, 10, 10), "outside the 320×180 picture"),
        ((0, 0, 1, 1), "the whole picture"),
        ((0, 0, 320, 180), "the whole picture"),
        ((0, 0, math.nan, 1), "above 0"),
        ((-1, 0, 2, 2), "above 0"),
    ],
)
def test_boxes__refuse_what_cannot_be(box: tuple[float, ...], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        boxes_of([box], 320, 180)  # type: ignore[list-item]


def test_load__checks_masks_before_anything_is_watched(folder: Path) -> None:
    with pytest.raises(UsageError, match="outside"):
        loaded(folder, ignore=((999, 0, 5, 5),))
    with pytest.raises(UsageError, match="has no track of its own; name a log"):
        load(folder / "a.mp4", [])


def test_inputs__a_part_of_a_longer_clip_moves_every_log(folder: Path) -> None:
    inputs = loaded(folder)
    moved = inputs.on_part_from(1.5)
    assert moved.speed.t_s == pytest.approx(inputs.speed.t_s - 1.5)
    assert moved.rpm_log is moved.speed_log is moved.logs[0]
    assert isinstance(moved.speed, Series) and inputs.speed.t_s[0] == 0.0


@pytest.mark.usefixtures("known_alignment")
def test_correct__figures_that_were_cut_off_are_raised(folder: Path) -> None:
    """By half a step where that is known; by a quarter, and as much uncertain, where it is not."""
    plain = align(loaded(folder))
    before = correct(plain).kinematics
    for by_mps, sigma_mps in ((0.22, 0.0), (0.11, 0.11)):
        found = replace(plain.alignment, raised_mps=by_mps, raised_sigma_mps=sigma_mps)
        after = correct(replace(plain, alignment=found)).kinematics
        pulling = before.speed_mps > 1.0
        gained = (after.speed_mps - before.speed_mps)[pulling]
        assert np.mean(gained) == pytest.approx(by_mps, abs=0.04)
        wanted = np.hypot(before.speed_sigma_mps, sigma_mps)[pulling]
        assert after.speed_sigma_mps[pulling] == pytest.approx(wanted, abs=0.05)
        late = replace(plain.inputs, options=replace(plain.inputs.options, corrected=False))
        shown = correct(replace(plain, inputs=late, alignment=found)).kinematics
        same = correct(replace(plain, inputs=late)).kinematics
        np.testing.assert_array_equal(shown.speed_mps, same.speed_mps)
        np.testing.assert_array_equal(shown.speed_sigma_mps, same.speed_sigma_mps)


@pytest.mark.usefixtures("known_alignment")
def test_align__a_log_that_is_dated_within_a_frame_widens_the_interval(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    inputs = loaded(folder, log_sigma_s=0.03)
    known = aligned(inputs).alignment
    monkeypatch.setattr("overlay.session.steps.estimate_offset", lambda *_, **__: known)
    low, high = estimated(inputs, aligned(inputs).motion).interval_s
    assert high - low == pytest.approx(2 * math.hypot(0.02, 1.959964 * 0.03))
