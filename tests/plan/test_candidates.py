"""Candidates: limits, what is asked for, ranking, and the honest answer."""

import math

import numpy as np
import pytest

from overlay.compare.figures import LEVEL, MAIN_SHARE
from overlay.compare.further import runs_wanted
from overlay.plan.bundle import Basis, bundle
from overlay.plan.candidates import (
    NOT_SEEN,
    SLOWER,
    SMALL,
    UNKNOWN,
    UNSURE,
    WORTH,
    _chance_by_t,
    _runs,
    ranked,
)
from overlay.plan.course import Change, passage
from overlay.plan.gearing import Limit, choices, ratio_with_teeth, sweep
from overlay.plan.limits import ASKED, BEYOND
from overlay.runs import parse_goal
from overlay.sheet import Candidate, Engine, Vehicle
from tests.plan.test_course import engine_force, model_of

RPM_PER_MPS = 300.0
VEHICLE = Vehicle(
    mass_kg=170.0,
    gear_ratios=(9.0,),
    rolling_circumference_m=1.8,
    stock_limit_rpm=4200.0,
    sprocket_teeth=(10, 90),
)
GOALS = tuple(parse_goal(text) for text in ("60 m", "20 to 60 m"))


def ground(vehicle=VEHICLE, engine=None, scatter=0.05, per=RPM_PER_MPS, driven=3900.0) -> Basis:
    model = model_of(engine_force, rolling=0.2, drag=0.4)
    return Basis(
        model,
        {},
        GOALS,
        {goal.label: scatter for goal in GOALS},
        vehicle,
        engine or Engine(),
        per,
        driven,
    )


def judge(*candidates, **of):
    return {one.name: one for one in ranked(ground(**of), candidates)}


def test_ranking__cheapest_tenth_first_and_the_figures_add_up():
    found = ranked(
        ground(),
        [
            Candidate(name="dear", price=400.0, mass_change_kg=-20.0),
            Candidate(name="cheap", price=40.0, mass_change_kg=-20.0),
            Candidate(name="ballast", price=1.0, mass_change_kg=30.0),
            Candidate(name="sticker", price=2.0, power_percent=(0.0, 0.3)),
        ],
    )
    assert [one.name for one in found] == ["cheap", "dear", "sticker", "ballast"]
    cheap, dear, sticker, ballast = found
    assert cheap.answer == dear.answer == WORTH
    assert ballast.answer == SLOWER and ballast.gains[0].value > 0 and ballast.tenth is None
    gain = -cheap.gains[0].value
    assert cheap.tenth is not None and dear.tenth is not None
    assert cheap.tenth.value == pytest.approx(40 * 0.1 / gain, rel=0.01)
    assert dear.tenth.value == pytest.approx(10 * cheap.tenth.value, rel=0.01)
    assert cheap.runs is not None and cheap.runs <= 3
    assert sticker.answer == NOT_SEEN and sticker.runs is None
    assert cheap.gains[0].low < cheap.gains[0].value < cheap.gains[0].high < 0


def test_not_seen__names_a_course_that_would_show_it():
    """Taller gearing does little over 60 m and much where the engine runs out of breath."""
    one = judge(Candidate(name="taller", gear_ratio=(8.6,)), scatter=0.12)["taller"]
    assert one.answer == NOT_SEEN
    assert one.shown_by.startswith("20 to ")


def test_limit__a_size_beyond_it_is_left_out():
    wide = Candidate(name="sprocket", price=20.0, wheel_teeth=(86, 120))
    one = judge(wide)["sprocket"]
    assert one.choice == "10 to 86 teeth"
    assert one.left_out == () or one.left_out == ("10 to 120 teeth",)
    assert one.line is not None and one.line.high <= 4200
    low = VEHICLE.model_copy(update={"stock_limit_rpm": 3000.0})
    refused = judge(wide, vehicle=low)["sprocket"]
    assert refused.answer == BEYOND
    assert any("beyond the stated 3000 rpm" in text for text in refused.may_break)


def test_limit__revs_load_and_parts_bought_together():
    """A governor spring alone is refused; with a rod of a higher stated limit it is judged."""
    spring = Candidate(name="spring", price=10.0, limiter_rpm=5000.0)
    assert judge(spring)["spring"].answer == BEYOND
    load = (5000 / 4200) ** 2
    assert f"{load:.2f} times" in judge(spring)["spring"].may_break[0]
    rod = Candidate(name="rod", price=60.0, stock_limit_rpm=5500.0)
    with_rod = spring.model_copy(update={"needs": ("rod",)})
    one = judge(with_rod, rod)["spring"]
    assert one.answer != BEYOND and one.price == 70.0 and one.together == ("rod",)
    weak = rod.model_copy(update={"stock_limit_rpm": 4900.0})
    assert judge(with_rod, weak)["spring"].answer == BEYOND
    assert bundle(with_rod, [with_rod, rod]) == (with_rod, rod)


