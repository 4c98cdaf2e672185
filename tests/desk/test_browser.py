"""The desk in a real browser, on the ready-made clips, with real jobs."""

import io
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from overlay.gauges.layout import SAFE_SHARE
from tests.demo_runs import CLIPS
from tests.page.browser import chromium as running
from tests.page.browser import serious

ROOT = Path(__file__).parents[2]
# Of the log's line, a third across the strip, where a hand would take it.
POINT_ON_LOG = """() => {
  const strip = document.querySelector(".strip"), line = document.querySelector(".handle");
  strip.scrollIntoView({ block: "center" });
  const box = strip.getBoundingClientRect(), to = line.getScreenCTM();
  for (let i = 0; i < 2000; i += 1) {
    const at = line.getPointAtLength((line.getTotalLength() * i) / 2000).matrixTransform(to);
    if (at.x > box.left + box.width / 3) return [at.x, at.y];
  }
}"""
SHOWN_ASPECT = """() => {
  const { naturalWidth, naturalHeight } = document.querySelector("#still img");
  return naturalWidth / naturalHeight;
}"""
PATIENCE_MS = 120_000  # for jobs, on a machine that has other work too


@dataclass
class Server:
    """A desk in a process of its own; without a folder the tour, in `cwd`."""

    folder: Path | None
    cwd: Path = ROOT
    port: int = 0
    url: str = ""
    process: subprocess.Popen | None = None

    def start(self) -> "Server":
        port = ["--port", str(self.port)] if self.port else []
        folder = [] if self.folder is None else [str(self.folder)]
        command = [sys.executable, "-m", "overlay", "desk", *folder, "--no-browser", *port]
        env = {**os.environ, "PYTHONPATH": str(ROOT)}
        self.process = subprocess.Popen(
            command, stderr=subprocess.PIPE, text=True, cwd=self.cwd, env=env
        )
        line = self.process.stderr.readline()
        found = re.search(r"http://127\.0\.0\.1:(\d+)/\?token=\S+", line)
        assert found, line
        self.url, self.port = found[0], int(found[1])
        return self

    def stop(self, how: int = signal.SIGINT) -> None:
        self.process.send_signal(how)
        self.process.wait(20)
        with self.process.stderr as log:
            assert self.url.partition("token=")[2] not in log.read()


def folder_at(place: Path) -> Path:
    shutil.copytree(CLIPS, place)
    return place


@pytest.fixture(scope="module")
def chromium() -> Iterator:
    with running() as browser:
        yield browser


@pytest.fixture(scope="module")
def served(tmp_path_factory) -> Iterator[Server]:
    server = Server(folder_at(tmp_path_factory.mktemp("browser") / "day")).start()
    yield server
    server.stop()


@pytest.fixture
def started() -> Iterator:
    """Start a desk of the test's own, which is gone after it even if the test failed."""
    servers = []

    def start(folder: Path | None, cwd: Path = ROOT) -> Server:
        servers.append(Server(folder, cwd))
        return servers[-1].start()

    yield start
    for server in servers:
        if server.process.poll() is None:
            server.process.kill()
            server.process.communicate()


@pytest.fixture
def lent(served) -> Iterator[Server]:
    """The same desk, whose sheet is put back afterwards."""
    sheet = served.folder / "day.toml"
    before = sheet.read_bytes()
    yield served
    sheet.write_bytes(before)


@pytest.fixture(scope="module")
def worked_out(served, chromium) -> Server:
    """The same, both runs worked out."""
    context = chromium.new_context()
    page = Window(context, served.url).page
    page.evaluate("import('/static/store.js').then((store) => store.workOut())")
    for run in ("a1", "b1"):
        page.evaluate("location.hash = '#films'")
        page.wait_for_selector(f"#film-{run}:enabled")
    context.close()
    return served


@pytest.fixture
def worked(worked_out, lent) -> Server:
    """That with its sheet as it was first, lent."""
    shutil.copy(CLIPS / "day.toml", worked_out.folder)
    return worked_out


