"""Verdicts, further runs, spoiled runs, value and its sentence."""

import math

import numpy as np
import pytest

import overlay.compare as compare
from overlay.compare.further import Group, further_runs
from overlay.compare.value import headline, money, steps, value_of
from overlay.compare.verdict import (
    CANNOT_TELL,
    NO_DIFFERENCE,
    REAL,
    Comparison,
    Pairing,
    RunSplit,
    compare_all,
    compare_builds,
    run_split,
    summarise,
)
from overlay.errors import UsageError
from overlay.runs.model import Mark, Split, SplitGoal

GOAL = SplitGoal("distance", 60.0, "60 m")


def runs(*times: float | None, sigma: float = 0.01, common: float = 0.0) -> list[RunSplit]:
    return [RunSplit(f"r{i}", t, sigma, common) for i, t in enumerate(times)]


def judged(a: list[RunSplit], b: list[RunSplit], margin: float = 0.1, **more: str) -> Comparison:
    return compare_builds(a, b, margin=margin, **more)


def test_compare__three_verdicts() -> None:
    base = runs(6.00, 6.05, 5.95, 6.02)
    assert judged(base, runs(5.60, 5.66, 5.55, 5.63)).verdict == REAL
    same = runs(6.01, 6.04, 5.96, 6.00)
    assert judged(base, same, margin=0.2).verdict == NO_DIFFERENCE
    open_ = judged(base, runs(5.99, 5.75, 6.05, 5.90))
    assert open_.verdict == CANNOT_TELL
    assert open_.further_runs is not None
    assert open_.further_runs >= 1


def test_compare__without_uncertainty_it_is_welch() -> None:
    a, b = (6.00, 6.05, 5.95, 6.02), (5.60, 5.66, 5.55)
    c = judged(runs(*a, sigma=0), runs(*b, sigma=0))
    stats = pytest.importorskip("scipy.stats")
    reference = stats.ttest_ind(b, a, equal_var=False)
    assert c.p_differ == pytest.approx(reference.pvalue, rel=1e-9)
    interval = reference.confidence_interval()
    assert (c.low, c.high) == pytest.approx((interval.low, interval.high), rel=1e-9)


def test_compare__provably_small_difference_is_not_worth_noticing() -> None:
    c = judged(runs(6.000, 6.002, 5.998, 6.001, sigma=0), runs(5.98, 5.982, 5.979, 5.981, sigma=0))
    assert c.p_differ is not None
    assert c.p_differ < 0.01
    assert c.verdict == NO_DIFFERENCE


def test_compare__order_of_builds_only_turns_the_sign() -> None:
    a, b = runs(6.00, 6.05, 5.95, common=0.02), runs(5.9, 5.7, 5.8, common=0.01)
    one, two = judged(a, b), judged(b, a)
    assert one.difference == pytest.approx(-(two.difference or 0))
    assert one.p_differ == pytest.approx(two.p_differ)
    assert (one.low, one.high) == pytest.approx((-(two.high or 0), -(two.low or 0)))


def test_compare__scatter_is_never_below_the_measurement() -> None:
    """Two runs that agree by luck to a millisecond prove nothing beyond their measurement."""
    c = judged(runs(6.0, 6.001, sigma=0.2), runs(5.9, 5.901, sigma=0.2))
    assert c.verdict == CANNOT_TELL
    assert (c.half or 0) > 0.39


def test_compare__lag_common_to_the_day() -> None:
    a, b = runs(6.0, 6.05, 5.95, common=0.5), runs(5.6, 5.65, 5.55, common=0.5)
    assert judged(a, b).verdict == REAL
    apart = compare_builds(a, b, margin=0.1, common_correlation=0.0)
    assert apart.verdict == CANNOT_TELL
    assert (apart.half or 0) > 1.96 * math.hypot(0.5, 0.5)
    low, high = summarise(a).low, summarise(a).high
    assert low is not None
    assert high is not None
    assert (high - low) / 2 > 1.96 * 0.5


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
    a, b = runs(6.0, 6.05, 5.95, 6.0), runs(5.9, 5.95, 5.85, 5.93)
    alone = compare_builds(a, b, margin=0.01)
    assert alone.verdict == REAL
    noise = Pairing("x", runs(6.0, 6.3, 5.7), runs(6.1, 6.4, 5.6), 0.01)
    among = compare_all([Pairing("60 m", a, b, 0.01), *[noise] * 9])
    assert among[0].verdict == CANNOT_TELL
    assert among[0].judged_with == 10
    assert among[0].p_differ == alone.p_differ
    assert among[0].p_differ_adjusted == pytest.approx(10 * (alone.p_differ or 0))


