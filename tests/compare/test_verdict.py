"""Verdicts, further runs, spoiled runs, value and its sentence."""

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from overlay.compare.figures import (
    CANNOT_TELL,
    NO_DIFFERENCE,
    NOT_JUDGED,
    REAL,
    WIDE,
    Comparison,
    PairedRuns,
    RunSplit,
    run_split,
    summarise,
)
from overlay.compare.further import Driven, further_runs
from overlay.compare.spoiled import belonging
from overlay.compare.value import changes, headline, money, steps, value_of
from overlay.compare.verdict import compare_all
from overlay.errors import UsageError
from overlay.runs.model import Mark, Split, SplitGoal
from overlay.sheet.model import Build, Purchase

GOAL = SplitGoal("distance", 60.0, "60 m")


def runs(*times: float | None, sigma: float = 0.01, common: float = 0.0) -> list[RunSplit]:
    return [RunSplit(f"r{i}", t, sigma, common) for i, t in enumerate(times)]


def turns(a: list[RunSplit], b: list[RunSplit]) -> tuple[list[RunSplit], list[RunSplit]]:
    """The builds driven in turns."""
    return (
        [replace(r, place=2 * i) for i, r in enumerate(a)],
        [replace(r, place=2 * i + 1) for i, r in enumerate(b)],
    )


def compare_builds(
    a: list[RunSplit], b: list[RunSplit], *, margin: float, label: str = "", unit: str = "s"
) -> Comparison:
    return compare_all([PairedRuns(label, a, b, margin, unit)])[0]


def judged(a: list[RunSplit], b: list[RunSplit], margin: float = 0.1, **more: str) -> Comparison:
    return compare_builds(*turns(a, b), margin=margin, **more)


def test_summarise__student_1908() -> None:
    """Extra hours of sleep, one drug less the other (Student 1908, Biometrika 6:1, page 20; the
    ten differences from memory): mean 1.58, standard deviation 1.23, 95 % ± 0.88 by his t."""
    seen = summarise(runs(1.2, 2.4, 1.3, 1.3, 0.0, 1.0, 1.8, 0.8, 4.6, 1.4, sigma=1e-6))
    assert seen.n == 10
    assert seen.mean == pytest.approx(1.58)
    assert seen.spread == pytest.approx(1.23, abs=0.005)
    assert seen.half == pytest.approx(0.88, abs=0.005)
    assert (seen.floor, seen.common_sigma) == (pytest.approx(1e-6), 0.0)


def test_summarise__shared_parts_are_means_and_own_ones_root_mean_squares() -> None:
    one, other = RunSplit("a", 5.0, 0.03, 0.02, soft_sigma=0.1), RunSplit("b", 5.2, 0.04, 0.04)
    seen = summarise([one, other, RunSplit("c", None, counted=False, reason="no time")])
    assert seen.floor == pytest.approx(math.sqrt((0.03**2 + 0.04**2) / 2))
    assert (seen.common_sigma, seen.soft_sigma) == pytest.approx((0.03, 0.05))
    assert seen.excluded == (("c", "no time"),)
    assert summarise([one]).spread is None
    assert summarise([]).mean is None


def test_compare__three_verdicts() -> None:
    base = runs(6.00, 6.05, 5.95, 6.02)
    assert judged(base, runs(5.60, 5.66, 5.55, 5.63)).verdict == REAL
    same = runs(6.01, 6.04, 5.96, 6.00)
    assert judged(base, same, margin=0.2).verdict == NO_DIFFERENCE
    open_ = judged(base, runs(5.99, 5.75, 6.05, 5.90))
    assert open_.verdict == CANNOT_TELL
    assert open_.further_runs is not None
    assert open_.further_runs >= 1


def test_compare__provably_small_difference_is_not_worth_noticing() -> None:
    c = judged(runs(6.000, 6.002, 5.998, 6.001, sigma=0), runs(5.98, 5.982, 5.979, 5.981, sigma=0))
    assert c.p_differ is not None
    assert c.p_differ < 0.01
    assert c.verdict == NO_DIFFERENCE