class Window:
    """A page, and everything wrong that its console said."""

    def __init__(self, context, url: str, waited: str = "main h1") -> None:
        self.page = context.new_page()
        self.page.set_default_timeout(PATIENCE_MS)
        self.wrong: list[str] = []
        self.page.on("pageerror", lambda error: self.wrong.append(str(error)))
        self.page.on(
            "console",
            lambda said: self.wrong.append(said.text) if said.type in ("error", "warning") else 0,
        )
        self.page.goto(url)
        self.page.wait_for_selector(waited)

    def to(self, stage: str, waited: str = "main h1") -> None:
        self.page.evaluate(f"location.hash = '#{stage}'")
        self.page.wait_for_selector(waited)

    def told(self, text: str) -> None:
        self.page.wait_for_function(
            "text => document.querySelector('#sheet span').textContent.startsWith(text)", arg=text
        )


@pytest.fixture
def window(chromium, served) -> Iterator[Window]:
    context = chromium.new_context(viewport={"width": 1280, "height": 800})
    made = Window(context, served.url)
    yield made
    context.close()
    assert made.wrong == []


def sheet_of(server: Server) -> dict:
    return tomllib.loads((server.folder / "day.toml").read_text())


def top_of(page, gauge: str = "ribbon") -> float:
    """Where a gauge's box begins, as a share of the safe height."""
    share = page.evaluate(
        "kind => { const box = document.querySelector(`#place-${kind}`);"
        "return box.offsetTop / document.querySelector('#still').offsetHeight; }",
        gauge,
    )
    return (share - SAFE_SHARE) / (1 - 2 * SAFE_SHARE)


