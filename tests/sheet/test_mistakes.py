"""Each kind of mistake in a sheet: its line is named, and the mend."""

import pytest

from overlay.errors import InputError, TimetrueError
from overlay.sheet import SheetError, load_sheet
from overlay.sheet.places import find_lines
from tests.sheet.samples import GOOD, written

BUILDS = '[[builds]]\nname = "A"'
# What to replace, by what; the place; words of the message, the mend among them; and where the
# line told is not the first one changed, a part of it.
MISTAKES = {
    "misspelt key": ("mass_kg", "mas_kg", "vehicle.mas_kg", "did you mean mass_kg"),
    "key without unit": ("mass_kg", "mass", "vehicle.mass", "did you mean mass_kg"),
    "key in the wrong table": (
        'notes = "gusty"',
        "temperature_c = 9",
        "runs[2].temperature_c",
        "write it under conditions",
    ),
    "key that means nothing": ('notes = "gusty"', "xyzzy = 9", "runs[2].xyzzy", "take it out"),
    "key with a line's end in it": (
        'notes = "gusty"',
        '"a\\nb" = 9',
        'runs[2]."a\N{REPLACEMENT CHARACTER}b"',
        "take it out",
    ),
    "misspelt table": ("[vehicle]", "[vehicel]", "vehicel", "did you mean vehicle"),
    "judged goal the wrong way round": (
        "worth_noticing_s = 0.15",
        'judged = ["60 to 20 m"]',
        "report.judged[1]",
        "must begin above 0",
    ),
    "judged goal from launch": (
        "worth_noticing_s = 0.15",
        'judged = ["60 m"]',
        "report.judged[1]",
        '"20 to 60 m"',
    ),
    "main goal that is none": (
        "worth_noticing_s = 0.15",
        'main = "70 m"',
        "report.main",
        "none of judged and splits",
    ),
    "order of some runs only": (
        'notes = "gusty"',
        "order = 1",
        "runs[2].order",
        "give it to all runs or to none",
    ),
    "candidate that needs another that is none": (
        BUILDS,
        '[[candidates]]\nname = "rod"\nneeds = ["flywheel"]\n' + BUILDS,
        "candidates[1].needs[1]",
        "no other candidate; add it as a candidate",
        "needs",
    ),
    "candidate of no build": (
        BUILDS,
        '[[candidates]]\nname = "rod"\nbuild = "Z"\n' + BUILDS,
        "candidates[1].build",
        "use one of A, B",
        'build = "Z"',
    ),
    "candidate with its power the wrong way round": (
        BUILDS,
        '[[candidates]]\nname = "cam"\npower_percent = [6, 2]\n' + BUILDS,
        "candidates[1].power_percent",
        "write [least, most]",
        "power_percent",
    ),
    "candidate in teeth, the vehicle not": (
        BUILDS,
        '[[candidates]]\nname = "sprocket"\nwheel_teeth = [60]\n' + BUILDS,
        "candidates[1]",
        "add sprocket_teeth",
        "[[candidates]]",
    ),
    "candidate's misspelt key": (
        BUILDS,
        '[[candidates]]\nname = "seat"\nmass_chang_kg = -2\n' + BUILDS,
        "candidates[1].mass_chang_kg",
        "did you mean mass_change_kg",
        "mass_chang_kg",
    ),
    "number in quotes": (
        "mass_kg = 170",
        'mass_kg = "170 kg"',
        "vehicle.mass_kg",
        "input should be a valid number",
    ),
    "decimal comma": (
        "mass_kg = 170",
        'mass_kg = "170,5"',
        "vehicle.mass_kg",
        "input should be a valid number",
    ),
    "text without quotes": ("mass_kg = 170", "mass_kg = heavy", "", "double quotes"),
    "text where truth belongs": (
        "counted = true",
        'counted = "yes"',
        "runs[2].counted",
        "input should be a valid boolean",
    ),
    "number where text belongs": (
        'notes = "gusty"',
        "notes = 5",
        "runs[2].notes",
        "input should be a valid string",
    ),
    "one text where a list belongs": (
        'logs = ["a1.gpx", "a1_revs.csv"]',
        'logs = "a1.gpx"',
        "runs[1].logs",
        "input should be a valid array",
    ),
    "one number where a list belongs": (
        "[9.4]",
        "9.4",
        "vehicle.gear_ratios",
        "input should be a valid array",
    ),
    "negative mass": ("= 170", "= -170", "vehicle.mass_kg", "input should be greater than 0"),
    "mass in grams": (
        "= 170",
        "= 170000",
        "vehicle.mass_kg",
        "input should be less than or equal to 3000",
    ),
    "mass not a number": ("= 170", "= nan", "vehicle.mass_kg", "input should be a finite number"),
    "tyre in millimetres": (
        "= 0.56",
        "= 560",
        "vehicle.tyre_diameter_m",
        "input should be less than or equal to 2",
    ),
    "tyre told twice": (
        "gear_ratios =",
        "rolling_circumference_m = 1.76\ngear_ratios =",
        "vehicle.rolling_circumference_m",
        "keep one",
    ),
    "ratio of zero": ("[9.4]", "[0]", "vehicle.gear_ratios[1]", "input should be greater than 0"),
    "no ratio in the list": (
        "[9.4]",
        "[]",
        "vehicle.gear_ratios",
        "list should have at least 1 item after validation, not 0",
    ),
    "gears in the wrong order": ("[9.4]", "[5, 9.4]", "vehicle.gear_ratios", "lowest gear first"),
    "unknown clutch": (
        '"centrifugal"',
        '"dry"',
        "vehicle.clutch",
        "input should be 'centrifugal', 'plate' or 'none'",
    ),
    "no cylinders": (
        "cylinders = 1",
        "cylinders = 0",
        "vehicle.cylinders",
        "input should be greater than or equal to 1",
    ),
    "half a cylinder": (
        "cylinders = 1",
        "cylinders = 1.5",
        "vehicle.cylinders",
        "input should be a valid integer",
    ),
    "three strokes": ("strokes = 4", "strokes = 3", "vehicle.strokes", "input should be 2 or 4"),
    "limiter below idle": ("= 3900", "= 900", "vehicle.limiter_rpm", "not above idle_rpm, 1500"),
    "stock limit below idle": ("= 4000", "= 90", "vehicle.stock_limit_rpm", "check both"),
    "build's limiter below idle": ("= 5100", "= 51", "builds[2].limiter_rpm", "check both"),
    "too many revs": (
        "= 3900",
        "= 390000",
        "vehicle.limiter_rpm",
        "input should be less than or equal to 30000",
    ),
    "unknown unit": (
        'speed_unit = "mph"',
        'speed_unit = "furlong"',
        "report.speed_unit",
        "input should be 'mph', 'km/h' or 'm/s'",
    ),
    "goal without unit": ('"60 m"', '"60"', "report.splits[3]", 'such as "60 m"'),
    "goal in an unknown unit": ('"60 m"', '"60 metres"', "report.splits[3]", "use one of mph"),
    "goal of words": ('"60 m"', '"far"', "report.splits[3]", "write a number and a unit"),
    "goal of zero": ('"60 m"', '"0 m"', "report.splits[3]", "above 0"),
    "goal below zero": ('"60 m"', '"-60 m"', "report.splits[3]", "above 0"),
    "goal out of reach": ('"60 m"', '"60 km"', "report.splits[3]", "check the unit"),
    "goal with a comma": ('"60 m"', '"60,5 m"', "report.splits[3]", "decimal point"),
    "goal with a strange ending": ('"60 m"', '"60 m flying"', "report.splits[3]", '"rollout"'),
    "goal as a number": ('"60 m"', "60", "report.splits[3]", "input should be a valid string"),
    "goal listed twice": ('"10 m/s"', '"60m"', "report.splits[3]", "take one out"),
    "margin below zero": (
        "= 0.15",
        "= -0.15",
        "report.worth_noticing_s",
        "input should be greater than 0",
    ),
    "margin of zero": (
        "= 0.4",
        "= 0",
        "report.worth_noticing_mps",
        "input should be greater than 0",
    ),
    "humidity over 100 %": (
        "= 60",
        "= 160",
        "conditions.humidity_percent",
        "input should be less than or equal to 100",
    ),
    "pressure in pascals": (
        "= 1009",
        "= 100900",
        "conditions.pressure_hpa",
        "input should be less than or equal to 1100",
    ),
    "temperature in kelvins": (
        "= 18.5",
        "= 291",
        "conditions.temperature_c",
        "input should be less than or equal to 60",
    ),
    "gale": (
        "= 2.5",
        "= 250",
        "runs[2].conditions.headwind_mps",
        "input should be less than or equal to 40",
    ),
    "name with a slash": (
        'name = "b1"',
        'name = "b/1"',
        "runs[2].name",
        "must have 1 to 40 letters",
    ),
    "name that ends in a dot": (
        'name = "b1"',
        'name = "b1."',
        "runs[2].name",
        "must have 1 to 40 letters",
    ),
    "name without letters": (
        'name = "b1"',
        'name = ""',
        "runs[2].name",
        "must have 1 to 40 letters",
    ),
    "name too long": (
        'name = "b1"',
        f'name = "{"b" * 41}"',
        "runs[2].name",
        "must have 1 to 40 letters",
    ),
    "name of a device": ('name = "b1"', 'name = "nul"', "runs[2].name", "choose another"),
    "run named twice": ('name = "b1"', 'name = "A1"', "runs[2].name", "name of its own"),
    "build named twice": (
        '[[runs]]\nname = "a1"',
        '[[builds]]\nname = "a"\n[[runs]]\nname = "a1"',
        "builds[3].name",
        "name of its own",
        'name = "a"',
    ),
    "run without a name": ('name = "b1"\n', "", "runs[2].name", "is missing; add it", "[[runs]]"),
    "run without a build": ('build = "B"\n', "", "runs[2].build", "is missing; add it"),
    "run without a clip": ('clip = "b1.mp4"\n', "", "runs[2].clip", "is missing; add it"),
    "unknown build": ('build = "B"', 'build = "C"', "runs[2].build", "use one of A, B"),
    "build in other letters": ('build = "B"', 'build = "b"', "runs[2].build", 'mean "B"'),
    "missing clip": ('"b1.mp4"', '"b9.mp4"', "runs[2].clip", "did you mean"),
    "missing log": ('  "b1.gpx"', '  "nowhere.nmea"', "runs[2].logs[1]", "check the name"),
    "folder for a file": ('"b1.mp4"', '"."', "runs[2].clip", "name a file"),
    "backslashes in a name": ('"b1.mp4"', r"'clips\b1.mp4'", "runs[2].clip", "write /"),
    "clip listed twice": ('"b1.mp4"', '"a1.mp4"', "runs[2].clip", "window_s = [start, end]"),
    "log listed twice": ('"a1_revs.csv"', '"./a1.gpx"', "runs[1].logs[2]", "take one out"),
    "clip among the logs": ('"a1_revs.csv"', '"a1.mp4"', "runs[1].logs[2]", "name the log here"),
    "window's end before its start": ("[2, 31.5]", "[31.5, 2]", "runs[2].window_s", "[start, end]"),
    "window of one number": ("[2, 31.5]", "[2]", "runs[2].window_s[2]", "is missing"),
    "window of three numbers": (
        "[2, 31.5]",
        "[2, 3, 4]",
        "runs[2].window_s",
        "list should have at most 2 items after validation, not 3",
    ),
    "window before the clip": (
        "[2, 31.5]",
        "[-2, 31.5]",
        "runs[2].window_s[1]",
        "input should be greater than or equal to 0",
    ),
    "reason without a ruling": (
        "counted = true\n",
        "",
        "runs[2].because",
        "true or false",
        "because",
    ),
    "ruling without a reason": (
        'because = "the spin was after 60 m"\n',
        "",
        "runs[2].counted",
        "add because",
        "counted",
    ),
    "misspelt column": ('notes = "gusty"', 'columns = { rmp = "N" }', "runs[2].columns.rmp", "rpm"),
    "column map of nothing": ('notes = "gusty"', "columns = {}", "runs[2].columns", '"V:mph"'),
    "offset as text": (
        'notes = "gusty"',
        'offset_s = "1.2 s"',
        "runs[2].offset_s",
        "input should be a valid number",
    ),
    "rounding up": (
        'notes = "gusty"',
        'rounding = "up"',
        "runs[2].rounding",
        "'nearest', 'down' or 'unknown'",
    ),
    "signal as text": (
        'notes = "gusty"',
        'signal_s = "13 s"',
        "runs[2].signal_s",
        "input should be a valid number",
    ),
    "rolling resistance in newtons": (
        "cylinders = 1",
        "rolling_coefficient = 30",
        "vehicle.rolling_coefficient",
        "input should be less than or equal to 0.2",
    ),
    "currency's sign": ('"GBP"', '"£"', "builds[2].currency", "such as GBP"),
    "currency in small letters": ('"GBP"', '"gbp"', "builds[2].currency", "such as GBP"),
    "currency missing": ('currency = "GBP"\n', "", "builds[2].currency", "add a line"),
    "two currencies": (
        'about = "as bought"',
        'currency = "EUR"',
        "builds[2].currency",
        "one currency",
        'currency = "GBP"',
    ),
    "negative price": (
        "price = 85",
        "price = -85",
        "builds[2].price",
        "input should be greater than or equal to 0",
    ),
    "price in text": (
        "price = 85",
        'price = "85 GBP"',
        "builds[2].price",
        "input should be a valid number",
    ),
    "parts' prices do not sum": ("price = 85", "price = 86", "builds[2].price", "the parts, 85"),
    "part without a price": (", price = 26", "", "builds[2].parts[1].price", "is missing; add it"),
    "part without a name": (
        'name = "main jet", ',
        "",
        "builds[2].parts[2].name",
        "is missing; add it",
    ),
    "runs as one table": (
        "[[runs]]",
        "[runs]",
        "",
        "is not TOML: cannot declare ('runs',) twice",
        "[runs]",
    ),
    "key twice": (
        "cylinders = 1",
        "cylinders = 1\ncylinders = 1",
        "",
        "is not TOML: cannot overwrite a value",
    ),
    "table twice": (
        "[conditions]",
        "[vehicle]",
        "",
        "is not TOML: cannot declare ('vehicle',) twice",
    ),
    "no equals sign": ("cylinders = 1", "cylinders 1", "", "key = value"),
    "list not closed": (
        "ratios = [9.4]",
        "ratios = [9.4",
        "",
        "is not TOML: unclosed array",
        "clutch",
    ),
    "quote not closed": (
        'title = "Saturday"',
        'title = "Saturday',
        "",
        "is not TOML: illegal character '\\n'",
    ),
    "backslash in double quotes": (
        '"b1.mp4"',
        r'"clips\b1\xmp4"',
        "",
        "is not TOML: unescaped '\\' in a string",
    ),
    "backslash that makes a control": ('"b1.mp4"', r'"clips\b1.mp4"', "runs[2].clip", "write /"),
    "curly quotes": ('title = "Saturday"', "title = “Saturday”", "", "is not TOML: invalid value"),
    "decimal comma without quotes": (
        "mass_kg = 170",
        "mass_kg = 170,5",
        "",
        "is not TOML: expected newline or end of document after a statement",
    ),
    "long text not closed": (
        'notes = "gusty"',
        "notes = '''gusty",
        "",
        "is not TOML: expected \"'''\"",
        "headwind",
    ),
    "two keys on a line": (
        "strokes = 4",
        "strokes = 4 cylinders = 1",
        "",
        "is not TOML: expected newline or end of document after a statement",
    ),
    "words alone": ("strokes = 4", "= 4", "", "key = value"),
}


