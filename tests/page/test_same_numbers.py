"""One demo day: what the sent page, the gauges and the cards say is what the JSON says."""

import html
import json
import re

import numpy as np
import pytest

from overlay.compare.figures import REAL
from overlay.gauges.comb import comb_values
from overlay.gauges.gapbar import gap_values
from overlay.gauges.ladder import ladder_values
from overlay.gauges.ribbon import ribbon_values
from overlay.jobs.day_reel import _build_words, _value_lines, _verdict
from overlay.page.sent import Films, page_text
from overlay.report.results import DayResults
from overlay.report.results_data import results_json
from overlay.runs.course import Course
from tests.page.days import evidence_for, results_for

MPH = 0.44704  # m/s, exact: NIST SP 811 (2008), appendix B.8
HORSEPOWER_W = 745.6999  # NIST SP 811 (2008), appendix B.8


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> DayResults:
    return results_for(tmp_path_factory.mktemp("simulated"), 3)


@pytest.fixture(scope="module")
def said(results: DayResults) -> dict:
    """What everything is held against."""
    return results_json(results)


@pytest.fixture(scope="module")
def page(results: DayResults) -> str:
    text = page_text(results, evidence_for(results), Films())
    return html.unescape(text.replace("\u00a0", " "))


def tables(page: str) -> list[list[list[str]]]:
    """Rows of cells of each table, the header first."""
    found = re.findall(r"<table>(.*?)</table>", page, re.DOTALL)
    rows = [re.findall(r"<tr>(.*?)</tr>", one, re.DOTALL) for one in found]
    cell = re.compile(r"<t[hd][^>]*>(.*?)</t[hd]>", re.DOTALL)
    return [
        [[re.sub(r"<.*?>", "", c).strip() for c in cell.findall(row)] for row in one]
        for one in rows
    ]


def charts(page: str) -> dict[str, dict]:
    data = re.search(r'<script type="application/json" id="data">(.*?)</script>', page, re.DOTALL)
    assert data is not None
    found: dict[str, dict] = json.loads(data[1])["charts"]
    return found


def number(text: str) -> float:
    return float(text.replace("−", "-").strip("()+"))


def test_page__table_of_the_builds(page: str, said: dict) -> None:
    (header, *rows) = tables(page)[0]
    assert header[:4] == ["figure", "A", "B", "difference"]
    figures = {one["label"]: one for one in said["steps"][0]["figures"]}
    assert len(rows) == len(figures)
    for row in rows:
        label = row[0].removesuffix(" — main").removesuffix(" (mph)")
        one, is_speed = figures[label], label == "top speed"
        unit, factor, digits = ("mps", 1 / MPH, 1) if is_speed else ("s", 1.0, 2)
        for cell, side in ((row[1], "first"), (row[2], "second")):
            mean, runs = cell.split(" ")
            assert mean == f"{factor * one[side][f'mean_{unit}']:.{digits}f}"
            assert runs == f"({one[side]['runs']})"
        middle, half = map(number, row[3].split(" ± "))
        low, high = (factor * one[f"difference_{end}_{unit}"] for end in ("low", "high"))
        assert middle == pytest.approx((low + high) / 2, abs=0.51 * 10**-digits)
        assert half == pytest.approx((high - low) / 2, abs=0.51 * 10**-digits)
        assert row[4].startswith(one["verdict"])
        if one["verdict"] == REAL and not is_speed:
            per_pound_ms = 1000 * one["gain_s_per_GBP"]
            assert row[5].startswith(f"{per_pound_ms:.1f} ms (")


def test_page__table_and_dots_of_the_runs(page: str, said: dict) -> None:
    header, *rows = tables(page)[1]
    runs = {run["name"]: run for run in said["runs"]}
    for row in rows:
        run = runs[row[0]]
        assert int(row[header.index("run") + 2]) == run["order"]
        for split in run["splits"]:
            shown = row[header.index(split["label"])]
            assert shown.strip("()") == f"{split['time_s']:.2f}"
        assert number(row[-1]) == pytest.approx(run["top_speed_mps"] / MPH, abs=0.051)
    drawn = charts(page)
    for one in said["steps"][0]["figures"]:
        if one["verdict"] == "not judged":
            continue
        spec = drawn[f"runs-{one['label']}"]
        is_speed = one["label"] == "top speed"
        for place, name in enumerate(spec["shown_x"]):
            points = [line["values"].split(" ")[place] for line in spec["series"]]
            (shown,) = (text for text in points if text != "_")
            true = (
                runs[name]["top_speed_mps"] / MPH
                if is_speed
                else next(s["time_s"] for s in runs[name]["splits"] if s["label"] == one["label"])
            )
            assert float(shown) == pytest.approx(true, abs=0.051 if is_speed else 0.0051)
        means = {bar["label"]: bar["y"] for bar in spec["bars"]}
        for build, side in (("A", "first"), ("B", "second")):
            mean = one[side]["mean_mps"] / MPH if is_speed else one[side]["mean_s"]
            assert means[build] == pytest.approx(mean, abs=1e-3)