def test_whole_job__from_clips_to_a_proved_film(window, served):
    """Work a run out, nudge it, take that back, draw a film and prove it."""
    page = window.page
    assert "token" not in page.url
    window.to("runs/a1", "#work-one")
    page.click("#work-all")
    page.wait_for_selector("run-view.is-ready")
    measured = page.text_content("#offset")
    page.focus("#nudge")
    for _ in range(3):
        page.keyboard.press("ArrowLeft")
    frames_s = page.evaluate("document.querySelector('run-view').nudge")
    assert frames_s == pytest.approx(-3 / 30, abs=0.002)  # the gauges' own pictures, 3 earlier
    assert "outside the measured interval" in page.text_content("#hand-warning")
    assert "late" in page.text_content("#hand-warning")
    page.click("#back")
    assert page.text_content("#offset") == measured
    middle = page.evaluate(POINT_ON_LOG)
    page.mouse.move(*middle)
    page.mouse.down()
    page.mouse.move(middle[0] + 40, middle[1], steps=4)
    page.mouse.up()
    by_hand = float(page.text_content("#offset").replace("−", "-").removesuffix(" s"))
    px_per_s = page.evaluate("document.querySelector('.strip').clientWidth") / 13.7
    was = float(measured.replace("−", "-").removesuffix(" s"))
    assert by_hand - was == pytest.approx(-40 / px_per_s, rel=0.15)  # to the right is later
    assert "late" in page.text_content("#hand-warning")
    page.click("#take")
    page.wait_for_selector("#measured")
    page.wait_for_function(
        "() => document.querySelector('#run-a1').textContent.includes('as given')"
    )
    assert "offset_s" not in sheet_of(served)["runs"][0]
    page.click("#save")
    window.told("saved")
    assert sheet_of(served)["runs"][0]["offset_s"] == pytest.approx(by_hand, abs=0.001)
    page.click("#undo")
    page.wait_for_function(
        "() => !document.querySelector('#run-a1').textContent.includes('as given')"
    )
    page.click("#save")
    window.told("saved")
    assert (served.folder / "day.toml").read_bytes() == (CLIPS / "day.toml").read_bytes()
    page.click("#work-one")
    page.wait_for_selector("#counted-out")
    page.click("#counted-out")  # without a reason the marks stay in force
    assert "Give the reason first" in page.text_content("#news")
    assert page.is_checked("#counted-marks")
    page.fill("#because", "tyre went soft")
    page.click("#counted-out")
    window.told("unsaved")
    page.wait_for_selector("#counted-out:checked")
    page.click("#save")
    window.told("saved")
    run = sheet_of(served)["runs"][0]
    assert (run["counted"], run["because"]) == (False, "tyre went soft")
    page.click("#undo")
    page.click("#save")
    window.told("saved")
    assert (served.folder / "day.toml").read_bytes() == (CLIPS / "day.toml").read_bytes()

    window.to("films", "#film-a1:enabled")
    page.check("#film-a1")
    page.wait_for_selector("#still img")
    for size in ((2560, 500), (1280, 800)):  # the picture fills what its gauges' places are laid on
        page.set_viewport_size({"width": size[0], "height": size[1]})
        whole, shown = page.locator("#still").bounding_box(), page.evaluate(SHOWN_ASPECT)
        assert whole["width"] / whole["height"] == pytest.approx(shown, rel=0.01)
    first = top_of(page)
    page.focus("#place-ribbon")
    page.keyboard.press("ArrowUp")
    assert top_of(page) == pytest.approx(first - 0.01, abs=0.002)
    page.wait_for_selector("#usual")
    grip = page.query_selector("#place-ribbon").bounding_box()
    page.mouse.move(grip["x"] + 20, grip["y"] + 10)
    page.mouse.down()
    page.mouse.move(grip["x"] + 20, grip["y"] - 30, steps=3)
    page.mouse.up()
    window.told("unsaved")
    page.wait_for_function("() => document.querySelector('#undo:enabled')")
    moved = top_of(page)
    assert moved < first - 0.05
    page.click("#save")
    window.told("saved")
    (kept,) = sheet_of(served)["films"]
    assert kept["runs"] == ["a1"]
    assert kept["places"]["ribbon"][1] == pytest.approx(moved, abs=0.003)
    page.click("#undo")
    window.told("unsaved")
    assert top_of(page) > moved + 0.03
    page.click("#redo")
    window.told("saved")
    page.reload()
    page.wait_for_selector("#place-ribbon")  # found again, where it was left
    assert top_of(page) == pytest.approx(moved, abs=0.003)
    films = served.folder / "day-results" / "films"
    page.click("#draw")
    page.get_by_role("button", name="Cancel: draw a1").click()
    page.wait_for_selector("#line li.cancelled")
    page.wait_for_function("() => !document.querySelector('#draw').disabled")
    assert not films.exists() or list(films.iterdir()) == []
    page.click("#draw")
    page.wait_for_selector("#drawn video")
    assert (films / "a1.mp4").is_file()
    page.click("text=Prove that no lag is left")
    page.wait_for_selector("#drawn .lines li")
    assert page.text_content("#drawn .lines li").startswith("a1: no lag")
    page.click("#film-b1:enabled")
    page.wait_for_function("() => document.querySelector('#film-name').value === 'a1 beside b1'")
    assert page.input_value("#film-arrangement") == "side by side"
    wide = "wide => document.querySelector('#still img').naturalWidth === wide"
    page.wait_for_function(wide, arg=1920)  # the pair as it will be drawn
    widths = (
        "() => [...document.querySelectorAll('[id^=place-ribbon]')].map((one) => one.offsetWidth)"
    )
    before, src = page.evaluate(widths), page.get_attribute("#still img", "src")
    page.focus("#place-ribbon-2")  # sized in the one run's part, sized in both
    for _ in range(10):
        page.keyboard.press("Shift+ArrowLeft")
    assert len(before) == 2
    assert page.evaluate(widths) == pytest.approx([0.9 * one for one in before], abs=3)
    page.wait_for_selector("#usual")
    page.wait_for_function(
        "src => document.querySelector('#still img').getAttribute('src') !== src", arg=src
    )
    assert page.evaluate(widths) == pytest.approx([0.9 * one for one in before], abs=3)
    page.click("#undo")
    page.wait_for_selector("#usual", state="detached")
    page.click("#undo")
    page.wait_for_function("() => document.querySelector('#film-name').value === 'a1'")
    page.wait_for_selector("#place-ribbon")
    page.wait_for_function(wide, arg=854)
    assert serious(page) == []