def spoilt(old, new):
    assert old in GOOD, old
    return GOOD.replace(old, new, 1) if old != "[[runs]]" else GOOD.replace(old, new)


@pytest.mark.parametrize("kind", list(MISTAKES))
def test_mistake__is_said_with_its_line_and_what_to_do(kind, tmp_path):
    old, new, place, words, *where = MISTAKES[kind]
    text = spoilt(old, new)
    sheet = written(tmp_path, text)
    with pytest.raises(SheetError) as caught:
        load_sheet(sheet)
    problems = caught.value.problems
    assert len(problems) == 1, [str(p) for p in problems]
    (problem,) = problems
    assert problem.place == place
    assert words in problem.text
    assert "\n" not in str(problem)
    assert str(problem) == str(caught.value)
    assert str(problem).startswith(f"{sheet}:{problem.line}: ")
    rows = text.splitlines()
    if where:
        assert where[0] in rows[problem.line - 1], (problem.line, rows[problem.line - 1])
    elif new:
        assert problem.line == _first_changed(rows)
    else:  # a key that is missing: the table it is missing from
        assert problem.line == find_lines(text)[_parent(place)]


def _first_changed(rows):
    """Number of the first line that is not that of the good sheet."""
    pairs = zip(rows, GOOD.splitlines(), strict=False)
    return next(number for number, (new, old) in enumerate(pairs, 1) if new != old)


