"""Runs out of one long recording: found, written as text for the sheet, and worked out from it."""

import subprocess

import numpy as np
import pytest

from overlay.errors import UndeterminedError
from overlay.footage import probe
from overlay.jobs.day_find import find_in, sheet_lines
from overlay.jobs.day_run import run_day
from overlay.logs import read_log
from overlay.render.encoder import ffmpeg_path
from overlay.sheet import load_sheet
from tests.demo_runs import ready_runs

SHEET = """\
[report]
splits = ["10 mph", "20 m"]
[[builds]]
name = "A"
"""


@pytest.fixture(scope="module")
def long_recording(tmp_path_factory):
    """Both ready-made clips as one, with one log on the footage's clock; and when each launches."""
    folder = tmp_path_factory.mktemp("long")
    runs, rows, launches, begin_s = ready_runs(), [], [], 0.0
    for run in runs:
        length_s = probe(run.clip).duration_s
        speed = read_log(run.log).speed.shifted(-run.truth.clock_offset_s).between(0.0, length_s)
        rows += [(begin_s + t, v) for t, v in zip(speed.t_s, speed.values, strict=True)]
        launches.append(begin_s + run.truth.launch_s)
        begin_s += length_s
    text = "t_s,speed (m/s)\n" + "".join(f"{t:.3f},{v:.3f}\n" for t, v in rows)
    (folder / "long.csv").write_text(text)
    (folder / "list.txt").write_text("".join(f"file '{run.clip}'\n" for run in runs))
    command = [ffmpeg_path(), "-v", "error", "-f", "concat", "-safe", "0"]
    command += ["-i", str(folder / "list.txt"), "-c", "copy", str(folder / "long.mp4")]
    subprocess.run(command, check=True)
    return folder, launches, [run.truth for run in runs]


def test_day_find__the_text_found_works_in_a_sheet(long_recording):
    folder, launches, truths = long_recording
    clip = folder / "long.mp4"
    before = clip.read_bytes()
    found = find_in(str(clip), [str(folder / "long.csv")], same_clock=True)
    assert [window.launch_s for window, _ in found.runs] == pytest.approx(launches, abs=0.5)
    assert all(logged is not None for _, logged in found.runs)
    assert not found.only_logged
    (folder / "day.toml").write_text(SHEET + sheet_lines(found) + "\n")
    sheet = load_sheet(folder / "day.toml")
    for run, launch in zip(sheet.runs, launches, strict=True):
        assert run.window_s[0] < launch < run.window_s[1]
    report = run_day(folder, clips=False, workers=2)
    assert report.worked_out == ("run 1", "run 2")
    for standing, truth in zip(report.results.day.standings, truths, strict=True):
        ten, twenty = standing.splits[:2]
        assert ten.value == pytest.approx(truth.splits[0].time_s, abs=0.2)
        assert twenty.value == pytest.approx(truth.splits[2].time_s, abs=0.2)
    assert clip.read_bytes() == before


def test_day_find__a_run_the_footage_does_not_show_is_told(long_recording, tmp_path):
    """The log of the whole, the footage of its second half only."""
    folder, launches, _ = long_recording
    run = ready_runs()[1]
    moved = launches[1] - run.truth.launch_s
    log = read_log(folder / "long.csv").speed.shifted(-moved)
    later = tmp_path / "later.csv"
    rows = (f"{t:.3f},{v:.3f}" for t, v in zip(log.t_s, log.values, strict=True))
    later.write_text("\n".join(("t_s,speed (m/s)", *rows)) + "\n")
    found = find_in(run.clip, [str(later)], same_clock=True)
    assert len(found.runs) == 1
    assert found.runs[0][0].launch_s == pytest.approx(run.truth.launch_s, abs=0.5)
    assert len(found.only_logged) == 1
    assert "# not in the footage: a run in the log from" in sheet_lines(found)


def test_day_find__no_run_is_refused(tmp_path):
    run = ready_runs()[0]
    still = tmp_path / "still.csv"
    times = np.arange(0, 14, 0.1)
    still.write_text("t_s,speed (m/s)\n" + "".join(f"{t:.2f},0.02\n" for t in times))
    with pytest.raises(UndeterminedError, match="no run from rest"):
        find_in(run.clip, [str(still)], same_clock=True)
