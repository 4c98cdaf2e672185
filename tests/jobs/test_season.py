"""The season command: its sheets, its order, its errors."""

import json
from types import SimpleNamespace

import pytest

from overlay.cli.main import invoke
from overlay.errors import InputError, UsageError
from overlay.report.results import judged_day
from tests.jobs.simulated import simulated_day


@pytest.fixture
def two_days(tmp_path, monkeypatch):
    """Two simulated days of the demo, worked out without clips."""
    results = {}
    for number, name in enumerate(("may", "june")):
        (tmp_path / name).mkdir()
        day = simulated_day(tmp_path / name, rng_seed=2026 + number)
        for run in day.sheet.runs:
            for file in (run.clip, *run.logs):
                (tmp_path / name / file).write_bytes(b"x")
        results[tmp_path / name / "day.toml"] = judged_day(day.sheet, day.runs)
    asked = []

    def run_day(path, **options):
        asked.append((path.parent.name, options["clips"]))
        return SimpleNamespace(results=results[path])

    monkeypatch.setattr("overlay.jobs.season.run_day", run_day)
    return tmp_path, asked


def test_season__works_each_day_out_and_compares(two_days, capsys):
    folder, asked = two_days
    assert invoke(["season", str(folder / "may"), str(folder / "june"), "--json", "-q"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert asked == [("may", False), ("june", False)]
    assert [day["name"] for day in said["days"]] == ["Taxiway day", "Taxiway day (june)"]
    (step,) = said["steps"]
    main = next(figure for figure in step["figures"] if figure["is_main"])
    assert (main["label"], main["verdict"]) == ("20 to 60 m", "real")
    assert (main["first"]["runs"], main["second"]["runs"]) == (6, 6)


def test_season__bad_sheets_are_one_line(two_days, capsys):
    folder, _ = two_days
    for sheets, code in (
        (["may"], UsageError.exit_code),
        (["may", "may"], UsageError.exit_code),
        (["may", "april"], InputError.exit_code),
    ):
        assert invoke(["season", *(str(folder / sheet) for sheet in sheets), "-q"]) == code
        assert capsys.readouterr().err.count("\n") == 1
