"""A day's results in every form: terminal, Markdown, CSV, JSON, plots."""

import csv
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from PIL import Image

from overlay.compare.day import compare_day
from overlay.compare.drift import drift_of
from overlay.compare.value import headline
from overlay.demo.truth import truth_of_day
from overlay.gauges.ladder import ladder_values
from overlay.gauges.palette import BUILD_HUES
from overlay.report import results_dots
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
from overlay.report.results_power import power_lines
from overlay.runs.course import Course
from overlay.runs.model import Mark
from overlay.units import mps_to_speed
from tests.gauges.closed_form import steady_pull
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
    assert (sixty["verdict"], sixty["is_main"], sixty["judged_with"]) == ("real", True, 3)
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
    assert [row["order"] for row in rows] == ["1", "2", "3", "7", "4", "5", "6"]
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
    assert "cannot tell yet" in text
    assert "its \\<log\\> \\| is empty" in text
    for heading in ("What it bought", "Cautions", "How measured"):
        assert f"**{heading}**" in text


def test_terminal__says_what_matters(results):
    text = terminal_text(results)
    assert re.search(r"a2 +A +2 +\(", text)  # left out: in brackets
    assert not re.search(r"± 0\.0+\b", text)  # no uncertainty reads as none
    for words in ("3 figures judged together", "beyond the stated 4000 rpm", "c1: not"):
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


def test_power__revs_at_top_speed_by_gearing_and_tyre(results):
    """Turns of the wheel in a minute, at the mean top speed, times the gear ratio."""
    from overlay.demo.scenario import BUILDS

    for one, build in zip(results.powers, BUILDS, strict=True):
        tops = [run.splits[-1].value for run in results.day.of_build(one.build)]
        around_m = 2 * np.pi * build.vehicle.tyre_radius_m
        expected = np.mean(tops) / around_m * 60 * build.vehicle.ratio
        assert one.top_rpm == pytest.approx(expected, rel=2e-3)


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


class Everywhere:
    """One demo day in every form: tables, sentences, JSON, CSV, plots, card, gauge."""

    def __init__(self, results: DayResults, folder: Path) -> None:
        self.results, self.figures = results, []
        (self.step,) = results.day.steps
        self.json = results_json(results)
        write_csv(folder / "r.csv", results)
        with (folder / "r.csv").open(newline="", encoding="utf-8") as file:
            self.csv = {row["run"]: row for row in csv.DictReader(file)}

        def keep(figure: Figure, part: Path) -> None:
            self.figures.append(figure)
            part.write_bytes(b"plot")

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(Figure, "savefig", keep)
            names = [path.name for path in write_plots(folder, results)]
        self.plots = dict(zip(names, self.figures, strict=True))

    def panel(self, label: str) -> Axes:
        axes = self.plots["runs-by-order.png"].axes
        return next(one for one in axes if one.get_title(loc="left") == label)


@pytest.fixture(scope="module")
def everywhere(results, tmp_path_factory) -> Everywhere:
    return Everywhere(results, tmp_path_factory.mktemp("forms"))


