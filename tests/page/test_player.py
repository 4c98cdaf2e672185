"""The player in a real browser: what stands on the screen, read from its pixels."""

import json
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from overlay.footage import probe
from overlay.page.proxy import make_proxy, why_not_played
from tests.clips import run_ffmpeg
from tests.page.browser import chromium, quiet_page, screens_of, serious, write_viewer
from tests.page.numbered import on_screen, uneven_times_ms, write_numbered

FRAMES = 90


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as found:
        yield found


@pytest.fixture(scope="module")
def view(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    folder = tmp_path_factory.mktemp("numbered")
    data = write_numbered(folder, uneven_times_ms(FRAMES))
    data["gauges"]["received"] = data["gauges"]["corrected"]
    times = data["readouts"][0]["values"]
    line = {"label": "t", "hue": "#e69f00", "values": times, "low": times, "high": times}
    data["charts"] = [
        {
            "title": "time",
            "x": {"label": "t", "unit": "s", "values": times},
            "y": {"label": "t", "unit": "s"},
            "series": [line],
        }
    ]
    page, said = viewed(browser, folder, data)
    yield page
    assert said == []
    page.context.close()


def viewed(browser: Any, folder: Path, data: Any) -> tuple[Any, list[str]]:
    """A page with one run's player, ready, and what its console says."""
    script = (
        "window.view = document.querySelector('run-view');"
        f"await view.show({{ data: {json.dumps(data)} }});"
    )
    write_viewer(folder / "view.html", "<run-view></run-view>", script)
    page, said = quiet_page(browser, viewport={"width": 420, "height": 900})
    page.goto((folder / "view.html").as_uri())
    page.wait_for_function("window.isReady", timeout=15000)
    return page, said


def shown(page: Any, frame: int) -> tuple[int, int]:
    page.wait_for_function(f"view.frame === {frame} && view.querySelector('canvas').dataset.frame")
    return on_screen(page.locator(".rv-stage").screenshot())


@pytest.mark.parametrize("frame", [0, 1, 40, 41, FRAMES - 1])
def test_seek__picture_gauges_and_figures_are_of_one_frame(view: Any, frame: int) -> None:
    view.evaluate(f"view.seekFrame({frame})")
    assert shown(view, frame) == (frame, frame)
    time = view.evaluate("view.currentTime")
    assert view.locator(".rv-value").first.text_content() == f"{time:.3f}"


@pytest.mark.parametrize("rate", [1, 0.5])
def test_play__gauges_stay_on_the_picture_though_frame_times_vary(view: Any, rate: float) -> None:
    view.evaluate("view.seekFrame(0)")
    shown(view, 0)
    with screens_of(view) as screens:
        view.evaluate(f"view.rate = {rate}; view.play()")
        view.wait_for_function(f"view.frame >= {FRAMES - 2}", timeout=20000)
    view.evaluate("view.pause(); view.rate = 1")
    seen = [on_screen(screen) for screen in screens]
    assert len({picture for _, picture in seen}) > 5  # it does play, however busy the machine
    assert all(abs(gauges - picture) <= 1 for gauges, picture in seen), Counter(seen)


def test_keyboard__alone_moves_by_frames_and_changes_over(view: Any) -> None:
    view.evaluate("view.seekFrame(20)")
    shown(view, 20)
    view.focus("run-view")
    for key, frame in [
        ("ArrowRight", 21),
        ("Shift+ArrowRight", 31),
        ("ArrowLeft", 30),
        ("l", 3),
        ("End", FRAMES - 1),
        ("Home", 0),
    ]:
        view.keyboard.press(key)
        assert shown(view, frame) == (frame, frame)
    view.keyboard.press("g")
    assert view.evaluate("view.gauges") == "received"
    view.keyboard.press("g")
    view.keyboard.press("-")
    assert view.evaluate("view.rate") == 0.5
    view.keyboard.press("+")
    view.keyboard.press(" ")
    view.wait_for_function("!view.paused && view.frame > 1")
    view.keyboard.press(" ")
    assert view.evaluate("view.paused")


def test_nudge__moves_the_gauges_alone(view: Any) -> None:
    view.evaluate("view.seekFrame(30)")
    shown(view, 30)
    moved = view.evaluate("view.nudge = view.times[34] - view.times[30]; view.frame")
    view.wait_for_function("view.querySelector('canvas').dataset.frame === '34'")
    assert (moved, on_screen(view.locator(".rv-stage").screenshot())) == (30, (34, 30))
    view.evaluate("view.nudge = 0")


def test_chart__click_seeks_and_the_needle_follows(view: Any) -> None:
    box = view.locator(".u-over").bounding_box()
    view.mouse.click(box["x"] + box["width"] / 2, box["y"] + 50)
    middle = view.evaluate(
        "(() => { const { min, max } = view._charts[0].chart.scales.x; return (min + max) / 2; })()"
    )
    view.wait_for_function(f"Math.abs(view.currentTime - {middle}) < 0.07")
    frame = view.evaluate("view.frame")
    assert shown(view, frame) == (frame, frame)
    needle = view.locator(".ch-needle").bounding_box()
    assert needle["x"] == pytest.approx(box["x"] + box["width"] / 2, abs=box["width"] / FRAMES * 2)
    view.mouse.move(1, 1)
    view.evaluate("view.seekFrame(80)")
    shown(view, 80)
    assert view.locator(".ch-needle").bounding_box()["x"] > needle["x"]
    assert (
        view.locator(".ch-key output").last.text_content()
        == f"{view.evaluate('view.times[80]'):.3f} s"
    )


def test_chart__the_needle_keeps_its_place_when_the_page_is_made_narrower(view: Any) -> None:
    view.evaluate("view.seekFrame(60)")
    shown(view, 60)
    for wide in (800, 420):
        view.set_viewport_size({"width": wide, "height": 900})
        view.wait_for_function(
            "() => { const one = view._charts[0].chart;"
            "const at = new DOMMatrix(document.querySelector('.ch-needle').style.transform).m41;"
            "return Math.abs(one.over.clientWidth - one.width) < 120"
            " && Math.abs(at - one.valToPos(view.times[60], 'x')) < 0.5"
            " && Math.abs(one.width - document.querySelector('.ch-plot').clientWidth) < 1; }"
        )


def test_choice__what_the_receiver_showed_is_greyed_with_the_reason(
    browser: Any, tmp_path: Path
) -> None:
    data = write_numbered(tmp_path, [33 * n for n in range(12)])
    data["gauges"]["received"] = {"reason": "its clock is not known"}
    script = f"await document.querySelector('run-view').show({{ data: {json.dumps(data)} }});"
    write_viewer(tmp_path / "view.html", "<run-view></run-view>", script)
    page, said = quiet_page(browser, viewport={"width": 420, "height": 700})
    page.goto((tmp_path / "view.html").as_uri())
    page.wait_for_function("window.isReady", timeout=15000)
    late = page.get_by_role("button", name="As the receiver showed it")
    assert late.is_disabled() and late.get_attribute("title") == "its clock is not known"
    assert page.locator(".rv-why").text_content() == "its clock is not known"
    page.focus("run-view")
    page.keyboard.press("g")
    assert page.evaluate("document.querySelector('run-view').gauges") == "corrected"
    assert serious(page) == [] and said == []
    page.context.close()


@pytest.mark.parametrize(
    ("size", "codec", "stored", "why"),
    [
        ("320x180", ["libx264", "-preset", "veryfast"], "yuv420p10le", "pixels stored as"),
        ("320x180", ["libx265", "-preset", "ultrafast"], "yuv420p10le", "hevc in .mp4"),
        ("3840x2160", ["libx264", "-preset", "ultrafast"], "yuv420p", "3840×2160 pixels"),
    ],
)
def test_proxy__of_a_clip_that_browsers_do_not_play_plays_frame_by_frame(
    browser: Any, tmp_path: Path, size: str, codec: list[str], stored: str, why: str
) -> None:
    times_ms = uneven_times_ms(30)
    data = write_numbered(tmp_path, times_ms)
    clip, camera = tmp_path / "clip.mp4", tmp_path / "camera.mp4"
    scale = f"scale={size.replace('x', ':')}:flags=neighbor"
    kept = ["-fps_mode", "passthrough", "-enc_time_base:v", "1/1000", "-video_track_timescale"]
    how = ["-c:v", *codec, "-crf", "16", "-pix_fmt", stored, *kept, "1000"]
    run_ffmpeg("-i", clip, "-vf", scale, *how, camera)
    facts = probe(camera)
    assert (facts.pixel_format, f"{facts.width}x{facts.height}") == (stored, size)
    assert why_not_played(facts).startswith(why)
    make_proxy(facts, clip)
    page, said = viewed(browser, tmp_path, data)
    for frame in (0, 1, 16, 29):
        page.evaluate(f"view.seekFrame({frame})")
        assert shown(page, frame) == (frame, frame)
    page.evaluate("view.play()")
    page.wait_for_function("view.paused && view.frame === 29", timeout=20000)
    assert shown(page, 29) == (29, 29) and said == []
    page.context.close()


def test_pair__the_second_run_keeps_to_the_first(browser: Any, tmp_path: Path) -> None:
    for name in "ab":
        (tmp_path / name).mkdir()
    first = write_numbered(tmp_path / "a", [33 * n for n in range(FRAMES)])
    second = write_numbered(tmp_path / "b", [40 * n for n in range(FRAMES)])
    locks = {
        "launch": {"first": "-10 10", "second": "-9.5 10.5"},
        "distance": {"first": "-10 0 10", "second": "-9.5 0.5 8.5"},
    }
    told = {
        "first": {"data": first, "base": "a/"},
        "second": {"data": second, "base": "b/"},
        "locks": locks,
    }
    script = (
        "window.pair = document.querySelector('run-pair');"
        f"await pair.show({json.dumps(told)});"
        "window.apart = []; pair.first.addEventListener('framechange', () => "
        "apart.push(pair.second.clock - pair._due().at));"
    )
    write_viewer(tmp_path / "pair.html", "<run-pair></run-pair>", script)
    page, said = quiet_page(browser, viewport={"width": 800, "height": 600})
    page.goto((tmp_path / "pair.html").as_uri())
    page.wait_for_function("window.isReady", timeout=15000)
    page.evaluate("pair.first.seekFrame(30)")
    page.wait_for_function("pair.first.frame === 30")  # 0.99 s, and 1.49 s of the second
    page.wait_for_function("pair.second.frame === 37")
    page.get_by_role("button", name="At the same distance").click()
    page.wait_for_function("pair.second.frame === 32")  # 0.5 s + 0.8 * 0.99 s = 1.292 s
    page.evaluate("pair.lock = 'launch'; pair.first.seekFrame(0)")
    page.wait_for_function("pair.first.frame === 0 && pair.second.frame === 12")
    page.evaluate("apart.length = 0; pair.first.play()")
    page.wait_for_function("pair.first.frame > 75", timeout=20000)
    apart = page.evaluate("apart")[3:]
    assert apart
    assert np.median(np.abs(apart)) < 0.06
    assert said == []
    page.context.close()
