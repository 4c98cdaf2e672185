"""Real gauges on footage of every kind: what the finished pixels say is what was true."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from overlay.footage import luma_crops, probe
from overlay.gauges.readback import read_ribbon
from overlay.jobs.film import FilmRun, draw_run
from overlay.render.encoder import EncodeOptions
from overlay.scene import Style
from overlay.verify.finished import imprint_of
from tests.clips import make_clip, run_ffmpeg
from tests.jobs.known import known_alignment, speed_log

__all__ = ["known_alignment"]
SIZE = (640, 360)
SECONDS = 2.0
KINDS: dict[str, dict[str, Any]] = {
    "23.976 and mono": {"rate": Fraction(24000, 1001), "audio": 1},
    "59.94 and six channels": {"rate": Fraction(60000, 1001), "audio": 6},
    "120 a second": {"rate": 120, "b_frames": 3},
    "upright": {"size": (640, 480), "rotation": 90},
    "upside down": {"rotation": 180, "audio": 2},
    "wide pixels": {"sar": Fraction(4, 3)},
    "ten bits": {"codec": "hevc", "pix_fmt": "yuv420p10le"},
    "full range": {"extra": ["-color_range", "pc"], "pix_fmt": "yuvj420p"},
    "odd size": {"size": (641, 361), "pix_fmt": "yuv444p"},
    "interlaced": {"rate": 25, "extra": ["-x264-params", "tff=1", "-flags", "+ildct+ilme"]},
    "late sound": {"audio": 2, "audio_start_s": 0.4, "audio_seconds": 0.8},
}


def check(source: Path, log: Path, target: Path, **more: Any) -> None:
    """Every frame once at its time, and its ribbon within 0.5 % of full scale of what is meant."""
    style = Style(units="m/s", splits=("2 m/s", "1 m"))
    encoder = EncodeOptions(codec="auto", **more)
    course = draw_run(FilmRun(source, (log,)), target, style, encoder=encoder).runs[0].course
    facts, made = probe(source), probe(target)
    assert np.allclose(made.frame_times.seconds, facts.frame_times.seconds, atol=1e-4)
    imprint = imprint_of(target)
    assert imprint is not None
    (side,) = imprint.sides
    errors = []
    for frame, (crop,) in luma_crops(target, [side.crop]):
        meant = course.at(frame.t_s).speed_mps
        if np.isfinite(meant):
            errors.append(read_ribbon(crop, side.band) - meant / side.band.full_scale_mps)
    assert len(errors) > 0.9 * len(facts.frame_times)
    assert np.max(np.abs(errors)) < 0.005


@pytest.mark.usefixtures("known_alignment")
@pytest.mark.parametrize("kind", KINDS)
def test_draw__true_pixels_on_every_kind(tmp_path: Path, kind: str) -> None:
    options: dict[str, Any] = {"size": SIZE, "seconds": SECONDS} | KINDS[kind]
    source = make_clip(tmp_path / "a.mp4", **options)
    check(source, speed_log(tmp_path / "a.csv", SECONDS), tmp_path / "b.mp4")


@pytest.mark.usefixtures("known_alignment")
def test_draw__true_pixels_at_a_changing_rate(tmp_path: Path) -> None:
    drop = "select='not(eq(mod(n,5),3))+lt(n,9)'"
    source = make_clip(
        tmp_path / "a.mp4",
        size=SIZE,
        seconds=SECONDS,
        video_filter=drop,
        extra=["-fps_mode", "vfr"],
    )
    assert probe(source).is_variable
    check(source, speed_log(tmp_path / "a.csv", SECONDS), tmp_path / "b.mp4")


@pytest.mark.usefixtures("known_alignment")
def test_draw__true_pixels_after_an_edit_list(tmp_path: Path) -> None:
    whole = make_clip(tmp_path / "w.mp4", size=SIZE, seconds=3, gop=10)
    run_ffmpeg("-ss", "0.5", "-i", whole, "-c", "copy", tmp_path / "a.mp4")
    check(tmp_path / "a.mp4", speed_log(tmp_path / "a.csv", 2.5), tmp_path / "b.mp4")


@pytest.mark.usefixtures("known_alignment")
def test_draw__recording_in_several_files_joined(tmp_path: Path) -> None:
    from overlay.cli.main import invoke

    parts = [
        make_clip(tmp_path / f"p{index}.mp4", size=SIZE, seconds=1, audio=2) for index in (1, 2)
    ]
    joined = tmp_path / "a.mp4"
    assert invoke(["join", *map(str, parts), "-o", str(joined), "-q"]) == 0
    assert len(probe(joined).frame_times) == 60
    check(joined, speed_log(tmp_path / "a.csv", SECONDS), tmp_path / "b.mp4")


@pytest.mark.usefixtures("known_alignment")
def test_draw__file_cut_off_is_used_to_the_cut(tmp_path: Path) -> None:
    whole = make_clip(
        tmp_path / "w.mp4", size=SIZE, seconds=3, gop=15, extra=["-movflags", "+faststart"]
    )
    source = tmp_path / "a.mp4"
    source.write_bytes(whole.read_bytes()[: whole.stat().st_size * 6 // 10])
    log = speed_log(tmp_path / "a.csv", 3)
    style = Style(units="m/s", splits=("1 m/s",))
    report = draw_run(FilmRun(source, (log,)), tmp_path / "b.mp4", style)
    assert any("cut off" in line for line in report.lines[0])
    assert 30 <= len(probe(tmp_path / "b.mp4").frame_times) < 90


@pytest.mark.usefixtures("known_alignment")
@pytest.mark.parametrize("size", [(320, 240), (360, 640), (3840, 2160)])
def test_draw__smallest_and_largest_pictures(tmp_path: Path, size: tuple[int, int]) -> None:
    source = make_clip(tmp_path / "a.mp4", size=size, seconds=1.2, rate=5 if size[0] > 999 else 30)
    log = speed_log(tmp_path / "a.csv", 1.2)
    check(source, log, tmp_path / "b.mp4", preset="ultrafast")
