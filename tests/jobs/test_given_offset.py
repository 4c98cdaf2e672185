"""A total offset that the user gives: taken as it is, never shown as if it had been measured."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from overlay.cli.main import invoke
from overlay.jobs.film import FilmRun, draw_run
from overlay.scene import Style
from overlay.session import RunOptions
from overlay.sync.model import Alignment
from tests.clips import make_clip
from tests.jobs import known
from tests.jobs.known import aligned, known_alignment, speed_log

__all__ = ["known_alignment"]
GIVEN_S = 1.1
SPLITS = ["--units", "m/s", "--split", "2 m/s", "-q", "--preset", "ultrafast"]


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    folder = tmp_path_factory.mktemp("run")
    clip = make_clip(folder / "a.mp4", size=(640, 360), seconds=2.0, rate=10)
    return str(clip), str(speed_log(folder / "a.csv", 2.0))


@pytest.mark.usefixtures("known_alignment")
def test_given_offset__no_plus_minus_and_figures_that_add_up(
    files: tuple[str, str], tmp_path: Path
) -> None:
    style = Style(units="m/s", splits=("2 m/s",))
    run = FilmRun(files[0], (files[1],), options=RunOptions(same_clock=True, offset_s=GIVEN_S))
    report = draw_run(run, tmp_path / "b.mp4", style)
    found = report.runs[0].alignment
    assert found.total_offset_s == GIVEN_S and found.interval_s is None
    assert found.clock_offset_s is not None and found.readout_lag_s is not None
    assert found.clock_offset_s + found.readout_lag_s == pytest.approx(GIVEN_S, abs=1e-12)
    assert found.readout_lag_interval_s is None
    assert found.delay_s + found.smoothing_s == pytest.approx(GIVEN_S, abs=1e-12)
    first = report.lines[0][0]
    assert "+1.100 s" in first and "as given" in first and "±" not in first
    # The gauge shows no fringe, since nothing says how sure the time is.
    now = report.runs[0].course.at(1.2)
    assert math.isfinite(now.speed_mps) and math.isnan(now.sigma_mps)


@pytest.mark.usefixtures("known_alignment")
def test_given_offset__correct_writes_no_sigma(files: tuple[str, str], tmp_path: Path) -> None:
    out = tmp_path / "c.csv"
    assert invoke(["correct", *files, "-o", str(out), "--offset", str(GIVEN_S), "-q"]) == 0
    rows = [line.split(",") for line in out.read_text().splitlines()[1:]]
    assert rows and all(row[2] == "" for row in rows)
    assert all(np.isfinite(float(row[1])) for row in rows if row[-1] == "1")


def test_given_offset__uncorrected_on_the_same_clock(
    files: tuple[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The clock is known from --same-clock, whatever the picture tells of the lag."""
    from dataclasses import replace

    def refused(inputs: known.RunInputs, *_: object) -> known.AlignedRun:
        return replace(aligned(inputs), alignment=Alignment(False, reason="nothing moves"))

    monkeypatch.setattr("overlay.session.steps.measured", refused)
    out = str(tmp_path / "b.mp4")
    given = ["--offset", str(known.OFFSET_S), "--uncorrected", "-o", out]
    assert invoke(["draw", *files, "--same-clock", *given, *SPLITS]) == 0
    assert invoke(["draw", *files, *given, *SPLITS]) == 5


@pytest.mark.usefixtures("known_alignment")
def test_ladder__is_left_out_of_a_run_without_a_launch(tmp_path: Path) -> None:
    clip = make_clip(tmp_path / "a.mp4", size=(640, 360), seconds=2.0, rate=10)
    log = tmp_path / "a.csv"
    rows = "".join(f"{k / 10:.1f},{6 + 0.3 * math.sin(k / 5):.3f}\n" for k in range(40))
    log.write_text("t_s,speed (m/s)\n" + rows)
    style = Style(units="m/s", splits=("7 m/s",))
    report = draw_run(FilmRun(clip, (log,)), tmp_path / "b.mp4", style)
    assert report.runs[0].launch is None
    from overlay.verify.finished import imprint_of

    imprint = imprint_of(tmp_path / "b.mp4")
    assert imprint is not None and len(imprint.boxes) == 1
    assert any("ladder is left out: no launch" in line for line in report.lines[0])