def test_limit__a_missing_one_is_asked_for():
    open_ended = VEHICLE.model_copy(update={"stock_limit_rpm": None})
    spring = Candidate(name="spring", price=10.0, limiter_rpm=5000.0)
    lighter = Candidate(name="lighter", price=10.0, mass_change_kg=-20.0)
    found = judge(spring, lighter, vehicle=open_ended)
    assert found["spring"].answer == ASKED
    assert any("stock_limit_rpm" in key for key in found["spring"].missing)
    assert found["lighter"].answer == WORTH


def test_gasket__bounded_by_the_ideal_cycle_and_by_its_clearances():
    engine = Engine(
        bore_mm=68.0,
        stroke_mm=54.0,
        compression_ratio=8.5,
        compression_limit=9.5,
        gasket_mm=1.2,
        squish_mm=1.9,
        valve_clearance_mm=3.0,
    )
    thin = Candidate(name="gasket", price=9.0, gasket_mm=0.7)
    one = judge(thin, engine=engine)["gasket"]
    bound = judge(Candidate(name="all", power_percent=(1.85, 1.87)))["all"].gains[0]
    assert one.answer not in (BEYOND, ASKED)
    assert one.gains[0].low == pytest.approx(bound.value, rel=0.1)
    assert one.gains[0].high == pytest.approx(0.0, abs=0.01)
    assert any("knock" in text for text in one.may_break)
    tight = judge(thin, engine=engine.model_copy(update={"squish_mm": 1.4}))["gasket"]
    assert tight.answer == BEYOND and any("piston to head 0.90" in t for t in tight.may_break)
    rich = judge(thin, engine=engine.model_copy(update={"compression_limit": 9.0}))["gasket"]
    assert rich.answer == BEYOND
    unknown = judge(thin, engine=engine.model_copy(update={"compression_limit": None}))["gasket"]
    assert unknown.answer == ASKED and "engine.compression_limit" in unknown.missing


def test_nothing_said__nothing_predicted():
    one = judge(Candidate(name="thing", may_break="your heart"))["thing"]
    assert one.answer == UNKNOWN and not one.gains
    assert one.may_break == ("your heart",) and len(one.missing) == 2


def test_valve_springs__float_is_cautioned():
    engine = Engine(
        valve_lift_mm=6.0,
        cam_duration_deg=240.0,
        valve_train_g=100.0,
        spring_seat_n=60.0,
        spring_rate_npmm=5.0,
    )
    rod = Candidate(name="rod", limiter_rpm=4100.0, stock_limit_rpm=6000.0)
    assert any("float near" in text for text in judge(rod, engine=engine)["rod"].may_break)
    stiff = rod.model_copy(update={"spring_rate_npmm": 20.0, "spring_seat_n": 120.0})
    assert not any("float" in text for text in judge(stiff, engine=engine)["rod"].may_break)


def test_sweep__the_best_and_what_is_like_it():
    """A smooth optimum: the best is better than both ends, the range holds it, limits are kept."""
    model = model_of(engine_force, rolling=0.2, drag=0.4)
    how = {"ratio": 9.0, "rpm_per_mps": RPM_PER_MPS, "worth": 0.02}
    free = sweep(model, GOALS, limit=Limit(9000.0, "none"), **how)
    assert free.best is not None and free.alike is not None
    assert free.alike[0] <= free.best <= free.alike[1]
    at = int(np.argmin(np.abs(free.ratio - free.best)))
    assert free.value[at] == pytest.approx(np.min(free.value))
    assert free.value[at] < free.value[0] and free.value[at] < free.value[-1]
    assert np.all(free.low <= free.value) and np.all(free.value <= free.high)
    assert [gain.name for gain in free.gains] == ["60 m", "20 to 60 m"]
    wider = sweep(model, GOALS, limit=Limit(9000.0, "none"), **(how | {"worth": 0.2}))
    assert wider.alike[1] - wider.alike[0] > free.alike[1] - free.alike[0]
    kept = sweep(model, GOALS, limit=Limit(3000.0, "stated"), **how)
    assert kept.best is not None and kept.best < free.best
    best = int(np.argmin(np.abs(kept.ratio - kept.best)))
    assert kept.line_high_rpm[best] <= 3000
    assert sweep(model, GOALS, limit=Limit(500.0, "stated"), **how).best is None