def test_results__compared_with_clips_that_play_in_their_frame(window, served):
    page = window.page
    window.to("builds", "#candidate-add")
    page.click("#candidate-add")
    for key, value in (("name", "lighter seat"), ("price", "60"), ("mass_change_kg", "-10")):
        page.fill(f"#candidate-0-{key}", value)
        page.press(f"#candidate-0-{key}", "Tab")
    page.wait_for_function("() => document.querySelector('#undo:enabled')")
    page.click("#save")
    window.told("saved")
    (said,) = sheet_of(served)["candidates"]
    assert said == {"name": "lighter seat", "price": 60, "mass_change_kg": -10}
    window.to("results", "#compare")
    page.check("#with-clips")
    page.click("#compare")
    frame = page.wait_for_selector("iframe").content_frame()
    frame.wait_for_selector("html[data-ready=true]")
    assert page.is_checked("#with-clips")
    assert "one run shows no spread" in frame.text_content(".answer")
    assert "lighter seat" in frame.text_content("section:has(> h2:text-is('What to try next'))")
    frame.click("details.run[data-run=a1] summary")
    view = frame.wait_for_selector("details.run[data-run=a1] run-view.is-ready")
    for number in (200, 20):
        view.evaluate("(view, number) => view.seekFrame(number)", number)
        said = f"details.run[data-run=a1] canvas[data-frame='{number}']"
        frame.wait_for_selector(said)
    shown = Image.open(io.BytesIO(frame.locator(said).screenshot())).convert("L")
    assert np.std(np.array(shown)) > 20  # a picture, not a black box
    frame.locator("figure[data-chart='sync-a1']").scroll_into_view_if_needed()
    frame.wait_for_selector("figure[data-chart='sync-a1'] .u-over")
    assert not frame.evaluate("document.querySelector('[data-chart=sync-a1] .ch-needle').hidden")
    assert frame.evaluate("origin") == "null"  # apart from the desk
    assert (served.folder / "day-results" / "results-clips" / "a1" / "clip.mp4").is_file()


@pytest.mark.parametrize(
    ("said", "status"),
    [
        (b"GET / HT\r\n\r\n", b"400"),
        (b"\x16\x03\x01\x00\xff\r\n\r\n", b"400"),
        (b"GET / HTTP/1.1\r\nhost: 127.0.0.1\r\nx: " + b"y" * (1 << 20) + b"\r\n\r\n", b"4"),
        (b"POST /api/save HTTP/1.1\r\nhost: 127.0.0.1\r\ncontent-length: -5\r\n\r\n", b"400"),
        (b"GET http://evil.example/ HTTP/1.1\r\nhost: evil.example\r\n\r\n", b"421"),
    ],
)
def test_server__a_malformed_request_is_refused_and_the_next_answered(served, said, status):
    for data, answer in ((said, status), (b"GET / HTTP/1.1\r\nhost: ?\r\n\r\n", b"421")):
        with socket.create_connection(("127.0.0.1", served.port), 10) as asked:
            with suppress(ConnectionError):
                asked.sendall(data)
            assert asked.recv(64).startswith(b"HTTP/1.1 " + answer)


def test_pairing__by_choice_by_drag_and_undone(window, served):
    page = window.page
    window.to("folder", "#run-0-speed")
    page.select_option("#run-0-speed", "b1.nmea")
    window.told("unsaved")
    page.click("#undo")
    window.told("saved")
    page.drag_and_drop(".run:nth-child(2) .drop:has(#run-1-speed) label", "#run-0-speed")
    window.told("unsaved")
    assert page.input_value("#run-0-speed") == "b1.nmea"
    assert page.input_value("#run-0-revs") == "a1_revs.csv"
    page.keyboard.press("Control+z")
    window.told("saved")
    assert page.input_value("#run-0-speed") == "a1.gpx"
    page.keyboard.press("Control+y")
    window.told("unsaved")
    page.keyboard.press("Control+z")
    window.told("saved")
    assert sheet_of(served)["runs"][0]["logs"] == ["a1.gpx", "a1_revs.csv"]


def test_builds__by_keyboard_alone(lent, chromium):
    context = chromium.new_context()
    window = Window(context, lent.url)
    page = window.page
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")  # the link that skips to the work
    window.to("builds", "#part-1-1-price")
    page.focus("#part-1-1-price")
    page.keyboard.press("Control+a")
    page.keyboard.type("9,50")
    page.keyboard.press("Tab")
    window.told(
        "unsaved changes, 1 problem"
    )  # the price of the whole is not the parts' sum any more
    assert "is not the sum of the parts" in page.text_content("main")
    assert page.evaluate("document.activeElement.id") == "part-1-1-out"
    page.focus("#build-1-price")
    page.keyboard.press("Control+a")
    page.keyboard.press("Delete")
    page.keyboard.press("Tab")
    page.wait_for_function(
        "() => !document.querySelector('#sheet').textContent.includes('problem')"
    )
    page.keyboard.press("Control+s")
    window.told("saved")
    text = (lent.folder / "day.toml").read_text()
    assert '{ name = "main jet", price = 9.5 },' in text and "price = 85" not in text
    assert "# turns of the crank" in text
    context.close()
    assert window.wrong == []


