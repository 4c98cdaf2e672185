"""What the player is given: gauge pictures, a clip that plays, figures at each frame."""

import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from overlay.footage import picture, probe
from overlay.gauges.palette import BUILD_HUES
from overlay.page.play import Shown, lock_tables, play_data, split_text, write_play
from overlay.page.proxy import make_proxy, why_not_played
from overlay.page.sheets import FRAMES, write_sheets
from overlay.scene import Cell, Style, scene_of
from overlay.scene.layers import Layer
from tests.clips import make_clip, make_clip_of
from tests.gauges.closed_form import SPEED_SIGMA, TIMING_SIGMA_S, approach, steady_pull
from tests.page.known import analysis_of

MPH = 0.44704  # m/s, exact: NIST SP 811 (2008), appendix B.8


def spaced(text: str) -> list[float]:
    return [float("nan") if word == "_" else float(word) for word in text.split(" ")]


def test_sheets__each_frame_has_the_picture_drawn_for_its_time(tmp_path: Path) -> None:
    times_s = np.cumsum(np.r_[0.0, np.tile([0.02, 0.05, 0.03], 23)])

    def draw(t_s: float, shade: int) -> np.ndarray:
        made = np.zeros((10, 16, 4), np.uint8)
        made[...] = (round(t_s * 90), shade, 7, 200)
        return made

    layers = [
        Layer(4, 2, 16, 10, lambda t: draw(t, 10)),
        Layer(40, 20, 16, 10, lambda t: draw(t // 1, 99), key=lambda t: t // 1),
    ]
    about = write_sheets(layers, times_s, (64, 36), tmp_path, "g")
    assert len(about["sheets"]) == -(-len(times_s) // FRAMES)
    for index, t_s in enumerate(times_s):
        sheet = about["sheets"][index // FRAMES]
        seen = np.array(Image.open(tmp_path / sheet["name"]).convert("RGBA"))
        for layer, place, cells in zip(layers, about["layers"], sheet["cells"], strict=True):
            (left, top), (wide, high) = cells[index % FRAMES], place["cell"]
            shown = seen[top : top + high, left : left + wide]
            np.testing.assert_array_equal(shown, layer.draw(float(t_s)))
    assert [about["layers"][1][side] for side in ("x", "y", "width", "height")] == [40, 20, 16, 10]


def test_sheets__of_a_large_picture_are_shrunk_without_a_dark_edge(tmp_path: Path) -> None:
    white = np.zeros((200, 400, 4), np.uint8)
    white[:, 100:300] = 255
    layer = Layer(0, 0, 400, 200, lambda _: white)
    about = write_sheets([layer], np.zeros(1), (3840, 2160), tmp_path, "g")
    assert about["layers"][0]["cell"] == [133, 67]
    seen = np.array(Image.open(tmp_path / "g-000.webp").convert("RGBA")).astype(int)
    assert seen[..., :3][seen[..., 3] > 8].min() > 240


def test_proxy__plays_anywhere_and_keeps_every_frame_at_its_time(tmp_path: Path) -> None:
    times_ms = [0, 20, 95, 130, 131, 190, 300, 420]
    pictures = [np.full((72, 128, 3), 30 * n, np.uint8) for n in range(len(times_ms))]
    clip = make_clip_of(
        tmp_path / "phone.mp4",
        pictures,
        times_ms,
        codec="libx265",
        options={"x265-params": "log-level=none"},
        metadata={"location": "+51.5-0.1/"},
    )
    assert why_not_played(probe(clip)) == "hevc in .mp4"
    small = tmp_path / "small.mp4"
    make_proxy(clip, small, longest_px=64, covers=[(0, 0, 64, 72)])
    facts = probe(small)
    assert why_not_played(facts) == ""
    assert (facts.width, facts.height, facts.pixel_format) == (64, 36, "yuv420p")
    np.testing.assert_allclose(1000 * facts.frame_times.seconds, times_ms, atol=1e-6)
    assert b"51.5" not in small.read_bytes()
    assert abs(int(picture(small, 0.2)[18, 48, 1]) - 150) < 12


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"pix_fmt": "yuv422p"}, "pixels stored as yuv422p"),
        ({"size": (2560, 1440), "seconds": 0.1}, "2560×1440 pixels"),
        ({}, ""),
    ],
)
def test_proxy__is_made_only_where_needed(
    tmp_path: Path, more: dict[str, object], why: str
) -> None:
    assert why_not_played(probe(make_clip(tmp_path / "c.mp4", **more))) == why


def test_play_data__figures_are_those_of_the_run_at_the_frame(tmp_path: Path) -> None:
    run = analysis_of(steady_pull(3.0, goals=["40 m"]), tmp_path)
    data = play_data(Shown(run, "a1"), Style("mph", ["40 m"]), None)
    rows = {row["label"]: row for row in data["readouts"]}
    frame = 70  # 7.0 s of the footage, 5 s after launch: v = 15 m/s, s = 37.5 m
    assert spaced(data["frame_times"])[frame] == pytest.approx(7.0)
    assert rows["Time from launch"]["values"].split(" ")[frame] == "5.000"
    assert rows["Speed"]["values"].split(" ")[frame] == f"{15 / MPH:.1f}" == "33.6"
    assert rows["Speed"]["unit"] == "mph"
    half = 1.96 * np.hypot(SPEED_SIGMA, 3.0 * TIMING_SIGMA_S) / MPH
    assert rows["± 95 %"]["values"].split(" ")[frame] == f"{half:.1f}"
    assert rows["Distance"]["values"].split(" ")[frame] == "37.5"
    assert spaced(rows["Speed"]["values"])[19] == 0.0
    chart = data["charts"][0]
    assert (
        chart["y"]["unit"] == "mph" and chart["x"]["values"] == rows["Time from launch"]["values"]
    )
    assert spaced(chart["series"][0]["high"])[frame] == pytest.approx(15 / MPH + half, abs=0.06)
    # 40 m are reached (2 * 40 / 3) ** 0.5 = 5.164 s after launch, so first shown at 7.2 s.
    assert [post["frame"] for post in data["posts"]] == [20, 72]
    assert data["posts"][1]["label"] == "40 m 5.16 s"
    assert data["charts"][0]["lines"] == [{"x": pytest.approx(5.164, abs=0.001), "label": "40 m"}]
    accel = next(chart for chart in data["charts"] if chart["title"] == "Acceleration")
    assert spaced(accel["series"][0]["values"])[frame] == 3.0