def test_compare__which_build_is_first_only_turns_the_sign() -> None:
    a, b = turns(runs(6.00, 6.05, 5.95, common=0.02), runs(5.9, 5.7, 5.8, common=0.01))
    one, two = (compare_builds(*pair, margin=0.1) for pair in ((a, b), (b, a)))
    assert one.difference == pytest.approx(-(two.difference or 0))
    assert one.p_differ == pytest.approx(two.p_differ)
    assert one.half == pytest.approx(two.half)


def test_compare__one_build_after_the_other_is_told_as_that() -> None:
    """However large the difference; one more run of the first build then tells."""
    a = [replace(r, place=i) for i, r in enumerate(runs(6.0, 6.05, 5.95, 6.02))]
    b = [replace(r, place=4 + i) for i, r in enumerate(runs(5.5, 5.55, 5.45, 5.52))]
    c = compare_builds(a, b, margin=0.1)
    assert (c.verdict, c.further_runs) == (CANNOT_TELL, None)
    assert c.reason == ("all runs of A came before all of B: order and build cannot be separated")
    assert c.remedy == "one more run of A, after B, would help most"
    assert compare_builds(b, a, margin=0.1).remedy.startswith("one more run of B, after A")
    again = [*a, RunSplit("again", 6.01, 0.01, place=8)]
    assert compare_builds(again, b, margin=0.1).verdict == REAL
    slower = [*a, RunSplit("again", 5.5, 0.01, place=8)]
    assert compare_builds(slower, b, margin=0.1).verdict == CANNOT_TELL


def test_compare__runs_both_ways_count_by_their_way() -> None:
    """By hand: each way 0.3 s apart, so the difference is -0.3 s though the plain means differ
    by -0.6 s; a lone way a build tells nothing."""
    up, down = [6.0, 6.02, 5.98], [7.0]
    a = [*runs(*up), *(replace(r, way=-1) for r in runs(*down))]
    b = [*runs(5.7), *(replace(r, way=-1) for r in runs(6.7, 6.72, 6.68))]
    c = judged(a, b)
    assert c.verdict == REAL
    assert c.difference == pytest.approx(-0.3, abs=0.01)
    assert (c.a.mean, c.b.mean) == (pytest.approx(6.5), pytest.approx(6.2))
    apart = judged(runs(*up), [replace(r, way=-1) for r in runs(5.5, 5.52, 5.48)])
    assert apart.verdict == CANNOT_TELL
    assert apart.reason.endswith("direction and build cannot be separated")
    assert apart.remedy.startswith("one more run of each build the way")


def test_further_runs__the_way_driven_is_no_scatter() -> None:
    base = 6.0 + 0.06 * np.array([1.0, 1.0, -1.0, -1.0, 0.8, -0.8, -0.8, 0.8])
    base -= 0.15 * np.array([0, 1] * 4)
    ways = (1, 1, -1, -1) * 2
    one = Driven(base, (False, True) * 4, tuple(range(8)), 0.01, 0.0)
    both = replace(one, values=base + 0.8 * np.array(ways), ways=ways)
    levelled = both.levelled()
    assert levelled.layout.columns == ()
    assert float(np.ptp(levelled.values)) < 0.4
    assert further_runs(both, margin=0.1) is not None


def test_compare__softness_never_cancels_between_builds() -> None:
    hard = judged(runs(6.0, 6.05, 5.95), runs(5.6, 5.65, 5.55))
    soft = [
        [replace(r, soft_sigma=0.2) for r in runs(*t)]
        for t in ((6.0, 6.05, 5.95), (5.6, 5.65, 5.55))
    ]
    wide = judged(*soft)
    assert hard.verdict == REAL
    assert wide.verdict == CANNOT_TELL
    assert (wide.half or 0) > 1.96 * math.hypot(0.2, 0.2)


def test_compare__two_runs_are_provisional() -> None:
    c = judged(runs(6.0, 6.01), runs(5.0, 5.01))
    assert c.verdict == REAL
    assert c.is_provisional
    assert not judged(runs(6.0, 6.01, 5.99), runs(5.0, 5.01, 5.02)).is_provisional