def tab_to(page, name: str) -> None:
    """To an element by the Tab key alone; the way there shows where it is at each step."""
    for _ in range(200):
        page.keyboard.press("Tab")
        here = page.evaluate(
            "() => { const one = document.activeElement;"
            "return [one.id, one === document.body || one.matches('iframe, video')"
            " || getComputedStyle(one).outlineStyle !== 'none']; }"
        )
        assert here[1], f"{here[0]}: has no outline when it is reached by a key"
        if here[0] == name:
            return
    raise AssertionError(f"{name}: not reached by Tab")


def test_keyboard__alone_does_and_undoes_the_work_of_every_stage(chromium, worked):
    context = chromium.new_context(viewport={"width": 1280, "height": 800})
    window = Window(context, worked.url)
    page, press = window.page, window.page.keyboard.press

    def stage(name: str, waited: str) -> None:
        tab_to(page, f"to-{name}")
        press("Enter")
        page.wait_for_selector(waited)

    def undone() -> None:
        """What was done is a change; the keys of undo, outside a field of text, take it back."""
        window.told("unsaved")
        page.wait_for_selector("#undo:enabled")
        tab_to(page, "undo")
        while page.is_enabled("#undo"):
            press("Control+z")
            page.wait_for_timeout(150)
        window.told("saved")

    page.wait_for_selector("#run-0-build:enabled")
    tab_to(page, "run-0-build")
    press("ArrowDown")
    undone()
    tab_to(page, "run-1-out")
    press("Enter")
    page.wait_for_selector("#run-1-out", state="detached")
    undone()

    stage("runs", "#run-b1")
    tab_to(page, "run-b1")
    press("Enter")
    page.wait_for_selector("run-view.is-ready")
    measured = page.text_content("#offset")
    tab_to(page, "nudge")
    press("ArrowLeft")
    assert page.text_content("#offset") != measured
    tab_to(page, "back")
    press("Enter")
    assert page.text_content("#offset") == measured
    tab_to(page, "because")
    page.keyboard.type("gust at the start")
    tab_to(page, "counted-marks")
    press("ArrowDown")
    page.wait_for_selector("#counted-in:checked")
    undone()

    stage("builds", "#build-0-about")
    tab_to(page, "build-0-price")
    page.keyboard.type("7")
    tab_to(page, "candidate-add")
    press("Enter")
    page.wait_for_selector("#candidate-0-name")
    undone()
    page.wait_for_selector("#candidate-0-name", state="detached")

    stage("results", "#compare")
    tab_to(page, "with-clips")
    was = page.is_checked("#with-clips")
    press(" ")
    assert page.is_checked("#with-clips") != was
    tab_to(page, "compare")
    assert page.is_enabled("#compare")

    stage("films", "#film-a1:enabled")
    tab_to(page, "film-a1")
    press(" ")
    page.wait_for_selector("#place-ribbon")
    first = top_of(page)
    tab_to(page, "place-ribbon")
    press("ArrowUp")
    assert top_of(page) == pytest.approx(first - 0.01, abs=0.002)
    page.wait_for_selector("#usual")
    tab_to(page, "gauge-accel")
    press(" ")
    page.wait_for_selector("#place-accel")
    tab_to(page, "draw")
    assert page.is_enabled("#draw")
    undone()
    context.close()
    assert window.wrong == []