def test_numbers__a_difference_is_the_same_everywhere(everywhere, results):
    """Table, terminal, Markdown, JSON, sentence, card."""
    rows = {
        row[0].removesuffix(" — main"): row for row in step_table(results, everywhere.step).rows
    }
    text, markdown = terminal_text(results), markdown_text(results)
    figures = {f["label"]: f for f in everywhere.json["steps"][0]["figures"]}
    assert sum(c.half is not None for c in everywhere.step.comparisons) >= 6
    for c in everywhere.step.comparisons:
        if c.half is None:
            continue
        factor = 1.0 if c.unit == "s" else mps_to_speed(1.0, "mph")
        digits, unit = (2, "s") if c.unit == "s" else (1, "mps")
        label = c.label if c.unit == "s" else f"{c.label} (mph)"
        said = figures[c.label]
        middle = factor * said[f"difference_{unit}"]
        low, high = (factor * said[f"difference_{end}_{unit}"] for end in ("low", "high"))
        sign = "−" if round(middle, digits) < 0 else "+"
        shown = f"{sign}{abs(middle):.{digits}f} ± {(high - low) / 2:.{digits}f}"
        assert rows[label][3] == shown
        assert shown in text and shown in markdown
        assert rows[label][1].startswith(f"{factor * said['first'][f'mean_{unit}']:.{digits}f} (")
        assert said["verdict"] in rows[label][4]
    main = next(c for c in everywhere.step.comparisons if c.is_main)
    apart, half, least = (f"{x:.2f}" for x in (-main.difference, main.half, -main.high))
    sentence = everywhere.json["steps"][0]["sentence"]
    assert f"{apart} s ± {half} (at least {least} s) from 20 to 60 m" in sentence
    assert f"{sentence}." in text
    card = headline(everywhere.step.comparisons, results.unit)
    assert card == f"Real: {apart} s ± {half} quicker from 20 to 60 m, at least {least} s"
    each = figures["20 to 60 m"]
    assert each["gain_s_per_GBP"] == pytest.approx(-main.difference / 85)
    cost = everywhere.step.value.notes[0]
    assert f"cost £{8.5 / -main.difference:.0f}, between £{8.5 / -main.low:.0f}" in cost


def test_numbers__a_runs_times_are_the_same_everywhere(everywhere, results):
    """Table, CSV, JSON, and what the ladder shows when the run is over."""
    header = runs_table(results).header
    told = {run["name"]: run for run in everywhere.json["runs"]}
    for row, one in zip(runs_table(results).rows, results.day.standings, strict=True):
        run = next(run for run in results.runs if run.name == one.run)
        course = Course(
            run.kinematics, launch=run.launch, splits=run.splits, marks=run.marks, rpm=run.rpm
        )
        rungs = ladder_values(course, float(run.kinematics.t_s[-1])).rungs
        for place, split in enumerate(one.splits):
            is_speed = place == len(one.splits) - 1
            factor = mps_to_speed(1.0, "mph") if is_speed else 1.0
            shown = f"{factor * split.value:.{1 if is_speed else 2}f}"
            assert row[3 + place] == (shown if split.counted else f"({shown})")
            label = "top speed" if is_speed else header[3 + place]
            of_csv = everywhere.csv[one.run]
            assert float(of_csv[f"{label} ({'m/s' if is_speed else 's'})"]) == pytest.approx(
                split.value, abs=6e-5
            )
            assert of_csv[f"{label} counted"] == str(int(split.used))
            if is_speed:
                assert told[one.run]["top_speed_mps"] == split.value
                continue
            assert told[one.run]["splits"][place]["time_s"] == split.value
            if place < len(rungs):
                assert f"{rungs[place].time_s:.2f}" == shown


@pytest.mark.parametrize("room", [100, 3])
def test_dots__runs_are_named_in_their_places_as_far_as_there_is_room(
    results, tmp_path, monkeypatch, room
):
    run_at = {one.place: one.run for one in results.day.standings}
    longest = max(map(len, run_at.values()))
    monkeypatch.setattr(results_dots, "_CHARACTERS", room * (longest + 2))
    monkeypatch.setattr(results_dots, "saved", lambda figure, path: figure)
    (figure,) = results_dots.write_dots(tmp_path, results)
    axis = figure.axes[-1].xaxis
    named = [label.get_text() for label in axis.get_ticklabels()]
    assert named == [run_at[place] for place in axis.get_ticklocs()]
    assert len(named) == len(run_at) if room > len(run_at) else 1 < len(named) <= room


