"""The page of a day: its figures, its one file, its safety, and how it works in a browser."""

import base64
import csv
import html
import io
import json
import re
import time
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from overlay.compare.where import Trace
from overlay.jobs.day_page import plans_of
from overlay.page.chart import chart_csv
from overlay.page.day_charts import _speed, day_charts
from overlay.page.evidence import sync_chart, sync_notes, sync_sentence
from overlay.page.next_view import gearing_chart
from overlay.page.sent import Films, Plans, page_text, write_page
from overlay.report.next_text import next_parts
from overlay.report.results import DayResults, runs_table, step_table
from overlay.sheet import Candidate
from overlay.sync.model import Alignment, ChannelTiming
from tests.gauges.closed_form import steady_pull
from tests.page.browser import chromium, quiet_page, serious, wait_until
from tests.page.days import evidence_for, results_for
from tests.page.numbered import write_numbered

MPH = 0.44704  # m/s, exact: NIST SP 811 (2008), appendix B.8
RUNS, SIZE_BAR, BUILD_BAR_S = 12, 5 * 2**20, 10.0
WILD = ["<script>alert(1)</script>", "=1+1", "\"'&><img src=x onerror=alert(1)>"]


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> DayResults:
    return results_for(tmp_path_factory.mktemp("simulated"), 3)


def numbers(text: str) -> list[float]:
    return [float("nan") if word == "_" else float(word) for word in text.split(" ")]


