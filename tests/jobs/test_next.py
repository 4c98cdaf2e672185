"""What to try next, whole: from a day's runs to words, one object and a picture."""

import json
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from overlay.cli.main import invoke
from overlay.compare.day import compare_day
from overlay.compare.day_power import powers_of
from overlay.demo.vehicle import DemoVehicle, Drive, simulate
from overlay.errors import UndeterminedError, UsageError
from overlay.plan.figure import Figure
from overlay.plan.whole import plan_next
from overlay.report.next_text import next_parts, next_text
from overlay.report.results import DayResults
from overlay.sheet import SheetError, load_sheet
from tests.jobs.simulated import simulated_day

MORE = """
[engine]
bore_mm = 68.0
stroke_mm = 54.0
rod_mm = 84.0
flywheel_mm = 180.0
flywheel_material = "cast iron"

[[candidates]]
name = "lighter seat"
build = "A"
price = 60.0
mass_change_kg = -10.0

[[candidates]]
name = "governor spring"
price = 4.0
limiter_rpm = 5200.0

[[candidates]]
name = "sprocket"
price = 22.0
gear_ratio = [9.0, 9.8]
"""


@pytest.fixture(scope="module")
def day(tmp_path_factory):
    """The demo's day with candidates in its sheet, worked out from its logs."""
    folder = tmp_path_factory.mktemp("next")
    made = simulated_day(folder)
    path = folder / "day.toml"
    own = path.read_text(encoding="utf-8").partition("[[candidates]]")[0]
    path.write_text(own + MORE, encoding="utf-8")
    sheet = load_sheet(path, files=False)
    compared = compare_day(sheet, made.runs)
    powers = powers_of(sheet, compared, made.runs)
    true_s = {truth.name: truth.splits[-1].time_s for truth in made.truths}
    return SimpleNamespace(
        sheet=sheet, runs=made.runs, day=compared, powers=powers, folder=folder, true_s=true_s
    )


def planned(day, **how):
    return plan_next(day.sheet, day.day, day.runs, day.powers, **how)


@pytest.fixture(scope="module")
def of_a(day):
    return planned(day, build="A", goal="60 m")


def test_model__predicts_runs_it_has_not_seen(day, of_a):
    """As the others truly drove it: a day that drifts sets a run apart from them."""
    names = [one.run for one in of_a.held_out]
    assert names == ["a1", "a3", "a4"]  # a2 spins its wheels
    for one in of_a.held_out:
        others = [day.true_s[name] for name in names if name != one.run]
        assert one.predicted.value == pytest.approx(np.mean(others), abs=0.1)
        assert one.is_inside


def test_model__facts_of_the_demos_cart(of_a):
    """Truth: engages near 2516 rpm and locks near 7.8 m/s, governed at 3823 rpm."""
    facts = {figure.name: figure for figure in of_a.vehicle}
    assert facts["revs over speed, clutch locked"].value == pytest.approx(
        9.4 / (2 * np.pi * 0.28) * 60 * 0.44704, rel=0.02
    )
    assert facts["clutch pulls away at"].value == pytest.approx(2516, abs=40)
    # The sheet is in mph, of 0.44704 m/s each (NIST SP 811, B.8).
    locks = facts["clutch locks at"]
    assert (locks.value * 0.44704, locks.unit) == (pytest.approx(7.6, abs=0.7), "mph")
    assert all(figure.name.endswith(" mph") for figure in of_a.force)
    assert facts["highest revs driven"].value == pytest.approx(3823, abs=60)
    assert all(figure.why or figure.low is not None for figure in (*of_a.vehicle, *of_a.force))


def test_candidates__against_the_demos_own_simulator(of_a):
    """The demo's cart, ten kilograms lighter, driven over 60 m."""
    cart = DemoVehicle()
    heavy, light = (
        simulate(replace(cart, mass_kg=mass), Drive()).split_to_distance(60.0)
        for mass in (cart.mass_kg, cart.mass_kg - 10)
    )
    gain = next(one for one in of_a.prospects if one.name == "lighter seat").gains[0]
    assert gain.value == pytest.approx(light - heavy, abs=0.04)
    assert gain.low < light - heavy < gain.high


def test_candidates__of_other_builds_and_beyond_limits(day, of_a):
    spring = next(one for one in of_a.prospects if one.name == "governor spring")
    assert spring.answer.startswith("not recommended")
    of_b = planned(day)
    assert of_b.build == "B" and of_b.goal == "20 to 60 m"
    assert of_b.elsewhere == (("lighter seat", "A"),)
    assert "lighter seat (--build A)" in next_text(of_b)
    assert "beyond the stated 4000 rpm" in of_b.cautions[0]
    assert all(one.answer.startswith("not recommended") for one in of_b.prospects)


