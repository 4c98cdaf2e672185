"""Air, wind, slope, weight and way of single runs: in power, and in what they explain."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from overlay.compare.day import compare_day, judged_goals, ways_of
from overlay.compare.day_cautions import day_cautions
from overlay.compare.day_power import powers_of
from overlay.compare.explained import explained_of, figure_under
from overlay.compare.figures import REAL
from overlay.compare.power import PowerCurve, RoadLoad, Setting
from overlay.compare.power_step import power_steps
from overlay.compare.standing import DayRun
from overlay.compare.surroundings import surroundings_of
from overlay.demo.vehicle import DemoVehicle, Drive, simulate
from overlay.report.results import judged_day, terminal_text
from overlay.report.results_power import power_step_text, surroundings_lines
from overlay.runs import find_launch, parse_goal, splits
from overlay.runs.heading import heading_deg
from overlay.runs.model import Kinematics
from overlay.series import Series
from overlay.sheet import DaySheet, load_sheet

NO_LOAD = RoadLoad(0.0, 0.0, 0.0, 0.0, 0.0, "sheet")
CART = DemoVehicle(governor_rpm=5600.0)
GOVERNED = DemoVehicle()
HEAD = """\
[report]
speed_unit = "{unit}"
splits = ["20 m", "60 m"]
main = "20 to 60 m"
judged = ["20 to 60 m"]
[vehicle]
mass_kg = 170
turning_kg = 7
rolling_coefficient = 0.019
drag_area_m2 = 0.75
rolling_circumference_m = 1.7593
gear_ratios = [9.4]
[conditions]
headwind_mps = 2.0
slope_percent = 0.5
temperature_c = 20
pressure_hpa = 1000
humidity_percent = 50
[[builds]]
name = "A"
about = "as bought"
[[builds]]
name = "B"
about = "governor off"
currency = "GBP"
parts = [{{ name = "tyres", price = 40 }}]
"""


def sheet_of(tmp_path: Path, runs: str, *, unit: str = "m/s", still: bool = True) -> DaySheet:
    """A sheet with the runs of a text such as ``a1 b1 a2``, each with more keys after a colon."""
    head = HEAD.format(unit=unit)
    if still:
        head = head.replace("headwind_mps = 2.0\nslope_percent = 0.5\n", "")
    for item in runs.split():
        name, _, more = item.partition(":")
        head += f'[[runs]]\nname = "{name}"\nbuild = "{name[0].upper()}"\nclip = "{name}.mp4"\n'
        head += "\n".join(more.split(";")) + "\n"
    path = tmp_path / "day.toml"
    path.write_text(head, encoding="utf-8")
    return load_sheet(path, files=False)


def driven(name: str, vehicle: DemoVehicle = CART, heading: float = 68.0, **drive: float) -> DayRun:
    """A run of the demo's cart, its motion known without noise."""
    motion = simulate(vehicle, Drive(**drive))
    step = slice(None, None, 10)
    t, small = motion.t_s[step], np.full(len(motion.t_s[step]), 2e-3)
    accel = np.convolve(motion.accel_mps2, np.ones(9) / 9, "same")[step]
    k = Kinematics(
        t,
        motion.speed_mps[step],
        accel,
        motion.distance_m[step],
        small,
        10 * small,
        small,
        0.0,
        np.ones(len(t), dtype=bool),
        motion.launch_s,
        0.005,
    )
    launch = find_launch(k)
    goals = [parse_goal("20 m"), parse_goal("60 m")]
    return DayRun(
        name, name[0].upper(), k, launch, splits(k, launch, goals), (), heading_deg=heading
    )


@pytest.mark.parametrize(("lat", "lon", "azimuth"), [(52.4, -0.9, 68.0), (-33.0, 179.9999, 251.5)])
def test_heading__as_geographiclib(lat: float, lon: float, azimuth: float) -> None:
    geodesic = pytest.importorskip("geographiclib.geodesic").Geodesic.WGS84
    end = geodesic.Direct(lat, lon, azimuth, 66.0)
    t = np.array([10.0, 20.0])
    lats = Series("latitude_deg", t, np.array([lat, end["lat2"]]))
    lons = Series("longitude_deg", t, np.array([lon, end["lon2"]]))
    assert heading_deg(lats, lons, 10.0, 20.0) == pytest.approx(azimuth, abs=0.3)
    assert heading_deg(lats, lons, 10.0, 10.5) is None  # 3 m
    assert heading_deg(lats, lons, 5.0, 20.0) is None  # before the log