def test_nudge__shows_before_the_next_picture_of_the_screen(worked, window):
    """Number, log and gauges have moved when the key's own turn is over, in less than 1/60 s."""
    page = window.page
    window.to("runs/a1", "run-view.is-ready")
    page.wait_for_function("() => document.querySelector('run-view canvas').dataset.frame")
    page.wait_for_function("() => !document.querySelector('#line li.working')")
    told = page.evaluate("""() => {
      const shown = () => [document.querySelector("#offset").textContent,
        document.querySelector(".strip .log").getAttribute("transform"),
        document.querySelector("run-view canvas").dataset.frame];
      const nudge = document.querySelector("#nudge"), took = [];
      let changed = 0;
      for (let n = 0; n < 40; n += 1) {
        const before = shown(), began = performance.now();
        nudge.dispatchEvent(new KeyboardEvent("keydown", { key: "ArrowRight", bubbles: true }));
        took.push(performance.now() - began);
        if (shown().every((one, index) => one !== before[index])) changed += 1;
      }
      return [changed, took.sort((a, b) => a - b)[20]];
    }""")
    assert told[0] == 40 and told[1] < 1000 / 60, told
    # A click on the strip takes the clip there.
    page.click("#back")
    box = page.locator(".strip").bounding_box()
    page.locator(".strip").click(position={"x": 0.75 * box["width"], "y": 20})
    page.wait_for_function("() => document.querySelector('run-view').currentTime > 8")
    at_s = page.evaluate("document.querySelector('run-view').currentTime")
    inner, lasts_s = (
        box["width"] - 44 - 12,
        page.evaluate("document.querySelector('run-view').times.at(-1)"),
    )
    assert at_s == pytest.approx((0.75 * box["width"] - 44) / inner * lasts_s, abs=0.1)
    assert page.text_content("#here").startswith(f"At {at_s:.2f} s: ")


def test_page__stays_as_it_is_under_pointer_and_caret(window, served):
    page = window.page
    window.to("builds", "#build-0-about")
    page.fill("#build-1-about", "Half written")
    page.evaluate("document.querySelector('#build-1-about').setSelectionRange(4, 4)")
    page.evaluate("window.before = document.querySelector('#build-1-about')")
    with page.expect_response("**/api/look"):  # as when a job has ended
        page.evaluate("import('/static/store.js').then((store) => store.again())")
    page.wait_for_timeout(100)
    assert page.evaluate("document.activeElement === before && before.selectionStart") == 4
    # The click that ends the writing changes the sheet, and is not lost by that.
    page.click("#build-add")
    page.wait_for_selector("#build-2-name")
    assert page.input_value("#build-1-about") == "Half written"
    page.focus("#undo")
    page.keyboard.down(" ")
    page.evaluate("import('/static/store.js').then((store) => store.again())")
    page.wait_for_timeout(300)
    page.keyboard.up(" ")
    page.wait_for_selector("#build-2-name", state="detached")
    page.click("#undo")
    window.told("saved")


def test_page__what_is_polled_keeps_its_elements(window, served):
    """A button that a hand goes for is there when it arrives, whatever became known meanwhile."""
    page = window.page
    keep = "window.kept = [...document.querySelectorAll('#line *, #tape *, #work *')]"
    lost = "window.kept.filter((one) => !one.isConnected).map((one) => one.outerHTML)"
    tell = """share => import('/static/store.js').then((store) => {
      const jobs = ["a1", "b1"].map((about, index) => ({ number: index + 1, kind: "run", about,
        state: share < 1 || index ? "working" : "done", share, left_s: 9 * (1 - share) }));
      store.state.jobs = jobs;
      for (const run of store.state.runs) run.offset = `total offset ${share} s`;
      store.tell("jobs");
      store.tell("all");
    })"""
    for stage in ("folder", "runs", "builds", "results", "films"):
        window.to(stage)
        page.wait_for_selector("main :is(button, select, input)")
        page.evaluate(tell, 0.25)
        page.evaluate(keep)
        page.evaluate(tell, 0.5)
        assert page.evaluate(lost) == [], stage
        assert "50 %" in page.text_content("#line")
    page.evaluate("window.kept = [document.querySelector('#cancel-2')]")
    page.evaluate(tell, 1.0)  # the first is done; the button of the other is still that one
    assert page.evaluate(lost) == []
    page.click("#to-folder")
    page.evaluate("import('/static/store.js').then((store) => store.again())")
    (served.folder / "b2.gpx").write_bytes((CLIPS / "a1.gpx").read_bytes())
    try:
        page.wait_for_selector(".tray:has-text('b2.gpx')")
        page.evaluate(keep.replace("#work *", "#work .runs *"))
    finally:
        (served.folder / "b2.gpx").unlink()
    page.wait_for_selector(".tray:has-text('b2.gpx')", state="detached")
    assert [one for one in page.evaluate(lost) if "b2.gpx" not in one] == []


