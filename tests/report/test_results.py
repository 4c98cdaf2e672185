"""A day's results in every form: terminal, Markdown, CSV, JSON, plots, page."""

import csv
import io
import json
import re
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from overlay.compare.day import compare_day
from overlay.compare.day_power import powers_of
from overlay.gauges.palette import BUILD_HUES
from overlay.report.results import (
    DayResults,
    markdown_text,
    run_notes,
    terminal_text,
    verdict_text,
)
from overlay.report.results_data import results_json, write_csv
from overlay.report.results_page import page_text
from overlay.report.results_plots import write_plots
from tests.jobs.simulated import simulated_day


@pytest.fixture(scope="module")
def results(tmp_path_factory) -> DayResults:
    day = simulated_day(tmp_path_factory.mktemp("simulated"))
    found = compare_day(day.sheet, day.runs)
    powers = powers_of(day.sheet, found, day.runs)
    return DayResults(day.sheet, day.runs, found, powers, (("c1", "its <log> | is empty"),))


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
    bare |= {"p_differ_adjusted", "p_alike_adjusted"}
    units = re.compile(r"_(s|mps|m|rpm|w|n|(s|mps)_per_GBP)$|^distance_m$|rpm$")
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
    sixty = next(one for one in step["figures"] if one["label"] == "60 m")
    assert sixty["verdict"] == "real"
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
    assert "no difference worth noticing" in text
    assert "its \\<log\\> \\| is empty" in text
    for heading in ("What it bought", "Cautions", "How measured"):
        assert f"**{heading}**" in text


def test_terminal__says_what_matters(results):
    text = terminal_text(results)
    assert re.search(r"a2 +A +\(", text)  # left out: in brackets
    assert not re.search(r"± 0\.0+\b", text)  # no uncertainty reads as none
    for words in ("Holm's step-down over 5 figures", "beyond the stated 4000 rpm", "c1: not"):
        assert words in text
    assert not any(line.rstrip() != line for line in text.splitlines())


def test_terminal__open_verdict_names_the_runs_that_would_tell(results):
    few = [run for run in results.runs if run.name in ("a1", "b1")]
    (step,) = compare_day(results.sheet, few).steps
    assert (
        verdict_text(step.comparisons[0]) == "cannot tell yet (2 more runs of each would begin it)"
    )


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
        "speed-by-distance.png",
        "acceleration-by-speed.png",
        "gain-by-distance.png",
        "power-by-speed.png",
    ]
    for plot in (plots[0], plots[1], plots[3]):
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


def test_page__is_one_safe_file(results):
    png = io.BytesIO()
    Image.new("RGB", (4, 4)).save(png, "PNG")
    text = page_text(results, [("speed-by-distance", png.getvalue())])
    assert text.count("<table>") == 2 and text.count("<img") == 1
    assert not re.search(r"(src|href)=\"(?!data:)", text)
    assert "its &lt;log&gt; | is empty" in text and "<log>" not in text
    assert "£85 bought" in text


@pytest.mark.parametrize("name", ["=1+1", "+1", "-1", "@SUM(A1)"])
def test_csv__no_name_is_a_formula(results, tmp_path, name):
    """OWASP, "CSV Injection": a cell that starts with = + - @ is run by spreadsheets."""
    first = replace(results.day.standings[0], run=name, build=name)
    day = replace(results.day, standings=(first,))
    write_csv(tmp_path / "r.csv", replace(results, day=day))
    with (tmp_path / "r.csv").open(newline="") as file:
        (row,) = csv.DictReader(file)
    assert row["run"] == row["build"] == f"'{name}"