def test_ways__by_heading() -> None:
    each = [driven(f"a{i}", heading=h) for i, h in enumerate((350.0, 172.0, 10.0, 168.0))]
    each[2] = replace(each[2], heading_deg=None)
    assert list(ways_of(each).values()) == [1, -1, 1, -1]


def test_order__by_one_kind_of_clock_else_by_the_list(tmp_path: Path) -> None:
    """Logs' times put b1 first; times of logs and clips are not compared with each other."""
    sheet = sheet_of(tmp_path, "a1 b1 a2 b2")
    begun = {"a1": 100.0, "b1": 40.0, "a2": 160.0, "b2": 220.0}
    timed = [replace(driven(name), started_s=at) for name, at in begun.items()]
    found = compare_day(sheet, timed)
    assert found.order_from == "the times of the logs"
    assert [one.place for one in found.standings] == [2, 1, 3, 4]
    mixed = [replace(timed[0], started_by="clips"), *timed[1:]]
    for runs in (mixed, [replace(timed[0], started_s=None), *timed[1:]]):
        found = compare_day(sheet, runs)
        assert found.order_from == "the sheet's list"
        assert [one.place for one in found.standings] == [1, 2, 3, 4]


def test_judged_goals__of_a_build_with_a_single_run(tmp_path: Path) -> None:
    """What its one run reaches is judged; what one run of two misses is not."""
    sheet = sheet_of(tmp_path, "a1 b1 b2")
    sheet = sheet.model_copy(update={"report": sheet.report.model_copy(update={"judged": ()})})
    whole = [driven("a1"), driven("b1"), driven("b2")]
    short = driven("b2", lift_at_m=30.0, braking_mps2=6.0)
    assert [goal.label for goal in judged_goals(sheet, whole)][2:] == ["20 to 60 m"]
    assert len(judged_goals(sheet, [*whole[:2], short])) == 2


def test_surroundings__the_days_turn_round_and_the_runs_own_stand(tmp_path: Path) -> None:
    own = "mass_kg=176;[runs.conditions];headwind_mps=-1.0"
    sheet = sheet_of(tmp_path, f"a1 b1 a2:{own} b2", still=False)
    runs = [
        driven("a1"),
        driven("b1", heading=248.0),
        driven("a2", heading=248.0),
        driven("b2"),
    ]
    around = surroundings_of(sheet, compare_day(sheet, runs), runs)
    seen = [(s.way, s.air.headwind_mps, s.air.slope_percent, s.own_kg) for s in around.values()]
    assert seen == [
        (1, 2.0, 0.5, 0.0),
        (-1, -2.0, -0.5, 0.0),
        (-1, -1.0, -0.5, 6.0),
        (1, 2, 0.5, 0),
    ]
    setting = around["a2"].setting(170.0, 7.0, around["a2"].air_kgpm3)
    assert setting == Setting(176.0, 7.0, -0.005, -1.0, 1.0)


def test_day__both_ways_in_a_wind_are_averaged_by_direction(tmp_path: Path) -> None:
    """A went against the wind twice and with it once, B the other way about: the same cart."""
    sheet = sheet_of(tmp_path, "a1 b1 a2 b2 a3 b3")
    winds = {"a1": 2.0, "b1": -2.0, "a2": -2.0, "b2": 2.0, "a3": 2.0, "b3": -2.0}
    runs = [
        driven(name, heading=68.0 if wind > 0 else 248.0, headwind_mps=wind, power=1 + 1e-3 * i)
        for i, (name, wind) in enumerate(winds.items())
    ]
    day = compare_day(sheet, runs)
    main = day.steps[0].comparisons[2]
    assert main.label == "20 to 60 m" and main.is_main
    assert main.verdict != REAL
    assert abs(main.difference or 9.0) < 0.02
    assert main.a.mean == pytest.approx(main.b.mean or 0.0, abs=0.02)
    unknown = compare_day(sheet, [replace(run, heading_deg=None) for run in runs])
    blind = unknown.steps[0].comparisons[2]
    assert abs(blind.difference or 0.0) > 0.03
    assert (main.half or 9.0) < 0.4 * (blind.half or 0.0)
    assert "went the other way" in day.standing("b1").notes