def test_teeth():
    """Nine to one by 10 and 90 teeth; 11 and 88 make eight."""
    assert ratio_with_teeth(9.0, (10, 90), (11, 88)) == pytest.approx(8.0)
    assert math.isclose(ratio_with_teeth(9.4, (1, 60), (1, 54)), 8.46)


def test_worth_trying__not_where_the_near_end_rounds_to_nothing():
    """Two candidates as sure of a gain; one's near end is shown as 0.00 s."""
    hair = Candidate(name="hair", price=5.0, power_percent=(0.1, 0.4))
    some = Candidate(name="some", price=5.0, power_percent=(2.0, 8.0))
    found = judge(hair, some, scatter=0.002)
    near = found["hair"].gains[0].high
    assert near < 0 and round(near, 2) == 0
    assert found["hair"].answer == UNSURE and found["some"].answer == WORTH
    assert found["hair"].tenth.high is None and "may bring nothing" in found["hair"].tenth.why
    assert found["some"].tenth.high is not None


def test_limit__counts_on_every_goal_of_the_course():
    """Judged first over 20 m; the revs at 60 m are those that pass the limit."""
    change = Change(110 / 90)
    run = passage(ground().model, change)
    at_20, at_60 = (np.max(run.speed_at(x)) * RPM_PER_MPS * 110 / 90 for x in (20.0, 60.0))
    vehicle = VEHICLE.model_copy(update={"stock_limit_rpm": (at_20 + at_60) / 2})
    goals = (parse_goal("20 m"), parse_goal("60 m"))
    scatter = {goal.label: 0.02 for goal in goals}
    short = Basis(**{**vars(ground(vehicle)), "goals": goals, "scatter": scatter})
    (one,) = ranked(short, [Candidate(name="low", wheel_teeth=(110,))])
    assert at_20 < vehicle.stock_limit_rpm < at_60
    assert one.answer == BEYOND and one.line.value == pytest.approx(at_60)


def test_limit__asked_for_where_no_log_has_the_revs():
    """Revs by the gearing alone: those of now count as driven."""
    open_ended = VEHICLE.model_copy(update={"stock_limit_rpm": None})
    short = Candidate(name="short", price=10.0, wheel_teeth=(100,))
    tall = Candidate(name="tall", price=10.0, wheel_teeth=(86,))
    found = judge(short, tall, vehicle=open_ended, driven=None)
    assert found["short"].answer == ASKED and found["tall"].answer != ASKED
    assert any("stock_limit_rpm" in key for key in found["short"].missing)


def test_limit__revs_that_nobody_knows_are_asked_for():
    """A stated limit is of no use where neither a log nor the gearing tells the revs."""
    bare = VEHICLE.model_copy(update={"gear_ratios": None, "sprocket_teeth": None})
    more = Candidate(name="more", price=10.0, power_percent=(20.0, 25.0))
    heavy = Candidate(name="heavy", price=10.0, mass_change_kg=30.0)
    found = judge(more, heavy, vehicle=bare, per=None, driven=None)
    assert found["more"].answer == ASKED and found["heavy"].answer == SLOWER
    assert any("log of the revs" in key for key in found["more"].missing)
    governed = bare.model_copy(update={"limiter_rpm": 4000.0})
    found = judge(more, vehicle=governed, per=None, driven=None)
    assert found["more"].answer == WORTH  # the governor keeps it within the limit
    held = bare.model_copy(update={"limiter_rpm": 4300.0})
    assert judge(more, vehicle=held, per=None, driven=None)["more"].answer == ASKED


def test_limit__judged_at_the_worse_end_of_the_interval():
    """Room of 1.10 mm that clay and gaskets know to 0.17 mm is not 1 mm for sure."""
    engine = Engine(
        bore_mm=68.0,
        stroke_mm=54.0,
        compression_ratio=8.5,
        compression_limit=9.5,
        gasket_mm=1.2,
        squish_mm=1.6,
        valve_clearance_mm=3.0,
    )
    one = judge(Candidate(name="gasket", price=9.0, gasket_mm=0.7), engine=engine)["gasket"]
    assert one.answer == BEYOND
    assert any("piston to head 1.10 mm, at worst 0.9" in text for text in one.may_break)