def test_numbers__plots_show_those_of_the_tables(everywhere, results):
    """Dots, means and bars; the gain's curve and band at 20 m and 60 m; peak power."""
    labels = [*(goal.label for goal in results.day.goals), "top speed"]
    for c in everywhere.step.comparisons:
        if c.verdict == "not judged":
            continue
        factor = 1.0 if c.unit == "s" else mps_to_speed(1.0, "mph")
        lines = everywhere.panel(c.label).lines
        dots = sorted(
            (line.get_xdata()[0], line.get_ydata()[0]) for line in lines if line.get_marker() == "o"
        )
        column = labels.index(c.label)
        want = sorted(
            (one.place, factor * one.splits[column].value) for one in results.day.standings
        )
        assert dots == [(place, pytest.approx(value)) for place, value in want]
        digits, unit = (2, "s") if c.unit == "s" else (1, "mph")
        apart = f"{abs(factor * c.difference):.{digits}f} ± {factor * c.half:.{digits}f} {unit}"
        title = everywhere.panel(c.label).get_title(loc="right")
        assert title == f"B less A {'−' if c.difference < 0 else '+'}{apart}: {c.verdict}"
        means = [line.get_ydata()[0] for line in lines if line.get_marker() == "_"]
        wanted = [factor * c.a.mean, factor * c.b.mean]
        assert [m for m in means if any(m == pytest.approx(w) for w in wanted)][-2:] == [
            pytest.approx(w) for w in wanted
        ]
    gain = everywhere.plots["gain-by-distance.png"].axes[0]
    curve = next(line for line in gain.lines if " on A" in str(line.get_label()))
    band = gain.collections[0].get_paths()[0].vertices
    for c in everywhere.step.comparisons:
        if c.label in ("20 m", "60 m"):
            at = float(c.label.split()[0])
            seen = float(np.interp(at, curve.get_xdata(), curve.get_ydata()))
            assert seen == pytest.approx(-c.difference, abs=3e-3)
            edge = band[np.abs(band[:, 0] - at) < 0.01, 1]
            assert (edge.min(), edge.max()) == pytest.approx((-c.high, -c.low), abs=5e-3)
    above = everywhere.plots["runs-by-order.png"].get_suptitle()
    assert above.endswith("\nA = As bought; B = Open filter, jet and free governor")
    power = everywhere.plots["power-by-speed.png"].axes[0]
    for one, told in zip(results.powers, everywhere.json["power"], strict=True):
        hp = one.peak_w / 745.69987
        assert told["peak_power_w"] == one.peak_w
        assert any(line.startswith(f"{one.build}: {hp:.1f} hp ± ") for line in power_lines(results))
        drawn = next(x for x in power.lines if str(x.get_label()).startswith(f"{one.build} ("))
        assert float(np.max(drawn.get_ydata())) == pytest.approx(hp, rel=0.02)
    assert "hp" in power.get_ylabel()


def test_day__a_drift_is_told(results):
    """Runs that get 0.02 s slower from each to the next; without drift nothing is said."""
    found = []
    for each in (0.02, 0.0):
        ones = [
            replace(
                one,
                splits=tuple(
                    replace(s, value=3.5 + each * one.place + 0.002 * (one.place % 2))
                    for s in one.splits
                ),
            )
            for one in results.day.standings
        ]
        drift = drift_of(ones, 4, "20 to 60 m", "s")
        assert drift is not None
        day = replace(results.day, standings=tuple(ones), drift=drift)
        told = run_notes(replace(results, day=day))
        found.append([note for note in told if note.startswith("The day drifted")])
        assert results_json(replace(results, day=day))["drift"]["is_seen"] == bool(found[-1])
    assert re.search(r": \+0\.0(19|20|21) s ± 0\.0\d\d from each run to the next", found[0][0])
    assert found[1] == []


def test_drift__as_statsmodels(results, rng):
    api = pytest.importorskip("statsmodels.api")
    y = rng.normal(3.5, 0.05, len(results.day.standings))
    days = [
        replace(one, splits=tuple(replace(s, value=float(v), sigma=0.0) for s in one.splits))
        for one, v in zip(results.day.standings, y, strict=True)
    ]
    used = [i for i, one in enumerate(days) if one.splits[4].used]
    table = np.array([[1.0, days[i].build == "B", days[i].place] for i in used])
    known = api.OLS(y[used], table).fit()
    found = drift_of(days, 4, "20 to 60 m", "s")
    assert found.per_run == pytest.approx(known.params[2])
    assert found.half == pytest.approx(known.params[2] - known.conf_int()[2][0])