def test_page__gain_power_sentence_and_drift(page: str, said: dict) -> None:
    drawn, (step,) = charts(page), said["steps"]
    assert f"{step['sentence']}." in page
    gain = drawn["gain-A-B"]
    x = [float(word) for word in gain["x"]["values"].split(" ")]
    for one in step["figures"]:
        if one["label"] in ("20 m", "60 m"):
            at = x.index(float(one["label"].split()[0]))
            shown = [float(gain["series"][0][key].split(" ")[at]) for key in ("values", "low")]
            wanted = (-one["difference_s"], -one["difference_high_s"])
            assert shown == pytest.approx(wanted, abs=0.0151)  # the curve reads between its points
    for one in said["power"]:
        assert f"{one['build']}: {one['peak_power_w'] / HORSEPOWER_W:.1f} hp ± " in page
    assert f"The day drifted: +{said['drift']['from_run_to_run_s']:.3f} s" in page


def course_of(results: DayResults, name: str) -> Course:
    run = next(run for run in results.runs if run.name == name)
    return Course(
        run.kinematics, launch=run.launch, splits=run.splits, marks=run.marks, rpm=run.rpm
    )


def test_gauges__hold_the_figures_of_the_runs(results: DayResults, said: dict) -> None:
    """Ribbon at the top speed, ladder at the end, comb within the cuts."""
    for one, run in zip(said["runs"], (run for run in results.day.standings), strict=True):
        course = course_of(results, run.run)
        day_run = next(found for found in results.runs if found.name == run.run)
        top = ribbon_values(course, day_run.top.at_s)
        assert top.speed_mps == pytest.approx(one["top_speed_mps"], abs=1e-6)
        rungs = ladder_values(course, float(day_run.kinematics.t_s[-1])).rungs
        times = [split["time_s"] for split in one["splits"][: len(rungs)]]
        assert [rung.time_s for rung in rungs] == pytest.approx(times)
        cuts = [mark for mark in day_run.marks if mark.kind == "limiter cut"]
        assert bool(cuts) == (one["build"] == "B")
        for cut in cuts:
            middle = comb_values(course, (cut.start_s + cut.end_s) / 2)
            assert middle.is_cutting
            assert middle.engine_rpm == pytest.approx(4400, rel=0.03)  # of B's stated limiter


def test_gauges__gap_is_the_difference_of_the_two_runs(results: DayResults, said: dict) -> None:
    """At the instant at which the later one covers 60 m; the later one was b1, then a4."""
    times = {
        run["name"]: {split["label"]: split["time_s"] for split in run["splits"]}
        for run in said["runs"]
    }
    for first, second in (("a1", "b1"), ("a4", "b1")):
        at_s = max(times[first]["60 m"], times[second]["60 m"])
        gap = gap_values(course_of(results, first), course_of(results, second), at_s)
        assert gap.gap_s == pytest.approx(times[second]["60 m"] - times[first]["60 m"], abs=2e-3)
        assert np.sign(gap.gap_m) == np.sign(gap.gap_s)


def test_cards__say_what_the_json_says(results: DayResults, said: dict) -> None:
    (step,) = said["steps"]
    main = next(one for one in step["figures"] if one["is_main"])
    gain, half = -main["difference_s"], (main["difference_high_s"] - main["difference_low_s"]) / 2
    assert _verdict(results) == (
        f"Real: {gain:.2f} s ± {half:.2f} quicker from 20 to 60 m, "
        f"at least {-main['difference_high_s']:.2f} s"
    )
    assert "; ".join(_value_lines(results)).casefold() == step["sentence"].casefold()
    words = [_build_words(build) for build in results.sheet.builds]
    assert words[1].endswith(f"£{step['cost']:.0f}")
