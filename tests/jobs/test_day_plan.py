"""The plan of a day: order, number of runs, and what is said."""

import json
from dataclasses import replace

import pytest

from overlay.compare.cautions import CLOSED_COURSE
from overlay.jobs.day_plan import DayPlan, order_of, plan_day, plan_lines
from tests.sheet.samples import GOOD


def test_order__a_steady_drift_favours_no_build():
    """The mean place of each build is the same where each runs an even number of times."""
    for builds in ("AB", "ABC"):
        order = order_of(list(builds), 4)
        places = [[i for i, name in enumerate(order) if name == build] for build in builds]
        assert len({sum(found) for found in places}) == 1
        assert {len(found) for found in places} == {4}


@pytest.fixture
def sheet(tmp_path):
    (tmp_path / "day.toml").write_text(GOOD, encoding="utf-8")
    return tmp_path / "day.toml"


def test_plan__more_runs_for_rougher_days(sheet):
    calm, rough = plan_day(sheet, scatter_s=0.02), plan_day(sheet, scatter_s=0.08)
    assert calm.runs is not None and rough.runs is not None
    assert calm.runs < rough.runs
    assert calm.runs <= 3  # 0.15 s at 0.02 s: the bar of the benchmark
    assert calm.chance >= 0.8
    assert len(calm.order) == 2 * calm.runs
    assert (calm.difference_s, calm.scatter_from) == (0.15, "as given")
    assert plan_day(sheet, scatter_s=5.0).runs is None


def test_plan__takes_the_scatter_seen_before(sheet):
    assert plan_day(sheet).scatter_from == "assumed: none was seen yet"
    figure = {"is_main": True, "first": {"spread_s": 0.03}, "second": {"spread_s": 0.04}}
    (sheet.parent / "day-results").mkdir()
    said = json.dumps({"steps": [{"figures": [figure]}]})
    (sheet.parent / "day-results" / "results.json").write_text(said, encoding="utf-8")
    plan = plan_day(sheet)
    assert (plan.scatter_s, plan.scatter_from) == (0.04, "as seen before")


def test_plan__words():
    plan = DayPlan(("A", "B"), 2, 0.83, ("A", "B", "B", "A"), 0.15, 0.02, "as given", True)
    lines = plan_lines(plan)
    assert lines[1] == "2 runs of each build find it in 83% of days like this"
    assert "run 3: B one way, then back" in lines
    assert any("closed course" in line for line in lines)
    assert any("one or more of the first again" in line for line in lines)
    rough = plan_lines(replace(plan, runs=None, chance=0.04))
    assert "20 runs of each find it in 4% of days" in rough[1] and rough[2] == CLOSED_COURSE
    alone = DayPlan(("A",), 2, 0.8, ("A", "A"), 0.15, 0.02, "as given", False)
    assert plan_lines(alone)[-1].startswith("one build")