def test_power__of_runs_both_ways_in_a_wind(tmp_path: Path) -> None:
    """The cart gives the same power whatever the wind; the sheet has the first run's."""
    calm_sheet = sheet_of(tmp_path, "a1 a2")
    calm_runs = [driven("a1"), driven("a2")]
    (calm,) = powers_of(calm_sheet, compare_day(calm_sheet, calm_runs), calm_runs)
    wind_sheet = sheet_of(tmp_path, "a1 a2", still=False)
    text = (tmp_path / "day.toml").read_text().replace("slope_percent = 0.5", "")
    (tmp_path / "day.toml").write_text(text)
    wind_sheet = load_sheet(tmp_path / "day.toml", files=False)
    runs = [driven("a1", headwind_mps=2.0), driven("a2", heading=248.0, headwind_mps=-2.0)]
    (windy,) = powers_of(wind_sheet, compare_day(wind_sheet, runs), runs)
    known = (calm.curve.speed_mps > 4) & (calm.curve.speed_mps < 10)
    at = windy.curve.speed_mps[known[: len(windy.curve.speed_mps)].nonzero()[0]]
    want = np.interp(at, calm.curve.speed_mps, calm.curve.power_w)
    assert np.interp(at, windy.curve.speed_mps, windy.curve.power_w) == pytest.approx(
        want, rel=0.02
    )


def curve_of(power_w: float | None, force_n: float = 0.0) -> PowerCurve:
    v = np.arange(0.25, 30.0, 0.25)
    force = np.full(len(v), force_n) if power_w is None else power_w / v
    nan = np.full(len(v), np.nan)
    return PowerCurve(v, None, force * v, nan, nan, nan, force, NO_LOAD)


def test_figure_under__constant_power_in_closed_form() -> None:
    """x = (8 P / 9 m)^(1/2) t^(3/2): 3 kW, 170 kg, 60 m take 6.122 s; a third of each share."""
    curve, goal = curve_of(3000.0), parse_goal("60 m")
    whole = figure_under(curve, Setting(170.0), 170.0, goal)
    assert whole == pytest.approx(6.122, abs=0.003)
    heavier = figure_under(curve, Setting(173.0), 170.0, goal)
    assert (heavier or 0) - (whole or 0) == pytest.approx(
        6.122 * ((173 / 170) ** (1 / 3) - 1), abs=3e-4
    )
    stronger = figure_under(curve, Setting(170.0), 170.0, goal, power=1.01)
    assert (stronger or 0) - (whole or 0) == pytest.approx(-0.0203, abs=3e-4)
    rolling = figure_under(curve, Setting(170.0), 170.0, parse_goal("20 to 60 m"))
    assert rolling == pytest.approx(6.122 * (1 - (1 / 3) ** (2 / 3)), abs=0.003)


def test_figure_under__constant_force_in_closed_form() -> None:
    """510 N on 170 kg is 3 m/s^2, on a slope of 5 % 2.5097: t = (2 x / a)^(1/2), v = a t."""
    curve = curve_of(None, 510.0)
    level, uphill = Setting(170.0), Setting(170.0, slope=0.05)
    for setting, a in ((level, 3.0), (uphill, 3.0 - 9.80665 * 0.05)):

        def read(goal: str, at: Setting = setting) -> float | None:
            return figure_under(curve, at, 170.0, parse_goal(goal))

        assert read("60 m") == pytest.approx(math.sqrt(120 / a), abs=1e-3)
        assert read("10 m/s") == pytest.approx(10 / a, abs=1e-3)
        assert read("5 to 10 m/s") == pytest.approx(5 / a, abs=1e-3)
        rolled = math.sqrt(2 * 0.3048 / a)
        assert read("60 m rollout") == pytest.approx(math.sqrt(120 / a) - rolled, abs=2e-3)
        trap = 10 / (math.sqrt(120 / a) - math.sqrt(100 / a))
        assert read("trap 50 to 60 m") == pytest.approx(trap, abs=5e-3)
    assert figure_under(curve, Setting(170.0, slope=0.4), 170.0, parse_goal("60 m")) is None