def test_wrong_input__one_line(day):
    with pytest.raises(UsageError, match="has no build 'C'"):
        planned(day, build="C")
    with pytest.raises(UsageError, match="'fast' is no goal"):
        planned(day, goal="fast")
    text = (day.folder / "day.toml").read_text(encoding="utf-8")
    bare = day.folder / "bare.toml"
    bare.write_text(text.replace("mass_kg = 170.0", ""), encoding="utf-8")
    with pytest.raises(SheetError, match="nothing can be predicted without the mass"):
        plan_next(load_sheet(bare, files=False), day.day, day.runs, day.powers)
    with pytest.raises(UndeterminedError, match="no run counts whole"):
        plan_next(day.sheet, day.day, (), day.powers)


@pytest.fixture
def worked_out(day, monkeypatch):
    """The command's day is the simulated one, with one run that failed."""
    results = DayResults(day.sheet, day.runs, day.day, day.powers, (("b9", "is cut off"),))
    done = SimpleNamespace(results=results, folder=day.folder)
    monkeypatch.setattr("overlay.jobs.next.run_day", lambda *_, **__: done)
    return day.folder


def test_command__words_and_picture(worked_out, capsys):
    assert invoke(["next", str(worked_out), "-q", "--build", "A", "--goal", "60 m"]) == 0
    out, err = capsys.readouterr()
    first = out.splitlines()[0]
    assert first == "What to try next on build A (As bought), judged by 60 m"
    for words in ("lighter seat", "worth trying", "£60", "Gearing for 60 m", "MPa"):
        assert words in out
    assert "Each run predicted from the others" in out
    assert "qualified practice" in out and "closed course" in out
    assert "b9: is cut off" in err
    picture = worked_out / "time-by-ratio.png"
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_command__one_object(worked_out, capsys):
    assert invoke(["next", str(worked_out), "-q", "--json", "--build", "A"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["build"] == "A" and said["currency"] == "GBP"
    assert {one["name"] for one in said["candidates"]} >= {"lighter seat", "sprocket"}
    gearing = said["gearing"]
    assert len(gearing["ratio"]) == len(gearing["low"]) == len(gearing["line_rpm"])
    assert said["held_out"][0]["predicted"]["unit"] == "s"
    for name in ("vehicle", "force", "strength"):
        assert all(f["unit"] or f["limit"] for f in said[name]) and said[name]
        assert all(f["source"] and (f["why"] or f["low"] is not None) for f in said[name])


def test_command__bad_sheet(tmp_path, capsys):
    assert invoke(["next", str(tmp_path / "none.toml"), "--json"]) == 3
    assert json.loads(capsys.readouterr().out)["exit_code"] == 3
    assert invoke(["next", "--gaol", "60 m"]) == 2


def test_table__the_cost_of_a_tenth_has_no_middle_where_the_gain_may_be_nothing(of_a):
    """By hand: £60 for 0.05 s is £120 a tenth; for 0.15 s at most, £40 at least."""
    seat = next(one for one in of_a.prospects if one.name == "lighter seat")
    sure = Figure("cost of 0.1 s", 120.0, "", "price and gain", 40.0, 300.0)
    for tenth, said in ((sure, "£120"), (replace(sure, high=None), "at least £40")):
        found = replace(of_a, prospects=(replace(seat, tenth=tenth),))
        assert [row[3] for row in next_parts(found).candidates.rows] == [said]


def test_units__a_trap_is_told_in_the_sheets_unit(day):
    """Its figures and curve are 3.6 times those in m/s (km/h, NIST SP 811, B.8)."""
    report = day.sheet.report
    of = [
        plan_next(
            day.sheet.model_copy(update={"report": report.model_copy(update={"speed_unit": unit})}),
            day.day,
            day.runs,
            day.powers,
            build="A",
            goal="trap 50 to 60 m",
        )
        for unit in ("m/s", "km/h")
    ]
    plain, shown = of
    assert (plain.sweep.unit, shown.sweep.unit) == ("m/s", "km/h")
    assert shown.sweep.high == pytest.approx(3.6 * plain.sweep.high, nan_ok=True)
    for a, b in zip(plain.held_out, shown.held_out, strict=True):
        assert (b.measured, b.predicted.low) == pytest.approx(
            (3.6 * a.measured, 3.6 * a.predicted.low)
        )
        assert a.is_inside == b.is_inside
    first, second = (one.sweep.sizes[0].gains[0] for one in of)
    assert (second.value, second.unit) == (pytest.approx(3.6 * first.value), "km/h")
    other = {one.name: one for one in plain.vehicle}
    for one in shown.vehicle:
        factor = {"km/h": 3.6, "rpm per km/h": 1 / 3.6}.get(one.unit, 1.0)
        assert one.value == pytest.approx(factor * other[one.name].value)
    assert [f.value for f in shown.force] == [f.value for f in plain.force]
    assert shown.force[0].name == "force at 3.6 km/h"
