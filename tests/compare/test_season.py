"""Builds over several days: through a baseline, by the scatter of days, or not at all."""

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from overlay.compare.day import DayComparison
from overlay.compare.figures import CANNOT_TELL, REAL, Comparison, RunSplit
from overlay.compare.season import BETWEEN, DAYS, WITHIN, SeasonDay, SeasonStep, season_of
from overlay.compare.standing import Standing
from overlay.errors import MismatchError
from overlay.report.season import season_json, season_text
from overlay.runs import parse_goal
from overlay.sheet import load_sheet

MAIN = "20 to 60 m"
Make = Callable[..., SeasonDay]


@pytest.fixture
def make(tmp_path: Path) -> Make:
    def day(
        name: str, order: str, times: list[float], *, about: str = "", goal: str = MAIN
    ) -> SeasonDay:
        """A day with a run of each build in the order given, all measured to a hair."""
        text = '[report]\nspeed_unit = "mph"\nworth_noticing_s = 0.1\n'
        for build in dict.fromkeys(order):
            text += f'[[builds]]\nname = "{build}"\nabout = "{about or build}"\n'
        text += f'[[runs]]\nname = "x"\nbuild = "{order[0]}"\nclip = "x.mp4"\nlogs = ["x.gpx"]\n'
        path = tmp_path / f"{name}.toml"
        path.write_text(text, encoding="utf-8")
        standings = tuple(
            Standing(
                f"{build}{i}",
                build,
                (
                    RunSplit(f"{build}{i}", t, 0.001, place=i),
                    RunSplit(f"{build}{i}", None, counted=False, place=i),
                ),
                i,
            )
            for i, (build, t) in enumerate(zip(order, times, strict=True), 1)
        )
        goals = (parse_goal(goal),)
        compared = DayComparison(goals, standings, (), None, (), "the sheet")
        return SeasonDay(name, load_sheet(path, files=False), compared)

    return day


def main_of(step: SeasonStep) -> Comparison:
    return next(c for c in step.comparisons if c.is_main)


def test_season__through_a_baseline_on_each_day(make: Make) -> None:
    """C less A on one day, B less A on another that is 0.5 s slower: C less B by hand -0.3 s."""
    first = make("may", "ABABAB", [6.0, 5.8, 6.02, 5.81, 5.99, 5.79])
    second = make("june", "ACCAAC", [6.5, 6.0, 6.01, 6.52, 6.49, 5.99])
    season = season_of([first, second])
    assert [(s.a, s.b) for s in season.steps] == [("A", "B"), ("B", "C")]
    assert season.steps[0].how == WITHIN
    assert season.steps[1].how == "through A, run again"
    c = main_of(season.steps[1])
    by_hand = (np.mean([6.0, 6.01, 5.99]) - np.mean([6.5, 6.52, 6.49])) - (
        np.mean([5.8, 5.81, 5.79]) - np.mean([6.0, 6.02, 5.99])
    )
    assert c.difference == pytest.approx(by_hand, abs=0.01)
    assert c.verdict == REAL
    assert (c.a.n, c.b.n, c.judged_with) == (3, 3, 2)
    assert main_of(season.steps[0]).difference == pytest.approx(-0.203, abs=0.01)


def test_season__without_a_baseline_the_scatter_of_days_counts(make: Make) -> None:
    """Student's t on the means of the days: here scipy's, of 6.0, 6.4, 6.2 and 5.3, 5.5."""
    days = [
        make(f"d{i}", build * 3, [mean - 0.01, mean, mean + 0.01])
        for i, (build, mean) in enumerate(
            (("A", 6.0), ("A", 6.4), ("A", 6.2), ("B", 5.3), ("B", 5.5))
        )
    ]
    (step,) = season_of(days).steps
    assert step.how == BETWEEN
    c = main_of(step)
    known = stats.ttest_ind([5.3, 5.5], [6.0, 6.4, 6.2])
    low, high = known.confidence_interval()
    assert c.p_differ == pytest.approx(known.pvalue, rel=0.02)
    assert (c.low, c.high) == pytest.approx((low, high), abs=0.01)
    assert c.verdict == REAL


def test_season__days_and_builds_that_cannot_be_told_apart(make: Make) -> None:
    """However large the difference and however alike each day's runs."""
    days = [make("may", "AAAA", [6.0, 6.01, 6.0, 6.02]), make("june", "BBBB", [5.0, 5.01, 5, 5.02])]
    (step,) = season_of(days).steps
    c = main_of(step)
    assert (step.how, c.verdict, c.reason) == (DAYS, CANNOT_TELL, DAYS)
    assert c.remedy.startswith("run A and B in turns on one day")
    assert c.difference is None
    text = season_text(season_of(days))
    assert DAYS in text and "B (B) against A (A)" in text


def test_season__a_build_that_came_first_on_every_day_says_nothing(make: Make) -> None:
    days = [make(d, "AABB", [6.0, 6.01, 5.5, 5.51]) for d in ("may", "june", "july")]
    (step,) = season_of(days).steps
    c = main_of(step)
    assert c.verdict == CANNOT_TELL
    assert c.reason.startswith("all runs of A came before all of B")
    turned = [*days[:2], make("august", "BBAA", [5.5, 5.51, 6.0, 6.01])]
    assert season_of(turned).steps[0].how == BETWEEN


def test_season__false_findings_and_coverage(make: Make) -> None:
    """Days 0.3 s apart that drift by 0.03 s a run, nothing between B and C: at most 5 %."""
    rng = np.random.default_rng(77)
    wrong = inside = total = 0
    for _ in range(60):
        days = []
        for name, order in (("may", "ABBAAB"), ("june", "ACACCA")):
            level, drift = rng.normal(6, 0.3), rng.normal(0, 0.03)
            days.append(
                make(name, order, [level + drift * i + rng.normal(0, 0.04) for i in range(6)])
            )
        c = main_of(season_of(days).steps[1])
        total += 1
        wrong += c.verdict == REAL
        inside += (c.low or 0.0) <= 0.0 <= (c.high or 0.0)
    assert wrong <= total * 0.05 + 2 * math.sqrt(total * 0.05 * 0.95)
    assert inside >= 0.93 * total - 2 * math.sqrt(total * 0.07 * 0.93)


def test_season__what_does_not_belong_together_is_refused(make: Make) -> None:
    one, other = (
        make("may", "AB", [6.0, 5.8]),
        make("june", "AB", [6.0, 5.8], about="free governor"),
    )
    with pytest.raises(MismatchError, match="one name in all sheets"):
        season_of([one, other])
    apart = make("july", "AB", [6.0, 5.8], goal="10 to 50 m")
    with pytest.raises(MismatchError, match="no figure in common"):
        season_of([one, apart])


def test_season__json_and_table_say_the_same(make: Make) -> None:
    days = [
        make("may", "ABABAB", [6.0, 5.8, 6.02, 5.81, 5.99, 5.79]),
        make("june", "ABBAAB", [6.5, 6.31, 6.3, 6.52, 6.49, 6.28]),
    ]
    season = season_of(days)
    said = season_json(season)
    (figure, top) = said["steps"][0]["figures"]
    assert (said["steps"][0]["compared"], figure["label"]) == (WITHIN, MAIN)
    assert top["verdict"] == CANNOT_TELL
    half = (figure["difference_high_s"] - figure["difference_low_s"]) / 2
    assert f"−{-figure['difference_s']:.2f} ± {half:.2f}" in season_text(season)
    assert "2 figures" not in season_text(season)
    assert "A (3), B (3)" in season_text(season)
    assert season_text(season).startswith("Builds driven on each day (runs); A = A; B = B\n")