@pytest.mark.parametrize(
    ("key", "vehicle", "drive", "kind", "rel"),
    [
        ("mass_kg=185", replace(CART, mass_kg=185.0), {}, "weight", 0.12),
        ("mass_kg=185", replace(GOVERNED, mass_kg=185.0), {}, "weight", 0.2),
        ("[runs.conditions];headwind_mps=2.5", CART, {"headwind_mps": 2.5}, "headwind", 0.12),
    ],
)
def test_explained__as_the_simulator_has_it(
    tmp_path: Path, key: str, vehicle: DemoVehicle, drive: dict[str, float], kind: str, rel: float
) -> None:
    """B is the same cart with a heavier driver, or in a breeze: all of the difference is that.

    Of a governed cart the curve ends where the governor takes over, so less is known.
    """
    sheet = sheet_of(tmp_path, f"a1 b1:{key} b2:{key} a2", unit="mph")
    first = replace(vehicle, mass_kg=170.0)
    runs = [
        driven("a1", first),
        driven("b1", vehicle, **drive),
        driven("b2", vehicle, **drive),
        driven("a2", first),
    ]
    results = judged_day(sheet, runs)
    (one,) = results.explained
    truth = [run.splits[1].time_s - run.splits[0].time_s for run in (runs[0], runs[1])]
    (cause,) = one.causes
    assert cause.kind == kind
    assert one.effect == pytest.approx(truth[1] - truth[0], rel=rel)
    assert results.day.steps[0].comparisons[2].difference == pytest.approx(
        truth[1] - truth[0], abs=0.01
    )
    (line,) = surroundings_lines(results)
    assert "nothing is corrected" in line and "An estimate" in line
    assert ("15.0 kg more weight" in line) == (kind == "weight")
    assert ("5.6 mph more headwind" in line) == (kind == "headwind")
    assert line in terminal_text(results)
    assert explained_of(results.day, results.powers) == results.explained


def test_explained__colder_air_gives_more_power(tmp_path: Path) -> None:
    """SAE J1349 (1990): 1.18 (990 / p) ((t + 273) / 298)^0.5 - 0.18, p of the dry air in hPa.

    Half of the saturation pressure of water is 11.7 hPa at 20 °C and 3.1 hPa at 0 °C (steam
    tables).
    """
    cold = "[runs.conditions];temperature_c=0.0"
    sheet = sheet_of(tmp_path, f"a1 b1:{cold} b2:{cold} a2")
    (one,) = judged_day(sheet, [driven(name) for name in ("a1", "b1", "b2", "a2")]).explained
    cause = next(cause for cause in one.causes if cause.kind == "air")
    warm, cool = (
        1.18 * 990 / (1000 - wet) * ((t + 273) / 298) ** 0.5 - 0.18
        for t, wet in ((20, 11.7), (0, 3.1))
    )
    assert cause.more == pytest.approx(100 * (warm / cool - 1), abs=0.1)
    assert -0.3 < cause.effect < -0.03


def test_explained__a_build_that_weighs_more_is_the_builds_doing(tmp_path: Path) -> None:
    sheet = sheet_of(tmp_path, "a1 b1 b2 a2")
    heavy = sheet.builds[1].model_copy(update={"mass_kg": 185.0})
    sheet = sheet.model_copy(update={"builds": (sheet.builds[0], heavy)})
    heavier = replace(CART, mass_kg=185.0)
    runs = [driven("a1"), driven("b1", heavier), driven("b2", heavier), driven("a2")]
    assert judged_day(sheet, runs).explained == ()