@pytest.mark.parametrize(
    ("part", "key"),
    [
        (Candidate(name="x", gear_ratio=(8.0,)), "vehicle.gear_ratios"),
        (Candidate(name="x", wheel_teeth=(80,)), "vehicle.sprocket_teeth"),
        (Candidate(name="x", tyre_diameter_m=(0.5,)), "vehicle.rolling_circumference_m"),
    ],
)
def test_size__is_not_predicted_where_that_of_now_is_unknown(part, key):
    one = judge(part, vehicle=Vehicle(stock_limit_rpm=4200.0), per=None)["x"]
    assert one.answer == UNKNOWN and key in one.missing


def test_choices__sprockets_of_one_part_with_those_of_another_and_tyres():
    parts = [
        Candidate(name="a", engine_teeth=(9,)),
        Candidate(name="b", wheel_teeth=(80, 90)),
        Candidate(name="c", tyre_diameter_m=(0.5,)),
    ]
    found = dict(choices(VEHICLE, parts[:2]))
    assert found == {
        "9 to 80 teeth": pytest.approx(80 / 9 / 9.0),
        "9 to 90 teeth": pytest.approx(10 / 9.0),
    }
    assert dict(choices(VEHICLE, parts[2:])) == {"tyre 0.5 m": pytest.approx(1.8 / (math.pi * 0.5))}
    both = dict(choices(VEHICLE, parts, with_now=True))
    assert len(both) == 2 * 2 * 2 and both["10 to 90 teeth, tyre 0.573 m"] == pytest.approx(1.0)
    assert choices(VEHICLE, []) == [("", 1.0)]


def test_sizes__stand_in_the_sweep_with_their_revs():
    """A tyre of 0.9 the diameter works as a ratio of one over 0.9; the smaller, the more revs."""
    small = 0.9 * 1.8 / math.pi
    part = Candidate(name="tyre", tyre_diameter_m=(small,), wheel_teeth=(81,))
    model = model_of(engine_force, rolling=0.2, drag=0.4)
    found = sweep(
        model,
        GOALS,
        ratio=9.0,
        rpm_per_mps=RPM_PER_MPS,
        limit=Limit(4200.0, "stated"),
        worth=0.02,
        sizes=choices(VEHICLE, [part], with_now=True),
    )
    by_name = {size.name: size for size in found.sizes}
    assert [round(size.ratio, 3) for size in found.sizes] == [8.1, 9.0, 9.0, 10.0]
    now = by_name["10 to 90 teeth, tyre 0.573 m"]
    same = by_name[f"10 to 81 teeth, tyre {small:.4g} m"]
    short = by_name[f"10 to 90 teeth, tyre {small:.4g} m"]
    assert now.is_now and now.gains[0].value == pytest.approx(0.0)
    assert same.gains[0].value == pytest.approx(0.0, abs=1e-6) and not short.is_now
    before, after = passage(model), passage(model, Change(1 / 0.9))
    gain = after.value(GOALS[0]) - before.value(GOALS[0])
    assert short.gains[0].value == pytest.approx(gain[0], abs=0.02)
    assert short.value.value == pytest.approx(after.value(GOALS[0])[0], abs=0.02)
    revs = after.speed_at(60.0)[0] * RPM_PER_MPS / 0.9
    assert short.line.value == pytest.approx(revs, rel=1e-6)
    assert short.is_beyond == (revs > 4200) and not (short.is_beyond and short.is_alike)


@pytest.mark.parametrize("ratio", [1.0, 2.0, 5.0])
def test_runs__as_counting_them_one_by_one(ratio):
    """The short cut by a plain t-test leaves out no count that would have done."""
    assert _runs(-0.1 * ratio, 0.1) == runs_wanted(0.1 * ratio, 0.1, level=LEVEL * MAIN_SHARE)


def test_chance__by_t_of_a_published_table():
    """Cohen (1988), table 2.3.5: d = 0.8, two-tailed 5 %, n = 20 each: power .69 (from memory)."""
    assert _chance_by_t(20, 0.8, 0.05) == pytest.approx(0.69, abs=0.01)
    assert _chance_by_t(26, 0.8, 0.05) == pytest.approx(0.80, abs=0.01)


def test_answer__a_sure_gain_that_does_not_matter_is_called_so():
    light = Candidate(name="light", price=5.0, mass_change_kg=-20.0)
    gain = -judge(light)["light"].gains[0].value
    for share, answer in ((0.9, WORTH), (1.1, SMALL)):
        of = Basis(**{**vars(ground()), "worth": share * gain})
        assert ranked(of, [light])[0].answer == answer