def test_play_data__as_the_receiver_showed_it_is_late_by_the_lag(tmp_path: Path) -> None:
    from overlay.page.play import as_received

    run = analysis_of(approach(12.0, 3.0), tmp_path, late_s=1.0)
    late, why = as_received(run, Style("m/s", ["20 m"]))
    assert late is not None and not why
    data = play_data(Shown(run, "a1"), Style("m/s", ["20 m"]), late)
    rows = {row["label"]: spaced(row["values"]) for row in data["readouts"]}
    for frame in (45, 60, 80):
        assert rows["The receiver showed"][frame] == pytest.approx(
            rows["Speed"][frame - 10], abs=0.15
        )
        assert rows["Speed"][frame] == pytest.approx(
            12 * -np.expm1(-(frame / 10 - 2) / 3), abs=0.06
        )


def test_locks__launches_meet_and_equal_distances_meet(tmp_path: Path) -> None:
    (tmp_path / "b").mkdir()
    first = analysis_of(steady_pull(2.0), tmp_path)
    second = analysis_of(steady_pull(3.0, launch_s=3.0), tmp_path / "b")
    tables = lock_tables(first, second)
    a, b = (spaced(tables["launch"][side]) for side in ("first", "second"))
    assert np.interp(2.0, a, b) == pytest.approx(3.0)
    a, b = (spaced(tables["distance"][side]) for side in ("first", "second"))
    # At 6 s the first has gone 16 m, which the second reaches (2 * 16 / 3) ** 0.5 s after launch.
    assert np.interp(6.0, a, b) == pytest.approx(3.0 + (32 / 3) ** 0.5, abs=0.01)
    assert np.all(np.diff(a) > 0) and np.all(np.diff(b) > 0)


def test_write_play__gauges_are_those_of_a_film_and_are_kept(tmp_path: Path) -> None:
    run = analysis_of(steady_pull(3.0, goals=["40 m"]), tmp_path, late_s=1.0)
    style, folder = Style("mph", ["40 m"]), tmp_path / "play"
    data = write_play(Shown(run, "a1", "A"), folder, style, key="k", longest_px=160)
    assert probe(folder / data["clip"]).width == 160
    assert json.loads((folder / "play.json").read_text()) == data
    (layers,) = scene_of([Cell(run, "a1", BUILD_HUES[0])], style).layers
    about, frame = data["gauges"]["corrected"], 70
    sheet = about["sheets"][frame // FRAMES]
    seen = np.array(Image.open(folder / sheet["name"]).convert("RGBA"))
    for layer, cells in zip(layers, sheet["cells"], strict=True):
        left, top = cells[frame % FRAMES]
        shown = seen[top : top + layer.height, left : left + layer.width]
        drawn = layer.draw(7.0)
        np.testing.assert_array_equal(shown[..., 3], drawn[..., 3])
        seen_at_all = drawn[..., 3] > 0  # the colour of what is clear is not kept
        np.testing.assert_array_equal(shown[seen_at_all], drawn[seen_at_all])
    before = (folder / "corrected-000.webp").stat().st_mtime_ns
    assert write_play(Shown(run, "a1", "A"), folder, style, key="k") == data
    assert (folder / "corrected-000.webp").stat().st_mtime_ns == before
    assert probe(folder / data["clip"]).frame_rate_hz == Fraction(10)


def test_split_text__has_the_digits_of_the_gauges(tmp_path: Path) -> None:
    course = steady_pull(3.0, goals=["40 m", "900 m"])
    assert split_text(course.splits[0]) == "40 m 5.16 s"
    assert split_text(course.splits[1]).startswith("900 m: ")


def test_places__of_frames_along_a_days_charts(tmp_path: Path) -> None:
    """Pulled at 2 m/s² from 2 s on: 16 m and 8 m/s (17.9 mph) 4 s later, nothing before it."""
    course = steady_pull(2.0)
    shown = Shown(analysis_of(course, tmp_path), "a1")
    places = play_data(shown, Style("mph", ("20 m",)), None)["along"]
    launch_s = course.launch.at_s
    frame = round((launch_s + 4) * 10)
    assert spaced(places["distance"])[frame] == pytest.approx(16.0, abs=0.02)
    assert spaced(places["speed"])[frame] == pytest.approx(8 / MPH, abs=0.02)
    before = round((launch_s - 0.5) * 10)
    assert np.isnan(spaced(places["distance"])[before])
    after = [t for t in np.arange(0, 10, 0.1) if t > course.finish_s]
    assert len(after) == 0 or np.isnan(spaced(places["speed"])[-1])