def test_power_step__mass_and_road_load_cancel(tmp_path: Path) -> None:
    """B has 8 % more torque; the truth is the simulator's own force at the wheels."""
    sheet = sheet_of(tmp_path, "a1 b1 b2 a2 a3 b3", unit="mph")
    runs = [
        driven(name, power=(1.08 if name[0] == "b" else 1.0) * (1 + jitter))
        for name, jitter in zip(
            ("a1", "b1", "b2", "a2", "a3", "b3"), (0, 0.002, -0.002, 0.001, -0.001, 0), strict=True
        )
    ]
    results = judged_day(sheet, runs)
    (step,) = power_steps(results.day.steps, results.powers)
    v = np.arange(step.low_mps, step.high_mps + 0.1, 0.25)
    rpm = v / CART.metres_per_turn * 60
    gross = np.interp(rpm, CART.torque_rpm, CART.torque_nm) + 1.6 + 0.0007 * rpm
    # The friction at no load does not grow with the factor on the torque.
    more_nm = 0.08 * np.interp(rpm, CART.torque_rpm, CART.torque_nm)
    governed = np.clip((CART.governor_rpm - rpm) / 250, 0, 1)
    truth = float(np.mean(more_nm * governed * CART.efficiency * rpm / 60 * 2 * np.pi))
    assert gross.min() > 0
    assert step.difference_w == pytest.approx(truth, rel=0.15)
    assert abs(step.difference_w - truth) < step.half_w
    apart = [math.hypot(*(one.half_w for one in results.powers)), step.half_w]
    assert apart[1] < 0.5 * apart[0]
    assert not step.is_confounded
    text = power_step_text(step, "mph")
    assert text.startswith(f"B puts {step.difference_w / 745.69987:.1f} hp ± ")
    back = replace(step, difference_w=-step.difference_w, is_confounded=True)
    assert " less on the road than A" in power_step_text(back, "mph")
    none = replace(step, difference_w=-30.0)  # 0.04 hp: no "less" before what reads as nothing
    assert power_step_text(none, "mph").startswith("B puts 0.0 hp ± ")
    assert " more on the road than A" in power_step_text(none, "mph")
    assert power_step_text(back, "km/h").endswith("order and build cannot be separated")
    assert f"{step.difference_w / 1000:.1f} kW ± " in power_step_text(step, "km/h")


def test_day_cautions__revs_from_whatever_shows_most(tmp_path: Path) -> None:
    sheet = sheet_of(tmp_path, "a1 b1")
    runs = [driven("a1"), driven("b1")]
    told = day_cautions(sheet, runs)
    top = max(float(run.kinematics.speed_mps.max()) for run in runs[:1])
    revs = top / 1.7593 * 9.4 * 60
    assert told[0].startswith(f"A: up to {revs:.0f} rpm (by its gearing at top speed), unchecked")

    def told_of(logged: float | None, **vehicle: float) -> str:
        known = sheet.vehicle.model_copy(update={"stock_limit_rpm": 3600.0, **vehicle})
        t = np.array([0.0, 3.0, 4.0])
        rpm = None if logged is None else Series("engine_rpm", t, np.array([1700, logged, 2000]))
        one = replace(runs[0], rpm=rpm)
        return day_cautions(sheet.model_copy(update={"vehicle": known}), [one])[0]

    assert told_of(None).startswith(f"A: {revs:.0f} rpm (by its gearing at top speed) is beyond")
    assert told_of(5000.0).startswith("A: 5000 rpm (logged or heard) is beyond")
    assert told_of(5000.0, limiter_rpm=5100.0).startswith("A: 5100 rpm (its stated limiter) is")


def test_day_cautions__stopping_distance_and_parts(tmp_path: Path) -> None:
    """v^2 / 2a: 20 % more speed is 44 % more distance."""
    sheet = sheet_of(tmp_path, "a1 b1", unit="mph")
    a = driven("a1")
    k = a.kinematics
    faster = replace(
        k,
        t_s=k.t_s,
        speed_mps=1.2 * k.speed_mps,
        accel_mps2=1.2 * k.accel_mps2,
        distance_m=1.2 * k.distance_m,
    )
    b = replace(a, name="b1", build="B", kinematics=faster)
    told = day_cautions(sheet, [a, b])
    (line,) = [text for text in told if text.startswith("Stopping")]
    assert "44 % more than A" in line
    assert "2 stops" in line and " mph" in line and "m/s" not in line
    decel = np.mean([one.braking.mean_decel_mps2 for one in (a, b) if one.braking])
    far = (1.2 * float(k.speed_mps.max())) ** 2 / (2 * decel)
    assert f"B {far:.0f} m from" in line
    assert f"at least {2 * far:.0f} m of run-off" in line
    assert any(text.startswith("B: with the governor off") for text in told)
    assert any(text.startswith("B: check the tyres' speed rating") for text in told)
    assert told[-2].startswith("Do timed runs only on a closed course")