def test_films__a_gauges_box_stays_while_pictures_come(worked, window):
    page = window.page
    window.to("films", "#film-a1:enabled")
    page.check("#film-a1")
    page.wait_for_selector("#place-ribbon")
    page.wait_for_selector("#still img")
    page.evaluate("window.kept = [...document.querySelectorAll('#still *')]")
    for unit in ("km/h", "m/s"):
        before = page.get_attribute("#still img", "src")
        page.select_option("#film-units", unit)
        page.wait_for_function(
            "src => document.querySelector('#still img').getAttribute('src') !== src", arg=before
        )
    assert page.evaluate("window.kept.length && window.kept.every((one) => one.isConnected)")
    # A key's step shows at once and stays, also where a picture comes before it is in the sheet.
    first = top_of(page)
    page.focus("#place-ribbon")
    page.keyboard.press("ArrowUp")
    page.evaluate("import('/static/store.js').then((store) => store.tell('all'))")
    assert top_of(page) == pytest.approx(first - 0.01, abs=0.002)
    page.wait_for_selector("#usual")
    assert top_of(page) == pytest.approx(first - 0.01, abs=0.002)
    while page.is_enabled("#undo"):
        page.click("#undo")
        page.wait_for_timeout(150)
    window.told("saved")


def test_two_windows__lose_nothing(lent, chromium):
    context = chromium.new_context()
    one, two = Window(context, lent.url), Window(context, lent.url)
    for window in (one, two):
        window.to("builds", "#build-0-about")
    one.page.fill("#build-0-about", "One")
    one.page.press("#build-0-about", "Tab")
    one.told("unsaved")
    one.page.click("#save")
    one.told("saved")
    two.page.wait_for_function("() => document.querySelector('#build-0-about').value === 'One'")
    two.told("saved")

    two.page.fill("#build-0-about", "Two")
    two.page.press("#build-0-about", "Tab")
    two.told("unsaved")
    path = lent.folder / "day.toml"
    path.write_text(path.read_text() + "# by an editor\n")
    two.page.wait_for_selector("#together")
    assert serious(two.page) == []
    two.page.click("#together")
    two.told("unsaved")
    two.page.click("#save")
    two.told("saved")
    text = path.read_text()
    assert "# by an editor" in text and 'about = "Two"' in text

    two.page.fill("#build-0-about", "Three")
    two.page.press("#build-0-about", "Tab")
    two.told("unsaved")
    path.write_text(text + "# again\n")
    two.page.wait_for_selector("#mine")
    two.page.click("#mine")
    two.told("saved")
    assert 'about = "Three"' in path.read_text()
    assert "# again" in (lent.folder / "day.other-1.toml").read_text()
    context.close()
    assert one.wrong == two.wrong == []


def test_server__killed_and_started_again_keeps_the_draft(tmp_path, chromium, started):
    fresh = started(folder_at(tmp_path / "day"))
    context = chromium.new_context()
    window = Window(context, fresh.url)
    page = window.page
    window.to("builds", "#build-0-about")
    page.fill("#build-0-about", "Kept")
    page.press("#build-0-about", "Tab")
    window.told("unsaved")
    fresh.stop(signal.SIGKILL)
    page.wait_for_function(
        "() => document.querySelector('#news').textContent.includes('not answer')"
    )
    assert "Unsaved changes wait" in page.text_content("#news")
    fresh.start()
    page.goto(fresh.url)
    page.wait_for_selector("#news p")
    window.to("builds", "#build-0-about")
    assert page.input_value("#build-0-about") == "Kept"
    window.told("unsaved")
    assert "Kept" not in (fresh.folder / "day.toml").read_text()
    context.close()
    fresh.stop()


