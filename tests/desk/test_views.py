"""The figures that the page shows, against closed form: value, unit, sign and time base."""

import time
from dataclasses import replace
from types import SimpleNamespace as Made

import numpy as np
import pytest

from overlay.desk.queue import Job
from overlay.desk.views import recording_view, run_view
from overlay.jobs import day_motion
from overlay.jobs.day_find import FoundRuns
from overlay.jobs.names import KEPT
from overlay.logs import read_log
from overlay.motion.model import MotionSignal
from overlay.runs import RunWindow
from overlay.series import Series
from overlay.session import AlignedRun
from overlay.sheet import load_sheet
from overlay.sync.model import Alignment

MPH_MPS = 0.44704  # exact: international mile over an hour, NIST SP 811, appendix B
OFFSET_S, GAIN_MPS = 24.7, 12.0
T_S = np.arange(0.05, 13.0, 0.1)


def motion(forward):
    one = np.ones(len(T_S))
    quality = one.copy()
    quality[3] = 0.0
    return MotionSignal(T_S, 0.1 * one, forward, quality, 0.01 * one, 0.7)


@pytest.fixture
def seen(day, monkeypatch):
    """The first run of the sheet, its picture watched already."""
    sheet = load_sheet(day / "day.toml")
    folder = day / "day-results"
    (folder / KEPT).mkdir(parents=True)
    known = Alignment(
        True,
        OFFSET_S,
        (OFFSET_S - 0.02, OFFSET_S + 0.03),
        gain_mps=GAIN_MPS,
        notes=("one",),
    )

    def keep(alignment=known, run=sheet.runs[0]):
        found = AlignedRun(None, motion(np.linspace(0, 1, len(T_S))), alignment)
        monkeypatch.setattr(day_motion, "measured", lambda inputs, progress: found)
        day_motion.watched(sheet, run, None, folder / KEPT)
        return run_view(sheet, run, folder)

    return Made(keep=keep, known=known, run=sheet.runs[0], day=day)


def test_evidence__motion_in_the_sheets_unit_at_its_own_times(seen):
    shown = seen.keep()["evidence"]["motion"]
    np.testing.assert_allclose(shown["t"], T_S, atol=1e-4)
    assert shown["v"][-1] == pytest.approx(GAIN_MPS / MPH_MPS, abs=1e-3)
    assert shown["v"][3] is None and shown["to_scale"]


def test_evidence__the_log_lies_earlier_by_the_offset(seen):
    evidence = seen.keep()["evidence"]
    log = read_log(seen.day / "a1.gpx").speed
    first_s, last_s = evidence["log"]["t"][0], evidence["log"]["t"][-1]
    assert first_s == pytest.approx(log.t_s[0] - OFFSET_S, abs=1e-3)
    assert last_s == pytest.approx(log.t_s[-1] - OFFSET_S, abs=1e-3)
    fastest = max(evidence["log"]["v"])
    assert fastest == pytest.approx(np.max(log.values) / MPH_MPS, abs=1e-2)
    assert (evidence["base_s"], evidence["measured_s"]) == (OFFSET_S, OFFSET_S)
    assert evidence["interval_s"] == pytest.approx([OFFSET_S - 0.02, OFFSET_S + 0.03])
    assert evidence["lines"][0] == "total offset +24.700 s ± 0.025 (95 %)"
    assert "one" in evidence["lines"]
    assert evidence["frame_s"] == pytest.approx(1 / 30, abs=1e-6)


def test_evidence__an_offset_by_hand_moves_the_log_and_leaves_the_measured_interval(seen):
    by_hand = replace_offset(seen.run, 25.0)
    evidence = seen.keep(run=by_hand)["evidence"]
    assert evidence["base_s"] == 25.0 and evidence["measured_s"] == OFFSET_S
    assert evidence["interval_s"][0] == pytest.approx(OFFSET_S - 0.02)


def test_evidence__without_an_answer_there_is_still_something_to_lay_by_hand(seen):
    lost = replace(
        seen.known,
        determined=False,
        total_offset_s=None,
        interval_s=None,
        gain_mps=None,
        reason="the picture never moves",
    )
    evidence = seen.keep(lost)["evidence"]
    assert evidence["lines"][0] == "cannot be determined: the picture never moves"
    assert evidence["reason"] == "the picture never moves" and evidence["interval_s"] is None
    assert not evidence["motion"]["to_scale"]
    log = evidence["log"]
    assert max(v for v in evidence["motion"]["v"] if v) == pytest.approx(max(log["v"]), rel=0.05)
    fastest_s = log["t"][int(np.argmax(log["v"]))]
    assert fastest_s == pytest.approx(T_S[-1], abs=0.01)


def replace_offset(run, offset_s):
    return run.model_copy(update={"offset_s": offset_s})


def test_recording__windows_on_footage_time_and_the_log_moved_onto_it():
    window = RunWindow(10.04, 31.0, 13.06, 29.0, 8.0, True)
    logged = replace(window, launch_s=18.0, peak_mps=8.9408)
    found = FoundRuns(
        "long.mp4",
        ("long.gpx",),
        ((window, logged), (replace(window, launch_s=50.0), None)),
        (logged,),
        Alignment(True, 5.0, (4.9, 5.1), gain_mps=GAIN_MPS),
        False,
        motion(np.linspace(0, 1, len(T_S))),
        Series("speed_mps", np.array([5.0, 6.0]), np.array([0.0, 8.9408])),
    )
    view = recording_view(found, "mph")
    assert view["windows"][0] == [10.0, 31.0] and view["only_logged"] == 1
    assert view["about"] == [
        "launch about 13.1 s, 20 mph",
        "launch about 50.0 s, not seen in the log",
    ]
    assert view["log"] == {"t": [0.0, 1.0], "v": [0.0, 20.0]}
    lost = replace(found, alignment=Alignment(False))
    assert recording_view(lost, "mph")["log"] is None


@pytest.mark.parametrize(("share", "left_s"), [(0.25, 30.0), (0.5, 10.0), (0.01, None)])
def test_job__time_left_is_what_the_rest_takes_at_the_same_pace(share, left_s):
    job = Job(1, "run", "a1", False, print, (), "working", share=share)
    job.told = time.monotonic()
    job.started = job.told - 10.0
    left = job.view()["left_s"]
    assert left is None if left_s is None else left == pytest.approx(left_s, rel=0.01)
