"""What a good sheet gives."""

import json
import math

import pytest

import overlay.sheet
from overlay.goals import M_PER
from overlay.runs.splits import parse_goal
from overlay.sheet import DaySheet, SheetError, load_sheet
from overlay.sheet.schema import SCHEMA_FILE, json_schema, schema_text
from overlay.units import MPS_PER
from tests.sheet.samples import FILES, GOOD, written


@pytest.fixture
def sheet(tmp_path):
    return load_sheet(written(tmp_path))


def test_public_names__are_all_there():
    for name in overlay.sheet.__all__:
        assert getattr(overlay.sheet, name).__name__ == name


def test_good_sheet__says_what_it_says(sheet, tmp_path):
    assert sheet.path == tmp_path / "day.toml"
    assert sheet.vehicle.mass_kg == 170.0
    assert sheet.vehicle.gear_ratios == (9.4,)
    assert sheet.vehicle.circumference_m == pytest.approx(math.pi * 0.56)
    assert [build.total_price for build in sheet.builds] == [0.0, 85.0]
    assert sheet.run("b1").window_s == (2.0, 31.5)
    assert sheet.run("none") is None
    assert sheet.build("A").about == "as bought"
    assert sheet.file("a1.mp4") == tmp_path / "a1.mp4"


def test_conditions__of_a_run_are_the_days_with_its_own(sheet):
    day, run = sheet.conditions, sheet.conditions_of(sheet.run("b1"))
    assert run.headwind_mps == 2.5
    assert run.temperature_c == day.temperature_c == 18.5
    assert day.headwind_mps is None
    assert sheet.conditions_of(sheet.run("a1")) == day


def test_vehicle_of__a_build_changes_only_what_it_names(sheet):
    plain, changed = (sheet.vehicle_of(build) for build in sheet.builds)
    assert plain == sheet.vehicle
    assert changed.limiter_rpm == 5100
    assert changed.model_copy(update={"limiter_rpm": 3900.0}) == plain


def test_vehicle_of__a_builds_tyre_replaces_the_vehicles(tmp_path):
    text = GOOD.replace("limiter_rpm = 5100", "rolling_circumference_m = 1.5")
    sheet = load_sheet(written(tmp_path, text))
    assert sheet.vehicle_of(sheet.builds[1]).circumference_m == 1.5
    assert sheet.vehicle_of(sheet.builds[0]).circumference_m == pytest.approx(math.pi * 0.56)


def test_sheet__is_frozen(sheet):
    with pytest.raises(Exception, match="frozen"):
        sheet.vehicle.mass_kg = 5


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.encode(),
        lambda text: b"\xef\xbb\xbf" + text.encode(),
        lambda text: text.replace("\n", "\r\n").encode(),
        lambda text: text.replace(" = ", "\t=\t").encode(),
        lambda text: text.rstrip("\n").encode(),
    ],
    ids=["plain", "byte order mark", "CRLF", "tabs", "no last newline"],
)
def test_spelling_of_the_text__makes_no_difference(change, tmp_path):
    assert load_sheet(written(tmp_path, change(GOOD))) == load_sheet(written(tmp_path))


def test_crlf__keeps_the_lines(tmp_path):
    for newline in ("\n", "\r\n"):
        text = GOOD.replace("strokes = 4", "strokes = 3").replace("\n", newline)
        with pytest.raises(SheetError) as caught:
            load_sheet(written(tmp_path, text))
        assert caught.value.problems[0].line == 16


def test_what_may_be_left_out(tmp_path):
    text = (
        '[[builds]]\nname = "A"\n[[runs]]\nname="a1"\nbuild="A"\nclip="a1.mp4"\nlogs=["a1.gpx"]\n'
    )
    sheet = load_sheet(written(tmp_path, text))
    assert sheet.vehicle.strokes is None
    assert sheet.vehicle.circumference_m is None
    assert sheet.vehicle.stock_limit_rpm is None
    assert sheet.runs[0].counted is None
    assert sheet.runs[0].column_map is None
    assert sheet.report.splits == ()


def test_one_clip_of_an_afternoon__may_hold_runs_side_by_side(tmp_path):
    text = GOOD.replace('clip = "b1.mp4"', 'clip = "a1.mp4"').replace(
        'clip = "a1.mp4"\nlogs = ["a1.gpx", "a1_revs.csv"]',
        'clip = "a1.mp4"\nlogs = ["a1.gpx", "a1_revs.csv"]\nwindow_s = [40, 60]',
    )
    assert load_sheet(written(tmp_path, text)).runs[0].window_s == (40.0, 60.0)
    with pytest.raises(SheetError, match="overlaps the window of runs\\[1\\]"):
        load_sheet(written(tmp_path, text.replace("[40, 60]", "[30, 60]")))


def test_files__need_not_be_there_when_not_asked_for(tmp_path):
    sheet = written(tmp_path)
    for name in FILES:
        (tmp_path / name).unlink()
    assert len(load_sheet(sheet, files=False).runs) == 2
    with pytest.raises(SheetError) as caught:
        load_sheet(sheet)
    assert len(caught.value.problems) == len(FILES)


def test_later_problem__gets_its_line(sheet):
    problem = sheet.problem(("runs", 1, "logs", 0), "is odd")
    assert str(problem).endswith("is odd")
    assert GOOD.splitlines()[problem.line - 1] == '  "b1.gpx",'
    assert problem.place == "runs[2].logs[1]"


# -- goals --------------------------------------------------------------------------------------


@pytest.mark.parametrize("unit", [*MPS_PER, *M_PER])
@pytest.mark.parametrize("rollout", ["", " rollout"])
def test_goal__is_read_in_every_unit(unit, rollout):
    for text in (f"1.5 {unit}{rollout}", f" 1.5{unit}{rollout} "):
        goal = parse_goal(text)
        assert goal.kind == ("speed" if unit in MPS_PER else "distance")
        assert goal.value == pytest.approx(1.5 * (MPS_PER | M_PER)[unit], rel=1e-12)
        assert (goal.label, goal.rollout) == (f"1.5 {unit}{rollout}", bool(rollout))


# -- schema -------------------------------------------------------------------------------------


def test_schema__shipped_file_is_what_the_models_give():
    # As data: releases of the library write a whole number as 2 or as 2.0.
    assert json.loads(SCHEMA_FILE.read_text(encoding="utf-8")) == json.loads(schema_text())


def test_schema__knows_every_key_and_forbids_others():
    schema = json_schema()
    tables = [schema, *schema["$defs"].values()]
    assert all(table["additionalProperties"] is False for table in tables)
    assert set(schema["properties"]) == set(DaySheet.model_fields)
    assert "null" not in json.dumps(schema)


def test_schema__accepts_the_good_sheet_and_refuses_the_bad():
    jsonschema = pytest.importorskip("jsonschema")
    import tomllib

    schema = json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    assert not list(validator.iter_errors(tomllib.loads(GOOD)))
    for old, new in (("mass_kg", "mass"), ("strokes = 4", "strokes = 3"), ("[9.4]", "[0]")):
        assert list(validator.iter_errors(tomllib.loads(GOOD.replace(old, new))))
