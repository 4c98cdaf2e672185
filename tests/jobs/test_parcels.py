"""A run worked on where its folder is not: what is sent, what comes back, what cannot be sent."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from overlay.cli.main import invoke
from overlay.errors import InputError
from overlay.jobs.day_one import RunTask, do_run
from overlay.jobs.names import FOLDER, KEPT
from overlay.jobs.parcels import do_parcel, packed, unpacked
from overlay.sheet import load_sheet
from tests.demo_runs import CLIPS

pytest.importorskip("distributed", reason="the extra cluster is not installed")


def task_in(folder: Path) -> RunTask:
    shutil.copytree(CLIPS, folder)
    sheet = load_sheet(folder / "day.toml")
    (folder / FOLDER / KEPT).mkdir(parents=True)
    return RunTask(sheet, sheet.runs[0], folder / FOLDER, clips=False)


def test_parcel__gives_what_the_run_gives_here(tmp_path: Path) -> None:
    here, away = task_in(tmp_path / "here"), task_in(tmp_path / "away")
    do_run(here, lambda _: None)
    parcel = packed(away)
    assert {file.name for file in parcel.files} == {away.run.clip, *away.run.logs}
    back = do_parcel(parcel, lambda _: None)
    assert not any((tmp_path / "away" / FOLDER / KEPT).iterdir())
    outcome = unpacked(away, back)
    assert outcome.is_worked_out and outcome.problem is None
    kept = {path.name: path.read_bytes() for path in (tmp_path / "here" / FOLDER).rglob("*.npz")}
    assert kept == {p.name: p.read_bytes() for p in (tmp_path / "away" / FOLDER).rglob("*.npz")}
    assert away.kept_run() is not None  # under the digest that it has here
    # What is kept goes along, so nothing is done twice.
    assert not do_parcel(packed(away), lambda _: None).outcome.is_worked_out


def test_parcel__a_run_that_fails_names_the_files_here(tmp_path: Path) -> None:
    task = task_in(tmp_path / "day")
    clip = task.sheet.file(task.run.clip)
    clip.write_bytes(b"no clip")
    outcome = unpacked(task, do_parcel(packed(task), lambda _: None))
    assert outcome.run is None and str(clip) in str(outcome.problem)
    again = task.kept_failure()
    assert again is not None and again.problem == outcome.problem


def test_packed__a_file_outside_the_folder_is_not_sent_and_a_missing_one_is_named(
    tmp_path: Path,
) -> None:
    task = task_in(tmp_path / "day")
    shutil.copy(CLIPS / "a1.gpx", tmp_path / "a1.gpx")
    outside = task.run.model_copy(update={"logs": ("../a1.gpx",)})
    with pytest.raises(InputError, match="lies outside the sheet's folder"):
        packed(replace(task, run=outside))
    missing = task.run.model_copy(update={"logs": ("none.gpx",)})
    lost = replace(task, run=missing)
    outcome = unpacked(lost, do_parcel(packed(lost), lambda _: None))
    assert outcome.run is None and f"{tmp_path / 'day' / 'none.gpx'}" in str(outcome.problem)


def test_send_files__goes_with_a_scheduler(tmp_path: Path, capsys) -> None:
    assert invoke(["day", "run", str(tmp_path), "--send-files"]) == 2
    assert "goes with --scheduler ADDRESS" in capsys.readouterr().err
