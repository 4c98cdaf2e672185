"""Everything that reads what comes from outside: good files of each kind, and how it is read."""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from overlay.errors import TimetrueError
from overlay.footage import probe
from overlay.gauges.imprint import KEY, MOST_PIXELS, imprint_from_text
from overlay.logs import read_log
from overlay.render.encoder import ffmpeg_path
from overlay.sheet import load_sheet
from tests.demo_runs import CLIPS
from tests.logs.carried import captions, fit
from tests.logs.containers import (
    Track,
    camm_gps,
    device,
    film,
    other_stream,
    stream5,
    stream9,
    video_track,
)
from tests.logs.samples import GOOD


@dataclass(frozen=True)
class Parser:
    """One kind of input.

    Attributes
    ----------
    good : callable
        Gives whole files.
    read : callable
        Reads a file of that kind; an AssertionError where what it gives cannot be.
    """

    good: Callable[[], list[bytes]]
    read: Callable[[Path], None]


def _log(path: Path) -> None:
    for name, series in read_log(path).channels.items():
        assert np.all(np.isfinite(series.values)), f"{name}: values that are no numbers"
        assert np.all(np.diff(series.t_s) > 0), f"{name}: times that do not rise"


def _clip(path: Path) -> None:
    facts = probe(path)
    assert np.all(np.diff(facts.frame_times.pts) > 0), "frame times that do not rise"
    assert 0 < facts.duration_s < float("inf"), f"lasts {facts.duration_s} s"


def _sheet(path: Path) -> None:
    try:
        sheet = load_sheet(path, files=False)
    except TimetrueError:
        load_again(path)
        raise
    names = [run.name for run in sheet.runs]
    assert len(names) == len({name.casefold() for name in names}), f"one name twice: {names}"
    for name in names:
        outside = "/" in name or "\\" in name or "\0" in name or name in (".", "..")
        assert not outside, f"a run named {name!r} reaches out of the folder"


def load_again(path: Path) -> None:
    """A sheet whose files are looked for as well gives no other error."""
    try:
        load_sheet(path)
    except TimetrueError:
        return


def _imprint(path: Path) -> None:
    found = imprint_from_text(path.read_bytes().decode("utf-8", "replace"))
    if found is None:
        return
    width, height = found.size
    assert 0 < width <= MOST_PIXELS and 0 < height <= MOST_PIXELS
    for x, y, w, h in (*found.boxes, *(side.crop for side in found.sides)):
        assert x >= 0 and y >= 0 and x + w <= width and y + h <= height, "outside the picture"


def _good(word: str) -> list[bytes]:
    return [data for name, data in GOOD.items() if word in name]


def _films() -> list[bytes]:
    """Films with timed metadata of each kind, small enough that every byte is hit."""
    places = [(52 + i * 1e-5, 0.5, 20.0, 0.3 * i, 0.3 * i) for i in range(30)]
    nine = [(*row, 9618, 36000 + i / 10, 1.2, 3) for i, row in enumerate(places)]
    fives = [device(other_stream(20), stream5(places[i : i + 10])) for i in (0, 10, 20)]
    nines = [device(stream9(nine[i : i + 10])) for i in (0, 10, 20)]
    gps = [
        camm_gps(epoch_s=1.46e9 + i / 10, fix=3, lat=52, lon=0.5, alt=20, east=0.3 * i, north=0)
        for i in range(30)
    ]
    video = video_track(6, 2)
    return [
        film(video, Track("gpmd", fives, [1000] * 3)),
        film(video, Track("gpmd", nines, [1000] * 3, start=200)),
        film(video, Track("camm", gps, [100] * 30)),
        film(video, Track("gpmd", fives, [1000] * 3), Track("camm", gps, [100] * 30)),
    ]


def _captions() -> list[bytes]:
    lines = (lambda i, v: f"Speed: {v:.2f} km/h", lambda i, v: f"<b>{v:.1f} mph</b> [lat: 52]")
    return [captions(line, web=web).encode() for line in lines for web in (False, True)]


@cache
def _clips() -> list[bytes]:
    """Small clips of every container that is taken, with sound."""
    made = []
    source = ["-f", "lavfi", "-i", "testsrc=size=64x48:rate=10:duration=1"]
    sound = ["-f", "lavfi", "-i", "sine=duration=1:sample_rate=8000"]
    kinds = {"mp4": "libx264", "mov": "mpeg4", "mkv": "libx264", "avi": "mpeg4", "ts": "libx264"}
    with tempfile.TemporaryDirectory() as folder:
        for suffix, codec in kinds.items():
            target = Path(folder) / f"clip.{suffix}"
            command = [
                ffmpeg_path(),
                "-v",
                "error",
                *source,
                *sound,
                "-c:v",
                codec,
                "-threads",
                "1",
            ]
            subprocess.run([*command, "-pix_fmt", "yuv420p", str(target)], check=True)
            made.append(target.read_bytes())
    return made


def _sheets() -> list[bytes]:
    day = (CLIPS / "day.toml").read_text(encoding="utf-8")
    readme = (Path(__file__).parents[3] / "README.md").read_text(encoding="utf-8")
    more = readme.split("```toml\n")[1].split("```")[0].split("[[candidates]]", 1)
    window = day.replace(
        'clip = "a1.mp4"', 'clip = "a1.mp4"\nwindow_s = [0.5, 9.0]\nsignal_s = 1.0'
    )
    return [text.encode() for text in (day, window, day + "\n[[candidates]]" + more[1])]


def _imprints() -> list[bytes]:
    band = (
        '{"y0":4,"y1":16,"anchor_px":9,"x0":10.5,"x1":410.0,"full_scale_mps":20.0,"luma_step":90.0}'
    )
    side = f'{{"name":"a1","region":[0,0,960,540],"ribbon_at":[20,440],"band":{band}}}'
    slowed = '{"start_s":2.0,"end_s":3.5,"factor":4.0}'
    head = f'{{"{KEY}":1,"size":[960,540],"sides":[{side}],"boxes":[[20,440,420,60]]'
    texts = (head + "}", head + f',"slowed":{slowed}}}', head.replace(side, f"{side},{side}") + "}")
    return [text.encode() for text in texts]


PARSERS = {
    "gpx": Parser(lambda: _good("gpx"), _log),
    "nmea": Parser(lambda: _good("nmea"), _log),
    "table": Parser(lambda: _good("table"), _log),
    "fit": Parser(lambda: [fit(), fit(with_speed=False)], _log),
    "captions": Parser(_captions, _log),
    "film": Parser(_films, _log),
    "clip": Parser(_clips, _clip),
    "sheet": Parser(_sheets, _sheet),
    "imprint": Parser(_imprints, _imprint),
}