def test_day__driven_a_then_b_says_so(results):
    """As a person drives it: nothing is decided, and one more run of A would tell."""
    listed = [said.name for said in results.sheet.runs]
    runs = [replace(run, started_s=float(listed.index(run.name))) for run in results.runs]
    day = compare_day(results.sheet, runs)
    (step,) = day.steps
    assert {c.verdict for c in step.comparisons} == {"cannot tell yet", "not judged"}
    assert "all runs of A came before all of B" in step.value.sentence
    assert "one more run of A, after B, would help most" in step.value.sentence
    assert day.order_from == "the times of the logs"
    untimed = compare_day(results.sheet, [replace(run, started_s=None) for run in runs])
    assert untimed.order_from == "the sheet's list"


def test_day__is_driven_as_a_person_would_and_says_what_was_wrong_with_it(results):
    """A A A B B B A: the drift is told, B's limiter is its own, and the truth lies inside."""
    order = sorted(results.day.standings, key=lambda one: one.place)
    assert "".join(one.build for one in order) == "AAABBBA"
    truth, (step,) = truth_of_day(len(order)), results.day.steps
    main = next(c for c in step.comparisons if c.is_main)
    assert main.verdict == "real" and main.low < truth.difference_s < main.high
    drift = results.day.drift
    assert drift.is_seen
    assert min(truth.drift_s.values()) - drift.half < drift.per_run
    assert drift.per_run < max(truth.drift_s.values()) + drift.half
    assert sum("limiter cut" in " ".join(one.notes) for one in order) == 3
    text = terminal_text(results)
    assert text.count("4400 rpm for") == text.count("the build's own limiter, counted") == 3
    assert f"The day drifted: +{drift.per_run:.3f} s" in text
    # What the plain means say is off by the drift between the builds' places.
    assert main.b.mean - main.a.mean > truth.difference_s + 0.01


def test_day__a_build_on_its_limiter_keeps_its_results(results):
    """Every run of B bounces: counted and told. One run of A does: left out."""

    def bounced(run):
        cut = Mark("limiter cut", run.launch.at_s + 1, run.launch.at_s + 2, "Bounces.", 5100.0)
        return replace(run, marks=(*run.marks, cut))

    runs = [bounced(run) if run.build == "B" or run.name == "a3" else run for run in results.runs]
    day = compare_day(results.sheet, runs)
    main = next(c for c in day.steps[0].comparisons if c.is_main)
    assert (main.a.n, main.b.n) == (2, 3)
    assert ("a3", "limiter cut") in main.a.excluded
    assert any("the build's own limiter, counted" in note for note in day.standing("b1").notes)


def test_top_speed__still_accelerating_is_told_and_not_judged(results):
    """A steady pull gains speed to its end; on its build's limiter it has reached its top speed."""
    assert results.day.steps[0].comparisons[-1].b.n == 3
    pull = steady_pull(2.0)

    def rising(run, marks=()):
        return replace(run, kinematics=pull.kinematics, launch=pull.launch, marks=marks)

    runs = [rising(run) if run.build == "B" else run for run in results.runs]
    day = compare_day(results.sheet, runs)
    top = day.steps[0].comparisons[-1]
    assert (top.verdict, top.reason) == ("not judged", "still accelerating when the driver lifted")
    assert any("is no top speed" in note for note in day.standing("b1").notes)
    cut = Mark("limiter cut", 5.0, 6.0, "Bounces.", 4400.0)
    runs = [rising(run, (cut,)) if run.build == "B" else run for run in results.runs]
    top = compare_day(results.sheet, runs).steps[0].comparisons[-1]
    assert top.b.n == 3


def test_page__one_unit_of_speed(results):
    """The sheet says mph: no figure of speed in m/s."""
    text = terminal_text(results)
    assert "m/s" not in text
    assert "mph" in text
    assert not re.search(r"[−-]0\.0+\b", text)
