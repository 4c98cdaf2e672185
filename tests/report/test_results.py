"""A day's results in every form: terminal, Markdown, CSV, JSON, plots."""

import csv
import json
import re
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from overlay.compare.day import compare_day, traces_of
from overlay.compare.value import headline
from overlay.compare.where import time_by_distance
from overlay.gauges.palette import BUILD_HUES
from overlay.report.results import (
    DayResults,
    judged_day,
    markdown_text,
    run_notes,
    runs_table,
    step_table,
    terminal_text,
    verdict_text,
)
from overlay.report.results_data import results_json, write_csv
from overlay.report.results_plots import write_plots
from overlay.runs.model import Mark
from tests.jobs.simulated import simulated_day


@pytest.fixture(scope="module")
def results(tmp_path_factory) -> DayResults:
    day = simulated_day(tmp_path_factory.mktemp("simulated"))
    return judged_day(day.sheet, day.runs, (("c1", "its <log> | is empty"),))


def every_key(value):
    if isinstance(value, dict):
        for key, item in value.items():
            yield key, item
            yield from every_key(item)
    elif isinstance(value, list):
        for item in value:
            yield from every_key(item)


def test_json__every_measured_number_has_its_unit_in_the_key(results):
    said = results_json(results)
    json.dumps(said, allow_nan=False)
    bare = {"level", "runs", "judged_with", "cost", "factor", "further_runs_of_each"}
    bare |= {"p_differ_adjusted", "p_alike_adjusted", "order", "way"}
    units = re.compile(r"_(s|mps|m|kg|percent|deg|rpm|w|n|(s|mps)_per_GBP)$|^distance_m$|rpm$")
    numbers = [
        key
        for key, item in every_key(said)
        if isinstance(item, int | float) and not isinstance(item, bool)
    ]
    assert len(numbers) > 100
    assert not {key for key in numbers if key not in bare and not units.search(key)}


def test_json__holds_verdicts_and_reasons(results):
    said = results_json(results)
    (step,) = said["steps"]
    assert (step["from"], step["to"], step["cost"], step["currency"]) == ("A", "B", 85.0, "GBP")
    told = next(one for one in step["figures"] if one["label"] == "60 m")
    assert (told["verdict"], told["reason"]) == ("not judged", "counts from the first movement")
    assert told["p_differ_adjusted"] is None
    sixty = next(one for one in step["figures"] if one["label"] == "20 to 60 m")
    assert (sixty["verdict"], sixty["is_main"], sixty["judged_with"]) == ("real", True, 2)
    assert sixty["difference_low_s"] < sixty["difference_s"] < sixty["difference_high_s"] < 0
    assert sixty["gain_s_per_GBP"] == pytest.approx(-sixty["difference_s"] / 85)
    assert sixty["first"]["left_out"] == [{"run": "a2", "reason": "wheelspin"}]
    assert said["not_worked_out"][0]["run"] == "c1"