class Parts(HTMLParser):
    """Tags, what they point to, and what stands in them."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.links: list[str] = []
        self.downloads: dict[str, str] = {}
        self.attributes: set[str] = set()
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        said = dict(attrs)
        self.attributes |= set(said)
        self.links += [str(said[name]) for name in ("href", "src") if name in said]
        if "download" in said:
            data = str(said["href"]).partition("base64,")[2]
            self.downloads[str(said["download"])] = base64.b64decode(data).decode()


# -- figures -------------------------------------------------------------------------------------


def test_dots__are_the_figures_of_the_table(results: DayResults) -> None:
    spec = next(one for one in day_charts(results) if one["name"] == "runs-20 to 60 m")
    table = runs_table(results)
    column = table.header.index("20 to 60 m")
    written = {row[0]: row[column] for row in table.rows}
    assert spec["shown_x"] == ["a1", "a2", "a3", "b1", "b2", "b3", "a4"]  # the order driven
    kinds = {one["label"]: one for one in spec["series"]}
    assert set(kinds) == {"A", "A, left out", "B"}
    for place, run in enumerate(spec["shown_x"]):
        label = "A, left out" if run == "a2" else run[0].upper()
        shown = kinds[label]["values"].split(" ")[place]
        assert shown == written[run].strip("()")
    assert kinds["A, left out"]["kind"] == "rings"
    (step,) = results.day.steps
    main = next(c for c in step.comparisons if c.label == "20 to 60 m")
    bars = {bar["label"]: bar for bar in spec["bars"]}
    assert bars["B"]["y"] == pytest.approx(main.b.mean, abs=1e-4)
    assert bars["B"]["high"] - bars["B"]["y"] == pytest.approx(main.b.half, abs=2e-4)
    assert spec["level"]["to"] == pytest.approx(main.a.mean + main.margin, abs=1e-4)


def test_gain__at_a_distance_is_the_difference_in_the_table(results: DayResults) -> None:
    spec = next(one for one in day_charts(results) if one["name"].startswith("gain"))
    (step,) = results.day.steps
    (row,) = (row for row in step_table(results, step).rows if row[0] == "60 m")
    at = numbers(spec["x"]["values"]).index(60.0)
    (line,) = spec["series"]
    middle, low, high = (numbers(line[key])[at] for key in ("values", "low", "high"))
    assert row[3].startswith(f"−{middle:.2f} ± ")  # B is quicker, so it gains
    half = float(row[3].partition("± ")[2])
    assert (low, high) == pytest.approx((middle - half, middle + half), abs=0.011)


def test_speed__is_that_of_a_steady_pull(results: DayResults) -> None:
    k = steady_pull(2.0).kinematics
    traces = {"A": (Trace(k, 2.0), Trace(k, 2.0))}
    spec = _speed(results, traces)
    at = numbers(spec["x"]["values"]).index(20.0)
    shown = numbers(spec["series"][0]["values"])[at]
    assert shown == pytest.approx((2 * 2.0 * 20.0) ** 0.5 / MPH, abs=0.06)  # v² = 2 a s
    assert (spec["y"]["unit"], spec["x"]["unit"]) == ("mph", "m")


def test_revs__follow_the_log_and_show_the_spin(results: DayResults) -> None:
    spec = next(one for one in day_charts(results) if one["name"] == "revs-by-speed")
    lines = {one["label"]: numbers(one["values"]) for one in spec["series"]}
    speeds = numbers(spec["x"]["values"])
    run = next(run for run in results.runs if run.name == "a1")
    assert run.rpm is not None and run.launch is not None
    at = next(i for i, speed in enumerate(speeds) if speed > 22.0)
    k = run.kinematics
    moment = k.t_s[np.flatnonzero((k.speed_mps >= speeds[at] * MPH) & (k.t_s > run.launch.at_s))[0]]
    assert lines["a1"][at] == pytest.approx(float(run.rpm.at(np.array([moment]))[0]), rel=0.02)
    assert lines["with full grip"][at] == pytest.approx(lines["a1"][at], rel=0.05)
    spun = np.array(lines["a2: wheelspin"])
    part = np.isfinite(spun)
    assert part.any() and np.nanmax(spun - np.array(lines["with full grip"])) > 1000


def test_power__is_that_of_the_words(results: DayResults) -> None:
    spec = next(one for one in day_charts(results) if one["name"] == "power-by-speed")
    assert spec["y"]["unit"] == "hp"  # beside mph
    peaks = {one.build: one.peak_w / 745.6999 for one in results.powers}  # W, NIST SP 811
    for one in spec["series"]:
        shown = np.nanmax(numbers(one["values"]))
        assert shown == pytest.approx(peaks[one["label"][0]], abs=0.1)
    load = next(one for one in day_charts(results) if one["name"] == "road-load")
    force = results.powers[0].curve.road_load.force_n(np.array([10.0]))[0]
    at = int(np.argmin(np.abs(np.array(numbers(load["x"]["values"])) - 10.0 / MPH)))
    assert numbers(load["series"][0]["values"])[at] == pytest.approx(force, abs=3)


def test_sync__log_lies_on_the_motion_once_corrected(results: DayResults) -> None:
    seen = evidence_for(results)["a1"]
    spec = sync_chart("a1", seen, "mph", "#56b4e9")
    motion, corrected, late = (np.array(numbers(one["values"])) for one in spec["series"])
    assert np.nanmax(corrected) == pytest.approx(np.nanmax(seen.speed.values) / MPH, abs=0.1)
    assert np.nanstd(motion - corrected) < 0.02 * 12 / MPH * 1.3
    t_s = np.array(numbers(spec["x"]["values"]))
    crossing = [t_s[np.flatnonzero(line > 10)[0]] for line in (corrected, late)]
    assert crossing[1] - crossing[0] == pytest.approx(0.9, abs=0.05)


def test_sync__sentence_says_lag_and_interval() -> None:
    lag = Alignment(True, 0.9, (0.87, 0.93), 0.0, 0.9, (0.87, 0.93), agreement=0.9954)
    assert sync_sentence(lag).startswith("The receiver is late by 0.900 s (95 %: 0.870 to 0.930 s)")
    total = Alignment(True, -12.5, (-12.51, -12.48), agreement=0.99)
    assert "Log time less footage time is −12.500 s (95 %: −12.510 to −12.480 s)" in sync_sentence(
        total
    )
    given = Alignment(True, 1.25)
    assert sync_sentence(given) == "Log time less footage time is +1.250 s, as given by hand."
    assert sync_sentence(Alignment(False, reason="constant speed")) == (
        "Cannot be determined: constant speed."
    )
    revs = ChannelTiming("engine_rpm", -3.2, (-3.21, -3.19), "from the engine's sound")
    (note,) = sync_notes(replace(total, channels=(revs,)))
    assert note == (
        "Engine speed: log time less footage time −3.200 s (−3.210 to −3.190 s), from the "
        "engine's sound"
    )


def test_csv__behind_a_chart_holds_the_digits_that_it_shows(results: DayResults) -> None:
    for spec in day_charts(results):
        header, *rows = csv.reader(io.StringIO(chart_csv(spec)))
        assert len(header) == 1 + sum(3 if "low" in one else 1 for one in spec["series"])
        first = spec["series"][0]
        column = next(i for i, name in enumerate(header) if name.startswith(first["label"]))
        assert [row[column] or "_" for row in rows] == first["values"].split(" ")
        assert spec["y"]["unit"] in header[column]


# -- what to try next ----------------------------------------------------------------------------

PARTS = (
    Candidate(name="seat", build="A", price=60.0, mass_change_kg=-10.0),
    Candidate(name="sprocket", build="A", price=22.0, wheel_teeth=(90, 98)),
    Candidate(name=WILD[0], build="A", price=4.0, limiter_rpm=5200.0),
    Candidate(name="thing", may_break="your heart"),
)


@pytest.fixture(scope="module")
def planned(results: DayResults) -> DayResults:
    """The day with candidates for both builds in its sheet."""
    vehicle = results.sheet.vehicle.model_copy(update={"sprocket_teeth": (10, 94)})
    more = {"candidates": PARTS, "vehicle": vehicle}
    return replace(results, sheet=results.sheet.model_copy(update=more))


@pytest.fixture(scope="module")
def plans(planned: DayResults) -> Plans:
    return plans_of(planned)


def test_next__stands_in_the_page_with_everything_said(planned: DayResults, plans: Plans) -> None:
    assert [one.build for one in plans.found] == ["A", "B"] and plans.problems == ()
    text = page_text(planned, {}, Films(), plans=plans)
    plain = html.unescape(text.replace("\u00a0", " ").replace("\u2212", "-"))
    for one in plans.found:
        parts = next_parts(one)
        assert parts.candidates is not None
        said = [cell for row in parts.candidates.rows for cell in row]
        said += [line for _, lines in parts.prospects for line in lines]
        said += [*parts.gearing, *parts.cautions, parts.asked, parts.check, parts.heading]
        said += [line for _, lines in parts.figures for line in lines]
        assert [line for line in said if line not in plain] == []
    assert "not recommended: beyond a stated limit" in plain and "£60" in plain
    assert "missing: candidates.price" in plain
    assert "<script>alert" not in text
    assert "What to try next" not in page_text(planned, {}, Films())


def test_next__gearing_is_the_sweep_with_its_band_limit_and_sizes(plans: Plans) -> None:
    sweep = plans.found[0].sweep
    assert sweep is not None
    spec = gearing_chart(sweep, "#56b4e9")
    x = np.array(numbers(spec["x"]["values"]))
    goal, dots, revs, most = (one for one in spec["series"])
    for key, column in (("values", sweep.value), ("low", sweep.low), ("high", sweep.high)):
        shown = np.array(numbers(goal[key]))
        at = np.searchsorted(x, np.round(sweep.ratio, 3))
        np.testing.assert_allclose(shown[at], column, atol=0.0051)
    sizes = {round(size.ratio, 3): size for size in sweep.sizes}
    placed = {a: v for a, v in zip(x, numbers(dots["values"]), strict=True) if np.isfinite(v)}
    assert set(placed) == set(sizes) and len(placed) == 3
    for ratio, value in placed.items():
        assert value == pytest.approx(sizes[ratio].value.value, abs=0.0051)
        i = int(np.searchsorted(x, ratio))
        assert sizes[ratio].name in spec["shown_x"][i]
        assert numbers(revs["values"])[i] == pytest.approx(sizes[ratio].line.value, abs=0.51)
    over = next(span for span in spec["spans"] if span["label"] == "may pass 4000 rpm")
    highest = np.array(numbers(most["values"]))
    assert np.all(highest[x < over["from"] - 0.001] <= 4000)
    assert highest[np.searchsorted(x, over["from"])] > 4000
    same = next(span for span in spec["spans"] if span["label"].startswith("as good"))
    assert (same["from"], same["to"]) == pytest.approx(sweep.alike, abs=1e-4)
    marks = {one["label"]: one["x"] for one in spec["lines"]}
    assert marks["now"] == 9.4
    assert marks["best within the limit"] == pytest.approx(sweep.best, abs=1e-4)
    header = next(csv.reader(io.StringIO(chart_csv(spec))))
    assert "highest revs (rpm)" in header and f"{sweep.goal} (s)" in header


def test_next__what_hinders_it_is_said(results: DayResults, planned: DayResults) -> None:
    bare = planned.sheet.vehicle.model_copy(update={"mass_kg": None})
    hindered = replace(planned, sheet=planned.sheet.model_copy(update={"vehicle": bare}))
    plans = plans_of(hindered)
    assert plans.found == () and "without the mass" in plans.problems[0]
    assert "nothing can be predicted without the mass" in page_text(
        hindered, {}, Films(), (), plans
    )
    assert len(plans.problems) == 1  # said once, though it hinders both builds
    none = results.sheet.model_copy(update={"candidates": ()})
    nothing = plans_of(replace(results, sheet=none))
    assert not nothing.found and not nothing.problems


# -- one safe file -------------------------------------------------------------------------------


def test_page__asks_no_network_and_holds_the_tables(results: DayResults, tmp_path: Path) -> None:
    table = tmp_path / "results.csv"
    table.write_text("a,b\n1,é\n", encoding="utf-8")
    text = page_text(results, evidence_for(results), Films(), [table])
    parts = Parts(text)
    assert parts.links and all(link.startswith("data:") for link in parts.links)
    assert "link" not in parts.tags and "iframe" not in parts.tags
    assert not [name for name in parts.attributes if name.startswith("on")]
    assert "style" not in parts.attributes
    assert parts.downloads["results.csv"] == "a,b\n1,é\n"
    assert "speed-by-distance.csv" in parts.downloads
    for words in ("£85 bought", "Cautions", "How measured", "its &lt;log&gt; | is empty"):
        assert words in text
    (step,) = results.day.steps
    for row in step_table(results, step).rows:
        assert f">{row[3]}</td>" in text.replace("\u00a0", " ")


@pytest.mark.parametrize("wild", WILD)
def test_page__names_are_text_whatever_they_hold(results: DayResults, wild: str) -> None:
    old = results.day.standings[0]
    standings = (replace(old, run=wild, notes=(wild,)), *results.day.standings[1:])
    runs = (replace(results.runs[0], name=wild), *results.runs[1:])
    day = replace(results.day, standings=standings, cautions=(wild,))
    changed = replace(results, day=day, runs=runs)
    evidence = evidence_for(results)
    evidence[wild] = evidence.pop("a1")
    text = page_text(changed, evidence, Films({wild: ({"name": wild}, "x/")}))
    assert Parts(text).tags.count("script") == Parts(page_text(results, {}, Films())).tags.count(
        "script"
    )
    assert "<img" not in text and "<script>alert" not in text
    data = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.DOTALL)
    assert data is not None
    assert wild in json.loads(data[1])["films"]
    for name, table in Parts(text).downloads.items():
        assert "/" not in name
        cells = [cell for row in csv.reader(io.StringIO(table)) for cell in row]
        assert not any(cell.startswith(("=", "@", "+")) for cell in cells)


def test_page__of_a_long_day_is_small_and_quick(tmp_path: Path) -> None:
    results = results_for(tmp_path, RUNS // 2)
    assert len(results.runs) >= RUNS
    evidence = evidence_for(results)
    started = time.process_time()
    write_page(tmp_path / "results.html", results, evidence)
    assert time.process_time() - started < BUILD_BAR_S
    assert (tmp_path / "results.html").stat().st_size < SIZE_BAR / 5


# -- in a browser --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def opened(
    results: DayResults, plans: Plans, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Any, Path]]:
    """The page from a disk with clips beside it, and the folder."""
    folder = tmp_path_factory.mktemp("sent #1")
    clips = folder / "results-clips" / "a1"
    clips.mkdir(parents=True)
    data = write_numbered(clips, [33 * n for n in range(40)], "a1")
    locks = {"launch": {"first": "-10 10", "second": "-10 10"}}
    films = Films({"a1": (data, "results-clips/a1/")}, [("a1", "a1", locks)])
    write_page(folder / "results.html", results, evidence_for(results), films, plans=plans)
    with chromium() as browser:
        page, said = quiet_page(browser, viewport={"width": 1280, "height": 900})
        page.goto((folder / "results.html").as_uri())
        wait_until(page, "document.documentElement.dataset.ready === 'true'")
        yield page, folder
        assert said == []


def test_browser__chart_is_read_by_pointing_and_by_keys(
    opened: tuple[Any, Path], results: DayResults
) -> None:
    page, _ = opened
    host = page.locator('figure[data-chart="runs-20 to 60 m"]')
    host.scroll_into_view_if_needed()
    wait_until(page, "document.querySelector('.u-over') !== null")
    host.locator(".ch-plot").focus()
    table = runs_table(results)
    shown = {row[0]: row[table.header.index("20 to 60 m")] for row in table.rows}
    driven = sorted(results.day.standings, key=lambda one: one.place)
    for run in (one.run for one in driven[:2]):
        page.keyboard.press("ArrowRight")
        assert host.locator("output").first.text_content().strip() == run
        told = [text.strip() for text in host.locator("output").all_text_contents()[1:]]
        assert f"{shown[run].strip('()')} s" in told  # in brackets: left out
    box = host.locator(".u-over").bounding_box()
    page.mouse.move(box["x"] + 5, box["y"] + 40)
    assert host.locator("output").first.text_content().strip() == "a1"


def test_browser__gearing_is_read_with_its_revs(opened: tuple[Any, Path], plans: Plans) -> None:
    page, _ = opened
    host = page.locator('figure[data-chart="gearing-0"]')
    host.scroll_into_view_if_needed()
    wait_until(page, "document.querySelector('figure[data-chart=gearing-0] .u-over') !== null")
    host.locator(".ch-plot").focus()
    page.keyboard.press("ArrowRight")
    told = [text.strip() for text in host.locator("output").all_text_contents()]
    sweep = plans.found[0].sweep
    assert told[0] == f"{sweep.ratio[0]:.2f}" and told[1] == f"{sweep.value[0]:.2f} s"
    assert f"{sweep.line_rpm[0]:.0f} rpm" in told and f"{sweep.line_high_rpm[0]:.0f} rpm" in told


def test_browser__clips_beside_the_page_play_in_it(opened: tuple[Any, Path]) -> None:
    page, _ = opened
    run = page.locator("details.run", has_text="a1").first
    run.locator("summary").click()
    wait_until(page, "document.querySelector('details.run run-view.is-ready') !== null")
    page.evaluate("document.querySelector('details.run run-view').seekFrame(20)")
    gauges = "document.querySelector('details.run run-view canvas').dataset.frame"
    wait_until(page, f"{gauges} === '20'")
    pair = page.locator("details.film").first
    pair.locator("summary").click()
    wait_until(page, "document.querySelectorAll('run-pair run-view.is-ready').length === 2")
    page.evaluate("document.querySelector('run-pair').first.seekFrame(12)")
    wait_until(page, "document.querySelector('run-pair').second.frame === 12")


def needle_at(page: Any, name: str) -> float | None:
    """Where the needle of a chart stands, px from the left edge of its plot; None where hidden."""
    found: float | None = page.evaluate(
        "name => { const chart = document.querySelector(`figure[data-chart='${name}']`);"
        "const needle = chart.querySelector('.ch-needle');"
        "return needle.hidden ? null : needle.getBoundingClientRect().left"
        " - chart.querySelector('.u-over').getBoundingClientRect().left; }",
        name,
    )
    return found


def test_browser__charts_follow_the_clip_and_take_it_along(opened: tuple[Any, Path]) -> None:
    page, _ = opened
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = false; })")
    view = "document.querySelector('details.run[data-run=a1] run-view')"
    dots = page.locator("figure[data-chart='runs-20 to 60 m']")
    dots.scroll_into_view_if_needed()
    page.wait_for_selector("figure[data-chart='runs-20 to 60 m'] .u-over")
    box = dots.locator(".u-over").bounding_box()
    dots.locator(".u-over").click(position={"x": box["width"] * 0.05, "y": 60})  # the first run
    wait_until(page, f"{view} !== null && {view}.classList.contains('is-ready')")
    far = page.locator("figure[data-chart='speed-by-distance']")
    far.scroll_into_view_if_needed()
    page.wait_for_selector("figure[data-chart='speed-by-distance'] .u-over")
    page.evaluate(f"{view}.seekFrame(18)")  # 30 m from the launch
    wait_until(page, f"{view}.frame === 18")
    assert far.locator("output").first.text_content().strip() == "30.0 m"
    at_30 = needle_at(page, "speed-by-distance")
    page.evaluate(f"{view}.seekFrame(23)")
    wait_until(page, f"{view}.frame === 23")
    at_40 = needle_at(page, "speed-by-distance")
    zero = at_30 - 3 * (at_40 - at_30)
    far.locator(".u-over").click(position={"x": zero + 1.5 * (at_40 - at_30), "y": 60})  # 15 m
    wait_until(page, f"[10, 11].includes({view}.frame)")  # 14 or 16 m: the nearest there are
    fast = page.locator("figure[data-chart='acceleration-by-speed']")
    fast.scroll_into_view_if_needed()
    page.wait_for_selector("figure[data-chart='acceleration-by-speed'] .u-over")
    page.evaluate(f"{view}.seekFrame(1)")  # before the launch: nowhere on the run
    wait_until(page, f"{view}.frame === 1")
    assert needle_at(page, "speed-by-distance") is None
    assert needle_at(page, "runs-20 to 60 m") is not None
    sync = page.locator("figure[data-chart='sync-a1']")
    sync.scroll_into_view_if_needed()
    page.wait_for_selector("figure[data-chart='sync-a1'] .u-over")
    page.evaluate(f"{view}.seekFrame(30)")
    wait_until(page, f"{view}.frame === 30")
    assert sync.locator("output").first.text_content().strip() == "1.00 s"  # 0.99 s, each 1/30 s


# How much of its column each chart fills, and at what scale.
CHARTS_ON_PAPER = """() => [...document.querySelectorAll("figure canvas")].map((canvas) => {
  const [box, plot] = [canvas, canvas.closest(".ch-plot")].map((a) => a.getBoundingClientRect());
  return [(box.right - plot.left) / plot.width, box.width / (canvas.width / devicePixelRatio)];
})"""


@pytest.mark.parametrize("width", [360, 2560])
def test_browser__fits_and_prints(opened: tuple[Any, Path], width: int) -> None:
    page, folder = opened
    page.set_viewport_size({"width": width, "height": 900})
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.evaluate(
        "document.querySelectorAll('#next details').forEach((one) => { one.open = true; })"
    )
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        assert serious(page) == [], scheme
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 690, "height": 900})  # A4 within its margins
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    charts = page.evaluate(CHARTS_ON_PAPER)
    assert len(charts) > 8 and min(share for share, _ in charts) > 0.98
    assert max(share for share, _ in charts) < 1.01  # nothing lies beyond the paper
    assert min(scale for _, scale in charts) > 0.7  # letters of 12 px stay above 6 pt
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    page.emulate_media(media="screen")
    page.pdf(path=str(folder / "page.pdf"), format="A4")
    assert (folder / "page.pdf").stat().st_size > 20_000