@pytest.mark.parametrize(
    ("width", "scheme"),
    [
        (360, "dark"),
        (360, "light"),
        (800, "dark"),
        (1280, "light"),
        (2560, "dark"),
        (2560, "light"),
    ],
)
def test_stages__fit_and_shut_nobody_out(chromium, worked, width, scheme):
    context = chromium.new_context(
        viewport={"width": width, "height": 900}, color_scheme=scheme, reduced_motion="reduce"
    )
    window = Window(context, worked.url)
    waited = {
        "folder": "#run-0-speed",
        "folder/long/a1": "#find, #take-windows",
        "runs/b1": "run-view.is-ready",
        "builds": "#build-add",
        "results": "#compare",
        "films": "#film-a1:enabled",
    }
    for stage, there in waited.items():
        window.to(stage, there)
        if stage == "films":
            window.page.check("#film-a1")
            window.page.wait_for_selector("#place-ribbon")
        wide = window.page.evaluate("document.documentElement.scrollWidth")
        assert wide <= width, stage
        assert serious(window.page) == [], stage
    context.close()
    assert window.wrong == []


def test_long_recording__runs_are_found_and_their_bounds_moved(lent, chromium):
    context = chromium.new_context()
    window = Window(context, lent.url)
    page = window.page
    window.to("folder/long/a1", "#find")
    page.click("#find")
    page.wait_for_selector("#take-windows")
    edge = page.query_selector(".strip .grip").bounding_box()
    page.mouse.move(edge["x"] + edge["width"] / 2, edge["y"] + 40)
    page.mouse.down()
    page.mouse.move(edge["x"] + edge["width"] / 2 + 30, edge["y"] + 40, steps=3)
    page.mouse.up()
    moved_s = float(page.input_value("#window-0-0"))
    assert 0.2 < moved_s < 1.0
    page.fill("#window-0-1", "13.0")
    page.press("#window-0-1", "Tab")
    assert serious(page) == []
    page.click("#take-windows")
    window.told("unsaved")
    page.click("#save")
    window.told("saved")
    (run,) = [run for run in sheet_of(lent)["runs"] if run["clip"] == "a1.mp4"]
    assert run["window_s"] == [moved_s, 13.0] and run["logs"] == ["a1.gpx", "a1_revs.csv"]
    context.close()
    assert window.wrong == []


def test_run__that_fails_says_why_where_it_is_and_as_the_terminal_does(lent, chromium):
    damaged = lent.folder / "damaged.mp4"
    damaged.write_bytes((CLIPS / "a1.mp4").read_bytes()[:20_000])
    sheet = lent.folder / "day.toml"
    sheet.write_text(sheet.read_text().replace('"a1.mp4"', '"damaged.mp4"'))
    command = [sys.executable, "-m", "overlay", "align", damaged, lent.folder / "a1.gpx"]
    said = subprocess.run(command, capture_output=True, text=True, cwd=ROOT)
    reason = said.stderr.strip().removeprefix("timetrue: ")
    assert said.returncode == 3 and "damaged.mp4: " in reason
    context = chromium.new_context()
    window = Window(context, lent.url)
    window.to("runs/a1", "#work-one")
    window.page.click("#work-one")
    window.page.wait_for_selector("#detail .error")
    assert window.page.text_content("#detail .error") == reason
    assert window.page.text_content("#run-a1 .wrong") == reason
    assert serious(window.page) == []
    context.close()
    damaged.unlink()


def test_tour__films_its_day_and_works_it_out_by_itself(tmp_path, chromium, started):
    tour = started(None, tmp_path)
    context = chromium.new_context()
    window = Window(context, tour.url, "#tour p")
    page = window.page
    page.wait_for_selector(".runs > li:nth-child(7) select:enabled")
    assert "Each run is a clip with its logs" in page.text_content("#tour")
    assert page.text_content("#news") == ""  # its sheet came from nobody else
    window.to("runs", "#tour a[href='#builds']")
    page.wait_for_selector("#runlist a:has-text('total offset')")
    assert "the orange log away" in page.text_content("#tour")
    assert serious(page) == []
    context.close()
    tour.stop()
    assert window.wrong == []


def test_empty_folder__says_what_to_do_next(tmp_path, chromium, started):
    (tmp_path / "empty").mkdir()
    empty = started(tmp_path / "empty")
    context = chromium.new_context()
    window = Window(context, empty.url)
    assert "Copy the day's clips and logs into it" in window.page.text_content(".empty")
    for stage in ("runs", "results", "films"):
        window.to(stage, ".empty a[href='#folder']")
    assert window.page.query_selector(".problems") is None
    context.close()
    empty.stop()
    assert window.wrong == []