def test_compare__scatter_is_never_below_the_measurement() -> None:
    """Two runs that agree by luck to a millisecond prove nothing beyond their measurement."""
    c = judged(runs(6.0, 6.001, sigma=0.2), runs(5.9, 5.901, sigma=0.2))
    assert c.verdict == CANNOT_TELL
    assert (c.half or 0) > 0.39


def test_compare__lag_common_to_the_day() -> None:
    """It cancels as far as both builds have the same share."""
    a, b = runs(6.0, 6.05, 5.95, common=0.5), runs(5.6, 5.65, 5.55, common=0.5)
    assert judged(a, b).verdict == REAL
    unlike = judged(a, runs(5.6, 5.65, 5.55, common=0.1))
    assert unlike.verdict == CANNOT_TELL
    assert (unlike.half or 0) > 1.96 * 0.4


@pytest.mark.parametrize("a", [runs(6.0), runs(), runs(None, 6.0)])
def test_compare__too_few_runs(a: list[RunSplit]) -> None:
    c = judged(a, runs(5.5, 5.6, 5.7))
    assert c.verdict == CANNOT_TELL
    assert c.further_runs is not None
    assert c.further_runs >= 1
    assert c.reason
    assert c.low is None


def test_compare__no_spread_at_all() -> None:
    c = judged(runs(6.0, 6.0, sigma=0), runs(5.0, 5.0, sigma=0))
    assert (c.verdict, c.further_runs) == (CANNOT_TELL, None)
    assert "no spread" in c.reason


def test_compare_all__holm_over_splits() -> None:
    """A split that is just real by itself is not among many without any difference."""
    a, b = turns(runs(6.0, 6.05, 5.95, 6.0), runs(5.86, 5.92, 5.83, 5.89))
    alone = compare_builds(a, b, margin=0.01)
    assert alone.verdict == REAL
    noise = PairedRuns("x", *turns(runs(6.0, 6.3, 5.7), runs(6.1, 6.4, 5.6)), 0.01)
    among = compare_all([PairedRuns("60 m", a, b, 0.01), *[noise] * 9])
    assert among[0].verdict == CANNOT_TELL
    assert among[0].judged_with == 10
    assert among[0].p_differ == alone.p_differ
    assert among[0].p_differ_adjusted == pytest.approx(10 * (alone.p_differ or 0))
    # As the main goal it is judged nearly as if alone.
    main = compare_all([PairedRuns("60 m", a, b, 0.01, is_main=True), *[noise] * 9])
    assert main[0].p_differ_adjusted == pytest.approx((alone.p_differ or 0) / 0.9)
    assert main[0].verdict == REAL


def test_compare_all__what_is_not_judged_costs_nothing() -> None:
    full = PairedRuns("60 m", *turns(runs(6.0, 6.05, 5.95), runs(5.5, 5.55, 5.45)), 0.1)
    none = PairedRuns("100 m", runs(None, None), runs(8.0), 0.1)
    told = replace(full, not_judged="counts from the first movement")
    judged_ = compare_all([none, full, told])
    assert [c.verdict for c in judged_] == [CANNOT_TELL, REAL, NOT_JUDGED]
    assert judged_[1].judged_with == 1
    assert judged_[2].difference == judged_[1].difference
    assert judged_[2].reason == "counts from the first movement"