def test_compare_all__split_without_runs_does_not_count() -> None:
    full = Pairing("60 m", runs(6.0, 6.05, 5.95), runs(5.5, 5.55, 5.45), 0.1)
    none = Pairing("100 m", runs(None, None), runs(8.0), 0.1)
    judged_ = compare_all([none, full])
    assert [c.verdict for c in judged_] == [CANNOT_TELL, REAL]
    assert judged_[1].judged_with == 1


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
        summary = compare_builds(a, b, margin=0.1)
        said = summary.verdict
        wrong += (said == REAL and truth == 0) or (said == NO_DIFFERENCE and truth != 0)
        assert summary.low is not None
        assert summary.high is not None
        inside += summary.low <= truth <= summary.high
    assert wrong <= 300 * 0.05 + 2 * math.sqrt(300 * 0.05 * 0.95)
    assert 0.93 - 0.025 <= inside / 300 <= 0.97 + 0.02


def test_further_runs__decide_as_often_as_they_say(rng: np.random.Generator) -> None:
    """80 % ± 5, with allowance for 120 days; tests/benchmarks/accuracy/days.py has the account.

    The claim is about days of all kinds: with one fixed scatter the share may be off either way.
    """

    def drive(mean: float, number: int) -> list[RunSplit]:
        return runs(*(mean + rng.normal(0, scatter, number)).tolist(), sigma=0.02)

    named = decided = 0
    while named < 120:
        scatter = math.exp(rng.uniform(math.log(0.04), math.log(0.15)))
        truth = float(rng.choice([0.0, rng.uniform(0, 0.1), 0.1, rng.uniform(0.1, 0.4)]))
        a, b = drive(6.0, 4), drive(6.0 - truth, 4)
        number = judged(a, b).further_runs
        if number is None:
            continue
        named += 1
        later = judged([*a, *drive(6.0, number)], [*b, *drive(6.0 - truth, number)])
        decided += later.verdict != CANNOT_TELL
    allowance = 2 * math.sqrt(0.8 * 0.2 / named)
    assert 0.75 - allowance <= decided / named <= 0.85 + allowance


def test_further_runs__fewer_for_clearer_cases() -> None:
    def wanted(apart: float, sd: float) -> int | None:
        return further_runs(
            Group(4, 6.0, sd, 0.01, 0.0), Group(4, 6.0 - apart, sd, 0.01, 0.0), margin=0.1
        )

    clear, middling = wanted(0.15, 0.1), wanted(0.08, 0.1)
    assert clear is not None
    assert middling is not None
    assert clear < middling
    assert wanted(0.05, 1.0) is None
    assert wanted(0.15, 0.1) == clear  # the same each time


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


def test_value__sentence() -> None:
    gain = judged(runs(6.00, 6.05, 5.95, 6.02), runs(5.7, 5.76, 5.65, 5.73), label="60 m")
    same = judged(runs(2.0, 2.01, 1.99, 2.0), runs(2.01, 2.0, 1.99, 2.01), label="10 m/s")
    v = value_of([gain, same], a="A", b="B", cost=85.0, currency="GBP")
    assert v.sentence.startswith("£85 bought 0.29 s ± 0.0")
    assert v.sentence.endswith(" to 60 m; to 10 m/s no difference worth noticing")
    first = v.gains[0]
    assert first.per_unit == pytest.approx((first.gain or 0) / 85)
    assert first.per_unit_low is not None
    assert first.per_unit_low < (first.per_unit or 0)


def test_value__honest_words() -> None:
    a, worse = runs(6.00, 6.05, 5.95, 6.02), runs(6.4, 6.45, 6.35, 6.42)
    loss = value_of([judged(a, worse, label="60 m")], a="A", b="B", cost=20, currency="EUR")
    assert loss.sentence.startswith("€20 lost 0.40 s")
    unclear = runs(5.99, 5.75, 6.05, 5.90)
    open_ = value_of([judged(a, unclear, label="60 m")], a="A", b="B", cost=20, currency="USD")
    assert open_.sentence.startswith("$20 bought nothing that can be told yet to 60 m (")
    assert "of each build would probably tell" in open_.sentence
    alike = judged(runs(2.0, 2.01, 1.99), runs(2.01, 2.0, 1.99), label="5 m/s rollout")
    none = value_of([alike], a="A", b="B", cost=9.5, currency="CHF").sentence
    assert none == "CHF 9.50 bought nothing worth noticing to 5 m/s with rollout left out"
    free = value_of([judged(a, runs(5.6, 5.65, 5.55))], a="A", b="B", cost=0, currency="GBP")
    assert free.sentence.startswith("B, for nothing more, gained 0.4")
    assert free.gains[0].per_unit is None
    single = value_of([judged(runs(6), runs(5))], a="A", b="B", cost=5, currency="GBP").sentence
    assert "drive 2 further runs of each build to begin with" in single


