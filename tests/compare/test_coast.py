"""Coasts with the clutch out: found in a noisy log, told from braking, and used for power."""

from pathlib import Path

import numpy as np
import pytest

from overlay.compare.coast import EDGE_S, find_coasts
from overlay.compare.day import compare_day
from overlay.compare.day_power import powers_of, road_load_of
from overlay.compare.power import RoadLoad, Setting, assumed_road_load, fit_coast
from overlay.compare.standing import DayRun
from overlay.compare.surroundings import surroundings_of
from overlay.engine.driveline import Driveline, engine_rpm_at
from overlay.page.day_charts import day_charts
from overlay.report.results import DayResults
from overlay.report.results_data import results_json
from overlay.report.results_power import power_lines, road_load_text
from overlay.runs import find_launch, parse_goal, smooth, splits
from overlay.runs.model import Kinematics, Launch
from overlay.series import Series
from overlay.sheet import DaySheet, load_sheet

MASS, ROLLING, DRAG = 170.0, 36.0, 0.55
RATIO, CIRCUMFERENCE, IDLE = 9.4, 1.76, 1700.0
LINE = Driveline((RATIO,), CIRCUMFERENCE, clutch="plate")
SHEET = """\
[report]
splits = ["5 m/s", "20 m"]
[vehicle]
mass_kg = 170
turning_kg = 0
rolling_circumference_m = 1.76
gear_ratios = [9.4]
clutch = "plate"
[[builds]]
name = "A"
[[runs]]
name = "a1"
build = "A"
clip = "a1.mp4"
logs = ["a1.gpx"]
"""