def _parent(place):
    path = []
    for part in place.split(".")[:-1]:
        name, _, index = part.partition("[")
        path += [name, int(index.rstrip("]")) - 1] if index else [name]
    return tuple(path)


def test_mistakes__there_are_many_more_than_thirty():
    assert len(MISTAKES) >= 80


def test_mistakes__all_are_told_at_once_in_the_order_of_their_lines(tmp_path):
    text = GOOD
    for old, new in (
        ("mass_kg", "mass"),
        ("strokes = 4", "strokes = 3"),
        ("[9.4]", "[-1]"),
        ("price = 85", "price = 86"),
        ('build = "B"', 'build = "C"'),
        ('"b1.mp4"', '"b9.mp4"'),
        ("= 2.5", "= 250"),
    ):
        text = text.replace(old, new, 1)
    with pytest.raises(SheetError) as caught:
        load_sheet(written(tmp_path, text))
    lines = [problem.line for problem in caught.value.problems]
    assert len(lines) == 7
    assert lines == sorted(lines)
    assert "the first of 7 problems" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_mistakes__one_wrong_build_hides_nothing(tmp_path):
    text = GOOD.replace("price = 85", "price = true").replace('build = "B"', 'build = "C"')
    with pytest.raises(SheetError) as caught:
        load_sheet(written(tmp_path, text))
    assert [p.place for p in caught.value.problems] == ["builds[2].price", "runs[2].build"]


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        (b"\xff\xfea\x00", 1, "save it as UTF-8"),
        (GOOD.replace("Saturday", "Café").encode("latin-1"), 3, "save it as UTF-8"),
        (b"# nothing yet\n\n  \t\n", 1, "'timetrue day new'"),
        (b"[" * 50 + b"a = " + b"[" * 3000, 1, ""),
        (b"a = " + b"[" * 3000 + b"]" * 3000, 1, "nested too deeply"),
        (b"a = " + b"9" * 5000, 1, ""),
        (b"just some words\n", 1, "key = value"),
        (b"[runs]\nname = 'a'\n", 1, "a table: input should be a valid array"),
        (b"[vehicle]\nname = 'x'\n", 1, "is missing; add it"),
        (b"[[build]]\nname = 'x'\n", 1, "did you mean builds"),
    ],
)
def test_whole_file__is_told(text, line, words, tmp_path):
    with pytest.raises(SheetError) as caught:
        load_sheet(written(tmp_path, text))
    assert caught.value.problems[0].line == line
    assert words in " ".join(problem.text for problem in caught.value.problems)