def test_compare__wrong_verdicts_on_simulated_days(
    rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At most 5 % wrong, with allowance for 300 days; tests/benchmarks has the long account."""
    # The number of further runs is not what this asks for, and it takes time.
    monkeypatch.setattr("overlay.compare.verdict.further_runs", lambda *_, **__: 1)
    wrong = inside = 0
    for day in range(300):
        truth = (0.0, 0.1, -0.1)[day % 3]
        n = 3 + day % 4
        a = runs(*(6 + rng.normal(0, 0.06, n)).tolist(), sigma=0.02)
        b = runs(*(6 + truth + rng.normal(0, 0.08, n)).tolist(), sigma=0.02)
        summary = compare_builds(*turns(a, b), margin=0.1)
        said = summary.verdict
        wrong += (said == REAL and truth == 0) or (said == NO_DIFFERENCE and truth != 0)
        assert summary.low is not None
        assert summary.high is not None
        inside += summary.low <= truth <= summary.high
    assert wrong <= 300 * 0.05 + 2 * math.sqrt(300 * 0.05 * 0.95)
    assert 0.93 - 0.025 <= inside / 300 <= 0.98 + 0.02


def test_further_runs__decide_as_often_as_they_say(rng: np.random.Generator) -> None:
    """80 %, with allowance for 30 days; the claim is about days of all kinds."""

    def drive(mean: float, first: int, number: int) -> list[RunSplit]:
        times = mean + rng.normal(0, scatter, number)
        return [RunSplit("r", float(t), 0.02, place=first + 2 * i) for i, t in enumerate(times)]

    named = decided = 0
    while named < 30:
        scatter = math.exp(rng.uniform(math.log(0.04), math.log(0.15)))
        truth = float(rng.choice([0.0, rng.uniform(0, 0.1), 0.1, rng.uniform(0.1, 0.4)]))
        a, b = drive(6.0, 0, 4), drive(6.0 - truth, 1, 4)
        number = compare_builds(a, b, margin=0.1).further_runs
        if number is None:
            continue
        named += 1
        more = drive(6.0, 8, number), drive(6.0 - truth, 9, number)
        later = compare_builds([*a, *more[0]], [*b, *more[1]], margin=0.1)
        decided += later.verdict != CANNOT_TELL
    assert 0.62 <= decided / named <= 0.97


def test_further_runs__fewer_for_clearer_cases() -> None:
    def wanted(apart: float, sd: float) -> int | None:
        pattern = sd * np.array([1.0, 1.0, -1.0, -1.0, 0.8, -0.8, -0.8, 0.8])
        values = 6.0 + pattern - apart * np.array([0, 1] * 4)
        return further_runs(
            Driven(values, (False, True) * 4, tuple(range(8)), 0.01, 0.0), margin=0.1
        )

    clear, middling = wanted(0.15, 0.06), wanted(0.08, 0.06)
    assert clear is not None
    assert middling is None or clear < middling
    assert wanted(0.05, 1.0) is None
    assert wanted(0.15, 0.06) == clear  # the same each time


def test_run_split__marks_before_the_goal_spoil() -> None:
    split = Split(GOAL, 6.0, 8.0, 14.0, 0.02, timing_sigma_s=0.01)
    spin = Mark("wheelspin", 3.0, 3.5, "")
    late_gap = Mark("gap", 9.0, 9.5, "")
    slip = Mark("clutch slip", 2.0, 3.0, "")
    assert run_split("a", split, marks=[late_gap, slip]).used
    spoiled = run_split("a", split, marks=[spin])
    assert (spoiled.used, spoiled.reason) == (False, "wheelspin")
    kept = run_split("a", split, marks=[spin], counted=True)
    assert kept.used
    assert "wheelspin" in kept.reason
    assert not run_split("a", split, counted=False).used
    missing = run_split("a", Split(GOAL, None, None, None, None, "gap"))
    assert (missing.used, missing.reason) == (False, "gap")
    summary = summarise([spoiled, kept])
    assert summary.excluded == (("a", "wheelspin"),)


def test_run_split__trap_is_a_speed() -> None:
    """10 m in 0.8 s ± 0.008 s is 12.5 m/s ± 0.125."""
    goal = SplitGoal("trap", 60.0, "trap 50 to 60 m", start=50.0)
    found = run_split("a", Split(goal, 0.8, 8.0, 13.0, 0.008))
    assert (found.value, found.sigma) == pytest.approx((12.5, 0.125))


def test_belonging__cuts_of_the_build_spoil_nothing() -> None:
    cut, other = Mark("limiter cut", 3.0, 4.0, "", 5100.0), Mark("lift", 3.0, 3.5, "")
    own = belonging({"b1": [cut, other], "b2": [cut], "b3": []}, None)
    assert own == {"b1": (cut,), "b2": (cut,), "b3": ()}
    assert belonging({"b1": [cut], "b2": [], "b3": []}, None)["b1"] == ()
    assert belonging({"b1": [cut]}, None)["b1"] == ()
    for stated, is_own in ((5000.0, True), (4900.0, False), (5300.0, False)):
        assert bool(belonging({"b1": [cut], "b2": []}, stated)["b1"]) == is_own


def test_value__sentence() -> None:
    gain = judged(runs(6.00, 6.05, 5.95, 6.02), runs(5.7, 5.76, 5.65, 5.73), label="20 to 60 m")
    same = judged(runs(2.0, 2.01, 1.99, 2.0), runs(2.01, 2.0, 1.99, 2.01), label="5 to 10 m/s")
    v = value_of([gain, same], a="A", b="B", cost=85.0, currency="GBP")
    assert v.sentence.startswith("£85 bought 0.2")
    low = -(gain.high or 0)
    assert f" (at least {low:.2f} s) from 20 to 60 m" in v.sentence
    assert v.sentence.endswith("; from 5 to 10 m/s no difference that matters")
    first = v.gains[0]
    assert first.per_unit == pytest.approx((first.gain or 0) / 85)
    assert first.per_unit_low == pytest.approx(low / 85)


def test_value__honest_words() -> None:
    a, worse = runs(6.00, 6.05, 5.95, 6.02), runs(6.4, 6.45, 6.35, 6.42)
    loss = value_of([judged(a, worse, label="60 m")], a="A", b="B", cost=20, currency="EUR")
    assert loss.sentence.startswith("€20 lost 0.40 s")
    unclear = runs(5.99, 5.75, 6.05, 5.90)
    open_ = value_of([judged(a, unclear, label="60 m")], a="A", b="B", cost=20, currency="USD")
    assert open_.sentence.startswith("$20 bought nothing that is sure yet to 60 m (")
    assert "of each would probably decide it" in open_.sentence
    alike = judged(runs(2.0, 2.01, 1.99), runs(2.01, 2.0, 1.99), label="5 m/s rollout")
    none = value_of([alike], a="A", b="B", cost=9.5, currency="CHF").sentence
    assert none == "CHF 9.50 bought nothing that matters to 5 m/s with rollout left out"
    free = value_of([judged(a, runs(5.6, 5.65, 5.55))], a="A", b="B", cost=0, currency="GBP")
    assert free.sentence.startswith("B, for nothing more, gained 0.4")
    assert free.gains[0].per_unit is None
    single = value_of([judged(runs(6), runs(5))], a="A", b="B", cost=5, currency="GBP").sentence
    assert "one run shows no spread; 2 more runs of each first" in single
    few = value_of([judged(runs(6, 6.01), runs(5, 5.01))], a="A", b="B", cost=5, currency="GBP")
    assert "provisional: 2 runs of a build" in few.sentence


def test_value__says_each_thing_once() -> None:
    a, unclear = runs(6.00, 6.05, 5.95, 6.02), runs(5.99, 5.75, 6.05, 5.90)
    same = runs(2.0, 2.01, 1.99, 2.0), runs(2.01, 2.0, 1.99, 2.01)
    won = judged(a, runs(5.7, 5.76, 5.65, 5.73), label="60 m")
    alike = [judged(*same, label=label) for label in ("5 m/s", "10 m/s")]
    open_ones = [judged(a, unclear, label=label) for label in ("20 m", "40 m")]
    said = value_of([*alike, *open_ones, won], a="A", b="B", cost=85, currency="GBP").sentence
    assert said.startswith("£85 bought 0.2")
    assert "; to 5 m/s and to 10 m/s no difference that matters; cannot tell yet to 20 m (" in said
    assert " and to 40 m (" in said
    for once in ("no difference that matters", "cannot tell yet", "would probably decide it"):
        assert said.count(once) == 1
    most = max(c.further_runs or 0 for c in open_ones)
    assert f": {most} more runs of each would" in said


def test_value__what_a_tenth_of_a_second_cost() -> None:
    """By hand: 85 for 0.29 s is 29.3 a tenth; bounded above only where the gain is sure."""
    a = runs(6.00, 6.05, 5.95, 6.02)
    sure = replace(
        judged(a, runs(5.7, 5.76, 5.65, 5.73), label="60 m"),
        is_main=True,
        difference=-0.29,
        half=0.09,
    )
    v = value_of([sure], a="A", b="B", cost=85, currency="GBP")
    assert v.notes == ("0.1 s to 60 m cost £29, between £22 and £42",)
    open_ = replace(sure, verdict=CANNOT_TELL, reason=WIDE, half=0.4)
    v = value_of([open_], a="A", b="B", cost=85, currency="GBP")
    assert v.notes == ("0.1 s to 60 m cost at least £12; the gain may be nothing",)
    alike = replace(open_, reason="order and build go together")
    assert value_of([alike], a="A", b="B", cost=85, currency="GBP").notes == ()
    assert value_of([sure], a="A", b="B", cost=0, currency="GBP").notes == ()
    lost = replace(open_, difference=0.6)
    assert value_of([lost], a="A", b="B", cost=85, currency="GBP").notes == ()


def test_value__several_parts_at_once() -> None:
    first = Build(name="A", parts=(Purchase(name="jet", price=7.0),))
    second = Build(
        name="B",
        parts=tuple(
            Purchase(name=n, price=p)
            for n, p in (("Jet", 7.0), ("filter", 26.0), ("flywheel", 48.0))
        ),
    )
    new = changes(first, second)
    assert new == ("flywheel", "filter")
    c = judged(runs(6.0, 6.1, 6.05), runs(5.5, 5.6, 5.55), label="60 m")
    (note,) = value_of([c], a="A", b="B", cost=74, currency="GBP", changes=new).notes
    assert note.startswith("2 parts changed at once from A to B: the runs cannot say which")
    assert "a build B without the flywheel" in note
    assert value_of([c], a="A", b="B", cost=74, currency="GBP", changes=new[:1]).notes == ()


def test_headline__is_the_main_figure_or_the_last_real() -> None:
    a, quick = runs(6.00, 6.05, 5.95, 6.02), runs(5.7, 5.76, 5.65, 5.73)
    early, late = judged(a, quick, label="20 m"), judged(a, quick, label="60 m")
    top = judged(runs(12.0, 12.1, 11.9), runs(14, 14.1, 13.9), label="top speed", unit="m/s")
    text = headline([early, late, top])
    assert re.fullmatch(r"Real: 0\.2\d s ± 0\.\d+ quicker to 60 m, at least 0\.\d+ s", text)
    assert headline([replace(early, is_main=True), late, top]).count(" quicker to 20 m, at least ")
    assert headline([top], "km/h").startswith("Real: 7.2 km/h ± ")
    assert headline([top]).count(" faster in top speed, at least ")
    assert headline([judged(quick, a, label="60 m")]).count(" slower to 60 m, at least ")
    same = judged(runs(2.0, 2.01, 1.99, 2.0), runs(2.01, 2.0, 1.99, 2.01), label="5 m/s")
    assert headline([same]) == "No difference that matters"
    assert headline([same, judged(runs(6), runs(5))]) == "Cannot tell yet"


def test_value__top_speed_gains_upward() -> None:
    slow, fast = runs(12.0, 12.1, 11.9), runs(14.0, 14.1, 13.9)
    c = judged(slow, fast, margin=0.3, label="top speed", unit="m/s")
    v = value_of([c], a="A", b="B", cost=10, currency="GBP", speed_unit="km/h")
    assert v.gains[0].gain == pytest.approx(2.0, abs=0.01)
    assert "£10 bought 7.2 km/h ± " in v.sentence
    assert v.sentence.endswith(" in top speed")


def test_value__money_and_steps() -> None:
    assert money(85.0, "GBP") == "£85"
    assert money(0.5, "USD") == "$0.50"
    assert steps(["A", "B"]) == (("A", "B"),)
    assert steps(["A", "B", "C"]) == (("A", "B"), ("B", "C"))
    with pytest.raises(UsageError, match="no split"):
        value_of([], a="A", b="B", cost=1, currency=None)


def test_compare__bad_input() -> None:
    with pytest.raises(UsageError, match="finite"):
        RunSplit("a", math.nan)
    with pytest.raises(UsageError, match="uncertainties"):
        RunSplit("a", 1.0, -1.0)
    with pytest.raises(UsageError, match="margin"):
        judged(runs(1.0, 1.1), runs(1.0, 1.1), margin=0.0)