def motion(kind: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Time, true speed and engine speed: launch to 12 m/s, then 7 s of `kind`, then the brake."""
    step, rows, v = 0.001, [], 0.0
    for i in range(19000):
        t = i * step
        load = (ROLLING + DRAG * v**2) / MASS
        if t < 2:
            a = 0.0
        elif t < 8:
            a = 2.4 * (1 - v / 16)
        elif t < 15:
            a = -load - {"coast": 0.0, "engine drag": 0.3, "brake": 2.0}[kind]
        else:
            a = -4.0
        v = max(0.0, v + a * step)
        free = kind == "coast" and t >= 8
        rows.append(
            (t, v, IDLE if free or v < 3 else engine_rpm_at(np.array(v), RATIO, CIRCUMFERENCE))
        )
    t, v, rpm = np.array(rows, dtype=float).T
    return t, v, rpm


def run(kind: str, rng: np.random.Generator, name: str = "a1") -> DayRun:
    t, v, rpm = motion(kind)
    at = np.arange(0, 19, 0.1)
    log = Series("speed_mps", at, np.maximum(np.interp(at, t, v) + rng.normal(0, 0.05, len(at)), 0))
    k = smooth(log, delay_s=0.0, smoothing_s=0.0, timing_sigma_s=0.01, start_s=0.0, end_s=18.9)
    found = find_launch(k)
    turning = Series("engine_rpm", at, np.interp(at, t, rpm) + rng.normal(0, 20, len(at)))
    goals = [parse_goal("5 m/s"), parse_goal("20 m")]
    return DayRun(name, "A", k, found, splits(k, found, goals), (), turning)


def coasts_of(one: DayRun, line: Driveline | None = LINE, rpm: bool = True):
    return find_coasts(
        one.name,
        one.kinematics,
        one.launch,
        one.rpm if rpm else None,
        line,
        expected=assumed_road_load(MASS),
        setting=Setting(MASS),
    )


def load_of(sheet: DaySheet, one: DayRun) -> RoadLoad:
    around = surroundings_of(sheet, compare_day(sheet, [one]), [one])
    return road_load_of(sheet, [one], around, sheet.vehicle)


@pytest.fixture
def sheet(tmp_path: Path) -> DaySheet:
    (tmp_path / "day.toml").write_text(SHEET, encoding="utf-8")
    return load_sheet(tmp_path / "day.toml", files=False)


def test_find_coasts__with_the_clutch_out(rng: np.random.Generator) -> None:
    found = coasts_of(run("coast", rng))
    assert found
    assert all(8.0 <= one.start_s < one.end_s <= 15.1 for one in found)
    assert sum(one.duration_s for one in found) > 4.5


def test_find_coasts__until_the_log_ends() -> None:
    """Without noise: from 8 s, where the clutch is let out, to the last instant, less the edges."""
    t, v, rpm = (column[:12001:50] for column in motion("coast"))
    some = np.full(len(t), 0.02)
    k = Kinematics(t, v, np.gradient(v, t), t, some, some, some, 0.01, np.ones(len(t), bool))
    one = DayRun("a1", "A", k, Launch(2.0, 0.01, None), (), (), Series("engine_rpm", t, rpm))
    (found,) = coasts_of(one)
    assert found.end_s == pytest.approx(12.0 - EDGE_S)
    assert found.start_s == pytest.approx(8.0 + EDGE_S, abs=0.11)


@pytest.mark.parametrize("kind", ["engine drag", "brake"])
def test_find_coasts__passes_over_what_else_slows(kind: str, rng: np.random.Generator) -> None:
    assert not coasts_of(run(kind, rng))


def test_find_coasts__needs_revs_gearing_and_a_clutch(rng: np.random.Generator) -> None:
    one = run("coast", rng)
    assert not coasts_of(one, rpm=False)
    assert not coasts_of(one, None)
    assert not coasts_of(one, Driveline((RATIO,), CIRCUMFERENCE, clutch="none"))


def test_road_load__a_coast_narrows_it_and_its_interval_holds_the_truth(sheet, rng) -> None:
    speeds = np.array([4.0, 8.0, 11.0])
    truth = ROLLING + DRAG * speeds**2
    wide = assumed_road_load(MASS, air_kgpm3=1.225)
    inside = 0
    for _ in range(8):
        load = load_of(sheet, run("coast", rng))
        assert load.source == "coast" and load.runs == ("a1",) and load.seconds > 4
        assert np.all(load.sigma_n(speeds) < 0.6 * wide.sigma_n(speeds))
        inside += int(np.sum(np.abs(load.force_n(speeds) - truth) < 1.96 * load.sigma_n(speeds)))
    assert inside >= 20  # of 24; the three speeds of one coast share their error


def test_road_load__without_a_coast_is_the_sheets_or_assumed(sheet, rng) -> None:
    one = run("engine drag", rng)
    assert load_of(sheet, one).source == "assumed"
    own = sheet.vehicle.model_copy(update={"rolling_coefficient": 0.021, "drag_area_m2": 0.9})
    known = sheet.model_copy(update={"vehicle": own})
    load = load_of(known, one)
    assert load.source == "sheet"
    assert load.rolling_n == pytest.approx(0.021 * MASS * 9.80665)
    assert load.sigma_n(np.zeros(1))[0] == pytest.approx(0.1 * load.rolling_n)
    half = own.model_copy(update={"drag_area_m2": None})
    assert load_of(sheet.model_copy(update={"vehicle": half}), one).source == "assumed"


def test_fit_coast__prior_joins_by_inverse_covariance(rng) -> None:
    """With a prior that knows all, nothing changes; with one that knows nothing, it is gone."""
    (coast, *_) = coasts_of(run("coast", rng))
    stretch = [(coast.kinematics, coast.start_s, coast.end_s)]
    sure = RoadLoad(20.0, 0.3, 1e-9, 1e-12, 0.0, "sheet")
    kept = fit_coast(stretch, mass_kg=MASS, prior=sure)
    assert (kept.rolling_n, kept.drag_kgpm) == pytest.approx((20.0, 0.3), rel=1e-4)
    vague = RoadLoad(20.0, 0.3, 1e9, 1e6, 0.0, "assumed")
    alone = fit_coast(stretch, mass_kg=MASS)
    joined = fit_coast(stretch, mass_kg=MASS, prior=vague)
    assert (joined.rolling_n, joined.drag_kgpm) == pytest.approx(
        (alone.rolling_n, alone.drag_kgpm), rel=1e-3
    )


def test_results__say_where_the_road_load_came_from(sheet, rng) -> None:
    told, charts = {}, {}
    for kind in ("coast", "engine drag"):
        runs = (run(kind, rng),)
        day = compare_day(sheet, runs)
        results = DayResults(sheet, runs, day, powers_of(sheet, day, runs))
        told[kind] = (power_lines(results)[-2], results_json(results)["power"][0]["road_load"])
        charts[kind] = {one["name"]: one for one in day_charts(results)}
    assert "coasts" not in charts["engine drag"]
    seen, rolled = charts["coast"]["coasts"]["series"]
    assert seen["label"].startswith("a1 at 8.") and rolled["dash"]
    # Two seconds after its start, by the motion itself.
    start_s = float(seen["label"].split(" at ")[1].removesuffix(" s"))
    t, v, _ = motion("coast")
    true = np.interp(start_s + 2.0, t, v) / 0.44704
    for one in (seen, rolled):
        assert float(one["values"].split(" ")[20]) == pytest.approx(true, abs=0.15)
    line, plain = told["coast"]
    assert "s of coasting with the clutch out in a1" in line
    assert plain["source"] == "coast" and plain["coasted_in"] == ["a1"]
    line, plain = told["engine drag"]
    assert "assumed, not measured" in line and "roll out with the clutch out" in line
    assert plain["source"] == "assumed"
    known = assumed_road_load(MASS, source="sheet")
    assert "the sheet's, not measured: 30 N ± 16 at walking pace" in road_load_text(known, "mph")