@pytest.mark.parametrize("content", [b"", b"\0\0\0\x18ftypmp42\0\0", b"a = 1\n" * 300_000])
def test_file_that_is_no_sheet__is_told(content, tmp_path):
    sheet = tmp_path / "day.toml"
    sheet.write_bytes(content)
    with pytest.raises(InputError) as caught:
        load_sheet(sheet)
    assert str(caught.value).startswith(f"{sheet}: ")


def test_missing_sheet_and_folder__are_told(tmp_path):
    for path in (tmp_path / "none.toml", tmp_path):
        with pytest.raises(InputError):
            load_sheet(path)


def test_empty_file_it_names__is_told(tmp_path):
    sheet = written(tmp_path)
    (tmp_path / "b1.mp4").write_bytes(b"")
    with pytest.raises(SheetError, match="copy it again"):
        load_sheet(sheet)


def test_nothing_foreign_leaks__whatever_is_cut_or_changed(tmp_path, rng):
    """Cut, swapped and doubled pieces of a good sheet give our error or a sheet, nothing else."""
    lines = GOOD.splitlines(keepends=True)
    values = [
        "{}",
        "[]",
        "[[1]]",
        '"x"',
        "-1",
        "nan",
        "2026-05-16",
        "{a = {b = 1}}",
        "true",
        "[{}]",
    ]
    good = written(tmp_path)
    for _ in range(400):
        rows = list(lines)
        for _ in range(rng.integers(1, 4)):
            at = int(rng.integers(len(rows)))
            action = rng.integers(4)
            if action == 0:
                del rows[at]
            elif action == 1 and " = " in rows[at]:
                key = rows[at].split(" = ")[0]
                rows[at] = f"{key} = {values[rng.integers(len(values))]}\n"
            elif action == 2:
                rows[at] = rows[at][: int(rng.integers(len(rows[at])))]
            else:
                rows.insert(int(rng.integers(len(rows))), rows[at])
        good.write_text("".join(rows), encoding="utf-8")
        for problem in _problems_of(good):
            assert 1 <= problem.line <= len(rows)


def _problems_of(sheet):
    """Problems of a sheet, none where it loads; any exception but ours passes through."""
    try:
        load_sheet(sheet)
    except TimetrueError as error:
        told = error
    else:
        return ()
    assert "\n" not in str(told)
    assert told.__cause__ is None
    return getattr(told, "problems", ())


def test_candidate_of_a_build_in_a_sheet_without_builds(tmp_path) -> None:
    text = '[[runs]]\nname = "a1"\nbuild = "A"\nclip = "a1.mp4"\n'
    text += '[[candidates]]\nname = "sprocket"\nbuild = "A"\n'
    (tmp_path / "day.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SheetError, match="builds: is missing"):
        load_sheet(tmp_path / "day.toml", files=False)