def test_csv__one_row_a_run_with_units(results, tmp_path):
    write_csv(tmp_path / "r.csv", results)
    with (tmp_path / "r.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["run"] for row in rows] == ["a1", "a2", "a3", "a4", "b1", "b2", "b3"]
    assert {"60 m (s)", "60 m sigma (s)", "60 m counted", "top speed (m/s)"} <= set(rows[0])
    assert [row["60 m counted"] for row in rows] == ["1", "0", "1", "1", "1", "1", "1"]
    assert [row["order"] for row in rows] == ["1", "3", "5", "7", "2", "4", "6"]
    assert float(rows[0]["60 m (s)"]) == pytest.approx(results.runs[0].splits[3].time_s, abs=1e-4)


def test_markdown__tables_are_whole(results):
    text = markdown_text(results)
    blocks = re.findall(r"(?:^\|.*\n)+", text, flags=re.MULTILINE)
    assert len(blocks) == 2
    for block in blocks:
        # An escaped bar is text, not a border.
        cells = {len(re.split(r"(?<!\\)\|", line)) for line in block.splitlines()}
        assert len(cells) == 1
    assert "£85 bought" in text
    assert "no difference that matters" in text
    assert "its \\<log\\> \\| is empty" in text
    for heading in ("What it bought", "Cautions", "How measured"):
        assert f"**{heading}**" in text


def test_terminal__says_what_matters(results):
    text = terminal_text(results)
    assert re.search(r"a2 +A +3 +\(", text)  # left out: in brackets
    assert not re.search(r"± 0\.0+\b", text)  # no uncertainty reads as none
    for words in ("2 figures judged together", "beyond the stated 4000 rpm", "c1: not"):
        assert words in text
    assert not any(line.rstrip() != line for line in text.splitlines())


def test_terminal__open_verdict_names_the_runs_that_would_tell(results):
    few = [run for run in results.runs if run.name in ("a1", "b1")]
    (step,) = compare_day(results.sheet, few).steps
    assert verdict_text(step.comparisons[4]) == "cannot tell yet (2 more runs of each first)"
    assert verdict_text(step.comparisons[0]) == "not judged: counts from the first movement"


def test_power__close_to_the_simulated_engine(results):
    """Torque times revs, less the driveline's 8 %, of the demo's engines (their own figures)."""
    from overlay.demo.scenario import BUILDS
    from overlay.demo.vehicle import RPM_PER_RADPS

    for one, build in zip(results.powers, BUILDS, strict=True):
        vehicle = build.vehicle
        torque = np.interp(one.at_rpm, vehicle.torque_rpm, vehicle.torque_nm)
        true_w = vehicle.efficiency * torque * one.at_rpm / RPM_PER_RADPS
        assert abs(one.peak_w - true_w) < one.half_w
    assert results.powers[1].peak_w > results.powers[0].peak_w


def test_plots__have_both_hues(results, tmp_path):
    plots = write_plots(tmp_path, results)
    assert [plot.name for plot in plots] == [
        "runs-by-order.png",
        "speed-by-distance.png",
        "acceleration-by-speed.png",
        "gain-by-distance.png",
        "power-by-speed.png",
    ]
    for plot in (*plots[:3], plots[4]):
        pixels = np.asarray(Image.open(plot).convert("RGB")).astype(int)
        for hue in BUILD_HUES[:2]:
            assert np.sum(np.all(np.abs(pixels - np.array(hue)) < 6, axis=-1)) > 300


def test_notes__say_why_a_figure_is_missing(results):
    run = results.runs[0]
    cut = replace(run.splits[-1], time_s=None, sigma_s=None, at_s=None, reason="not reached")
    short = replace(run, splits=(*run.splits[:-1], cut))
    runs = (short, *results.runs[1:])
    told = run_notes(replace(results, runs=runs, day=compare_day(results.sheet, runs)))
    assert f"{cut.goal.label}: none in {run.name}: not reached" in told


@pytest.mark.parametrize("name", ["=1+1", "+1", "-1", "@SUM(A1)"])
def test_csv__no_name_is_a_formula(results, tmp_path, name):
    """OWASP, "CSV Injection": a cell that starts with = + - @ is run by spreadsheets."""
    first = replace(results.day.standings[0], run=name, build=name)
    day = replace(results.day, standings=(first,))
    write_csv(tmp_path / "r.csv", replace(results, day=day))
    with (tmp_path / "r.csv").open(newline="") as file:
        (row,) = csv.DictReader(file)
    assert row["run"] == row["build"] == f"'{name}"


def test_numbers__are_the_same_everywhere(results):
    """One figure and its interval: table, sentence, JSON and the curve at that distance."""
    (step,) = results.day.steps
    by_label = {c.label: c for c in step.comparisons}
    main = by_label["20 to 60 m"]
    half, apart = f"{main.half:.2f}", f"{-main.difference:.2f}"
    (row,) = (r for r in step_table(results, step).rows if r[0].startswith("20 to 60 m"))
    assert row[3] == f"−{apart} ± {half}"
    assert (
        f"{apart} s ± {half} (at least {-main.high:.2f} s) from 20 to 60 m" in step.value.sentence
    )
    figures = {f["label"]: f for f in results_json(results)["steps"][0]["figures"]}
    assert figures["20 to 60 m"]["difference_s"] == main.difference
    assert figures["20 to 60 m"]["difference_low_s"] == main.low
    assert headline(step.comparisons, "mph") == f"Real: {apart} s ± {half} quicker from 20 to 60 m"
    sides = [traces_of(results.day, results.runs, build) for build in ("A", "B")]
    where = time_by_distance(*sides)
    for label in ("20 m", "60 m"):
        at = int(np.argmin(np.abs(where.x - float(label.split()[0]))))
        assert where.difference.mean[at] == pytest.approx(by_label[label].difference, abs=2e-3)
        ends = where.difference.low[at], where.difference.high[at]
        assert ends == pytest.approx((by_label[label].low, by_label[label].high), abs=3e-3)
    times = [one.splits[4].value for one in results.day.of_build("B")]
    assert [float(r[7]) for r in runs_table(results).rows[4:]] == pytest.approx(times, abs=5e-3)
    assert main.b.mean == pytest.approx(np.mean(times))


def test_day__driven_a_then_b_says_so(results):
    """As a person drives it: nothing is decided, and one more run of A would tell."""
    listed = [said.name for said in results.sheet.runs]
    runs = [replace(run, started_s=float(listed.index(run.name))) for run in results.runs]
    day = compare_day(results.sheet, runs)
    (step,) = day.steps
    assert {c.verdict for c in step.comparisons} == {"cannot tell yet", "not judged"}
    assert "all runs of A came before all of B" in step.value.sentence
    assert "one more run of A, after B, would tell most" in step.value.sentence
    assert day.order_from == "the times of the logs"
    untimed = compare_day(results.sheet, [replace(run, started_s=None) for run in runs])
    assert untimed.order_from == "the sheet's list"


def test_day__a_build_on_its_limiter_keeps_its_results(results):
    """Every run of B bounces: counted and told. One run of A does: left out."""

    def bounced(run):
        cut = Mark("limiter cut", run.launch.at_s + 1, run.launch.at_s + 2, "Bounces.", 5100.0)
        return replace(run, marks=(*run.marks, cut))

    runs = [bounced(run) if run.build == "B" or run.name == "a1" else run for run in results.runs]
    day = compare_day(results.sheet, runs)
    main = next(c for c in day.steps[0].comparisons if c.is_main)
    assert (main.a.n, main.b.n, main.verdict) == (2, 3, "real")
    assert main.is_provisional
    assert ("a1", "limiter cut") in main.a.excluded
    assert any("the build's own limiter, counted" in note for note in day.standing("b1").notes)


def test_top_speed__still_accelerating_is_told_and_not_judged(results):
    top = results.day.steps[0].comparisons[-1]
    assert (top.verdict, top.reason) == ("not judged", "still accelerating when the driver lifted")
    assert any("is no top speed" in note for note in results.day.standing("b1").notes)


def test_page__one_unit_of_speed(results):
    """The sheet says mph: no figure of speed in m/s but the goals that the sheet itself names."""
    text = terminal_text(results)
    for goal in ("5 to 10 m/s", "5 m/s", "10 m/s"):
        text = text.replace(goal, "")
    assert "m/s" not in text
    assert "mph" in text
    assert not re.search(r"[−-]0\.0+\b", text)