def test_value__says_each_thing_once() -> None:
    a, unclear = runs(6.00, 6.05, 5.95, 6.02), runs(5.99, 5.75, 6.05, 5.90)
    same = runs(2.0, 2.01, 1.99, 2.0), runs(2.01, 2.0, 1.99, 2.01)
    won = judged(a, runs(5.7, 5.76, 5.65, 5.73), label="60 m")
    alike = [judged(*same, label=label) for label in ("5 m/s", "10 m/s")]
    open_ones = [judged(a, unclear, label=label) for label in ("20 m", "40 m")]
    said = value_of([*alike, *open_ones, won], a="A", b="B", cost=85, currency="GBP").sentence
    assert said.startswith("£85 bought 0.29 s")
    assert (
        "; to 5 m/s and to 10 m/s no difference worth noticing; cannot tell yet to 20 m (" in said
    )
    assert " and to 40 m (" in said
    for once in ("no difference worth noticing", "cannot tell yet", "would probably tell"):
        assert said.count(once) == 1
    most = max(c.further_runs or 0 for c in open_ones)
    assert f": {most} further runs of each build" in said
    nothing = value_of(
        [judged(runs(6), runs(5), label=label) for label in ("20 m", "60 m")],
        a="A",
        b="B",
        cost=5,
        currency="GBP",
    ).sentence
    assert nothing == (
        "£5 bought nothing that can be told yet to 20 m and to 60 m: one run shows no spread: "
        "drive 2 further runs of each build to begin with"
    )


def test_headline__is_the_last_real_split_in_few_words() -> None:
    a, quick = runs(6.00, 6.05, 5.95, 6.02), runs(5.7, 5.76, 5.65, 5.73)
    early, late = judged(a, quick, label="20 m"), judged(a, quick, label="60 m")
    top = judged(runs(12.0, 12.1, 11.9), runs(14, 14.1, 13.9), label="top speed", unit="m/s")
    text = headline([early, late, top])
    assert text.startswith("Real: 0.29 s ± 0.0") and text.endswith(" quicker to 60 m")
    assert headline([top], "km/h").startswith("Real: 7.2 km/h ± ")
    assert headline([top]).endswith(" faster in top speed")
    assert headline([judged(quick, a, label="60 m")]).endswith(" slower to 60 m")
    same = judged(runs(2.0, 2.01, 1.99, 2.0), runs(2.01, 2.0, 1.99, 2.01), label="5 m/s")
    assert headline([same]) == "No difference worth noticing"
    assert headline([same, judged(runs(6), runs(5))]) == "Cannot tell yet"


def test_value__top_speed_gains_upward() -> None:
    slow, fast = runs(12.0, 12.1, 11.9), runs(14.0, 14.1, 13.9)
    c = judged(slow, fast, margin=0.3, label="top speed", unit="m/s")
    v = value_of([c], a="A", b="B", cost=10, currency="GBP", speed_unit="km/h")
    assert v.gains[0].gain == pytest.approx(2.0)
    assert "£10 bought 7.2 km/h ± " in v.sentence
    assert v.sentence.endswith(" in top speed")


def test_value__money_and_steps() -> None:
    assert money(85.0, "GBP") == "£85"
    assert money(0.5, "USD") == "$0.50"
    assert steps(["A", "B"]) == (("A", "B"),)
    assert steps(["A", "B", "C"]) == (("A", "B"), ("A", "C"), ("B", "C"))
    with pytest.raises(UsageError, match="no split"):
        value_of([], a="A", b="B", cost=1, currency=None)


def test_compare__bad_input() -> None:
    with pytest.raises(UsageError, match="finite"):
        RunSplit("a", math.nan)
    with pytest.raises(UsageError, match="uncertainties"):
        RunSplit("a", 1.0, -1.0)
    with pytest.raises(UsageError, match="margin"):
        judged(runs(1.0, 1.1), runs(1.0, 1.1), margin=0.0)
    with pytest.raises(UsageError, match="correlation"):
        compare_builds(runs(1.0, 1.1), runs(1.0, 1.2), margin=1.0, common_correlation=2.0)


def test_package__public_names() -> None:
    assert sorted(compare._MODULE_OF) == sorted(compare.__all__)
    for name in compare.__all__:
        assert getattr(compare, name).__class__.__name__ != "module"
    with pytest.raises(AttributeError):
        _ = compare.nothing_of_the_kind
