"""Edits of a sheet's text: what is asked changes, and nothing else."""

import difflib
import tomllib
from pathlib import Path

import pytest

from overlay.errors import InputError
from overlay.sheet.edit import Edit, edited
from tests.demo_runs import CLIPS

DAY = (CLIPS / "day.toml").read_text()
NOTED = """\
# head
[[runs]]
name = "a"  # first

# about b
[[runs]]
name = "b"
[runs.conditions]
slope_percent = 1
# about c
[[runs]]
name = "c"
# the end
"""


def changed(text: str, *edits: Edit) -> list[str]:
    """Lines taken out and put in, in order."""
    after = edited(text, edits)
    tomllib.loads(after)
    lines = difflib.unified_diff(text.splitlines(), after.splitlines(), n=0, lineterm="")
    return [line for line in lines if line[:2] not in ("--", "++", "@@")]


@pytest.mark.parametrize(
    ("edit", "lines"),
    [
        (Edit("set", ["runs", 0, "offset_s"], 1.25), ["+offset_s = 1.25"]),
        (Edit("unset", ["runs", 0, "build"]), ['-build = "A"']),
        (Edit("set", ["vehicle", "limiter_rpm"], 4000), ["+limiter_rpm = 4000"]),
        (
            Edit("set", ["vehicle", "gear_ratios"], [8.5]),
            [
                "-gear_ratios = [9.4]  # turns of the crank for one of the driven wheel",
                "+gear_ratios = [8.5]  # turns of the crank for one of the driven wheel",
            ],
        ),
        (
            Edit("set", ["builds", 1, "parts", 1, "price"], 9),
            [
                '-  { name = "main jet", price = 7.00 },',
                '+  { name = "main jet", price = 9 },',
            ],
        ),
        (
            Edit("remove", ["builds", 1, "parts", 1]),
            ['-  { name = "main jet", price = 7.00 },'],
        ),
        (
            Edit("set", ["runs", 1, "conditions", "headwind_mps"], 2),
            ["+", "+[runs.conditions]", "+headwind_mps = 2"],
        ),
        (Edit("add", ["runs"], {"name": "z"}), ["+", "+[[runs]]", '+name = "z"']),
    ],
)
def test_edited__only_what_was_asked_changes(edit, lines):
    assert changed(DAY, edit) == lines


def test_edited__a_part_is_added_to_a_list_that_was_not_there():
    after = edited(DAY, [Edit("add", ["builds", 0, "parts"], {"name": "jet", "price": 3.5})])
    assert tomllib.loads(after)["builds"][0]["parts"] == [{"name": "jet", "price": 3.5}]


def test_edited__all_runs_taken_out_and_one_put_in():
    after = edited(
        DAY,
        [
            Edit("remove", ["runs", 1]),
            Edit("remove", ["runs", 0]),
            Edit("add", ["runs"], {"name": "z", "logs": ["a", "b"]}),
        ],
    )
    assert tomllib.loads(after)["runs"] == [{"name": "z", "logs": ["a", "b"]}]


@pytest.mark.parametrize("index", [0, 1, 2])
def test_edited__a_run_taken_out_leaves_every_note_of_the_others(index):
    after = edited(NOTED, [Edit("remove", ["runs", index])])
    names = [run["name"] for run in tomllib.loads(after)["runs"]]
    assert names == [name for i, name in enumerate("abc") if i != index]
    for note in ("# head", "# about b", "# about c", "# the end"):
        assert note in after
    if index == 0:
        assert after.index("# about b") < after.index('name = "b"') < after.index("# about c")


def test_edited__a_new_key_stands_above_the_note_of_the_next_table():
    after = edited(NOTED, [Edit("set", ["runs", 0, "offset_s"], 1)])
    assert after.index("offset_s = 1") < after.index("# about b")


@pytest.mark.parametrize(
    "edit",
    [
        Edit("set", ["runs", 9, "name"], "x"),
        Edit("unset", ["runs", 0, "nothing"]),
        Edit("remove", ["builds", 7]),
        Edit("set", ["runs", "name"], "x"),
        Edit("add", ["vehicle", "name"], {"a": 1}),
    ],
)
def test_edited__a_place_that_is_not_there_is_refused(edit):
    with pytest.raises(InputError, match="no such place"):
        edited(DAY, [edit])


def test_edited__text_that_is_no_toml_is_refused(tmp_path: Path):
    with pytest.raises(InputError, match="not TOML"):
        edited("[runs", [])
