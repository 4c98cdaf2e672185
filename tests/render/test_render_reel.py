"""The reel: clips whole and in their places, copied where they can be, sound with its picture."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from overlay.errors import OutputError, UsageError
from overlay.footage import picture, probe, read_sound
from overlay.render.cards import Card, card_picture
from overlay.render.draw import draw_clip
from overlay.render.encoder import EncodeOptions
from overlay.render.loudness import measure
from overlay.render.reel import FADE_S, RATE_HZ, make_reel
from tests.clips import make_clip, run_ffmpeg
from tests.render.codes import PER_SECOND, code_layer, frames, read

TITLE_S = RESULTS_S = 1.0
QUICK = EncodeOptions(codec="h264", preset="ultrafast")
SIZE = (320, 180)
TAGS = "setparams=range=tv:colorspace=bt709:color_primaries=bt709:color_trc=bt709"
BUILDS = ("A as bought", "B open filter")
TITLE = Card("Taxiway day", ("Two builds, three runs each",), BUILDS, shown_s=TITLE_S)
RESULTS = Card("Real: B is 0.31 s quicker over 60 m", ("£85.00 for 0.31 s",), shown_s=RESULTS_S)
CARDS: dict[str, Any] = {"title": TITLE, "results": RESULTS}


def finished(folder: Path, name: str, *, rate: str = "30", size: tuple[int, int] = SIZE) -> Path:
    """A clip drawn by us, its frames' times spelt on it."""
    raw = make_clip(
        folder / f"raw-{name}", size=size, rate=rate, seconds=1.5, audio=2, video_filter=TAGS
    )
    draw_clip(raw, [code_layer()], folder / name, options=QUICK)
    raw.unlink()
    return folder / name


def packets(path: Path) -> list[bytes]:
    """Coded pictures in file order, without the stream's head, which may travel with them."""
    import av

    found = []
    with av.open(str(path)) as container:
        for packet in container.demux(container.streams.video[0]):
            data = bytes(packet)
            units = []
            while data:
                count = int.from_bytes(data[:4], "big")
                unit, data = data[4 : 4 + count], data[4 + count :]
                if unit[0] & 31 in (1, 5):  # ITU-T H.264 table 7-1: slices of a picture
                    units.append(unit)
            if units:
                found.append(b"".join(units))
    return found


@pytest.mark.parametrize("rates", [("30", "30"), ("30", "25")])
def test_reel__clips_copied_whole_at_their_places(tmp_path: Path, rates: tuple[str, str]) -> None:
    clips = [finished(tmp_path, f"{index}.mp4", rate=rate) for index, rate in enumerate(rates)]
    target = tmp_path / "reel.mp4"
    report = make_reel(clips, target, **CARDS, options=QUICK)
    assert sum("copied without" in note for note in report.notes) == 2
    coded = packets(target)
    for clip in clips:
        mine = packets(clip)
        assert any(coded[at : at + len(mine)] == mine for at in range(len(coded)))
    shown = frames(target)
    times_s = [float(at) for at, _ in shown]
    assert all(b > a for a, b in itertools.pairwise(times_s))
    start_s = TITLE_S + FADE_S
    for clip in clips:
        own = probe(clip).frame_times.seconds
        for t_s in own:
            index = int(np.argmin(np.abs(np.array(times_s) - (start_s + t_s))))
            assert times_s[index] == pytest.approx(start_s + t_s, abs=0.001)
            assert read(shown[index][1][0]) == round(t_s * PER_SECOND)
        start_s += probe(clip).duration_s + FADE_S
    assert report.duration_s == pytest.approx(start_s + RESULTS_S, abs=0.04)
    assert len(shown) == report.frames
    run_ffmpeg("-xerror", "-i", target, "-f", "null", "-")  # every other decoder's view: no fault


def test_reel__cards_and_fades(tmp_path: Path) -> None:
    clip = finished(tmp_path, "a.mp4")
    target = tmp_path / "reel.mp4"
    report = make_reel([clip], target, **CARDS, options=QUICK)
    title, results = card_picture(TITLE, *SIZE), card_picture(RESULTS, *SIZE)

    def apart(a: np.ndarray, b: np.ndarray) -> float:
        return float(np.abs(a.astype(float) - b.astype(float)).mean())

    assert apart(picture(target, 0.8), title) < 2
    end_s = TITLE_S + FADE_S + probe(clip).duration_s
    assert apart(picture(target, end_s + FADE_S + 0.3), results) < 2
    half = picture(target, TITLE_S + FADE_S / 2)
    mean = (title.astype(float) + picture(clip, 0.0).astype(float)) / 2
    assert apart(half, mean) < 6
    assert picture(target, report.duration_s - 0.02).mean() < 4


@pytest.mark.parametrize(("primaries", "is_copied"), [(2, True), (9, False)])
def test_reel__colour_tags_left_out_are_those_of_the_matrix(
    tmp_path: Path, primaries: int, is_copied: bool
) -> None:
    whole, clip = finished(tmp_path, "whole.mp4"), tmp_path / "a.mp4"
    tags = f"h264_metadata=colour_primaries={primaries}:transfer_characteristics={primaries}"
    run_ffmpeg("-i", whole, "-c", "copy", "-bsf:v", tags, clip)
    report = make_reel([clip], tmp_path / "reel.mp4", **CARDS, options=QUICK)
    assert any("a.mp4: copied" in note for note in report.notes) == is_copied
    assert probe(tmp_path / "reel.mp4").color_primaries == "bt709"


def test_reel__another_size_is_encoded_again_and_said(tmp_path: Path) -> None:
    small = finished(tmp_path, "small.mp4", size=(160, 120))
    large = finished(tmp_path, "large.mp4")
    report = make_reel([small, large], tmp_path / "reel.mp4", **CARDS, options=QUICK)
    assert any("small.mp4: encoded again, because of another size" in n for n in report.notes)
    assert any("large.mp4: copied" in note for note in report.notes)
    made = probe(tmp_path / "reel.mp4")
    assert (made.width, made.height) == SIZE
    # The small clip's shape is kept: dark ground at its sides, picture in the middle.
    shown = picture(tmp_path / "reel.mp4", TITLE_S + FADE_S + 0.5)
    assert shown[:, :30].max() < 40
    assert shown[:, 60:260].mean() > 60


def test_reel__other_settings_are_encoded_again(tmp_path: Path) -> None:
    clip = finished(tmp_path, "a.mp4")
    slower = EncodeOptions(codec="h264", preset="veryfast")
    report = make_reel([clip], tmp_path / "r.mp4", **CARDS, options=slower)
    assert any("other encoder settings" in note for note in report.notes)
    shown = frames(tmp_path / "r.mp4")
    codes = [read(yuv[0]) for at, yuv in shown if 1.6 - 1e-6 <= float(at) < 3.1 - 1e-6]
    meant = [round(t_s * PER_SECOND) for t_s in probe(clip).frame_times.seconds]
    assert codes == meant


def test_reel__sound_with_its_picture_at_its_loudness(tmp_path: Path) -> None:
    clip = tmp_path / "a.mp4"
    beeps = "aevalsrc='0.2*sin(2*PI*1000*t)*between(t,1,1.5)':s=48000:d=2"
    run_ffmpeg("-f", "lavfi", "-i", f"testsrc2=s={SIZE[0]}x{SIZE[1]}:r=30:d=2",
               "-f", "lavfi", "-i", beeps, "-c:v", "libx264", "-c:a", "aac", clip)  # fmt: skip
    target = tmp_path / "reel.mp4"
    make_reel(
        [clip, clip], target, **CARDS, options=QUICK,
        loudness_lufs=-23.0,
    )  # fmt: skip
    heard = read_sound(target, rate_hz=RATE_HZ)
    assert heard is not None
    found = measure(heard.samples, RATE_HZ)
    assert found.integrated_lufs == pytest.approx(-23.0, abs=0.5)
    assert found.true_peak_dbtp <= -0.5
    level = np.abs(heard.samples[:, 0])
    for start_s in (TITLE_S + FADE_S, TITLE_S + 2 * FADE_S + 2):
        near = (heard.t_s > start_s) & (heard.t_s < start_s + 1.3)
        onset = heard.t_s[near][level[near] > 0.3 * level.max()][0]
        assert onset == pytest.approx(start_s + 1.0, abs=0.01)  # a frame lasts 0.033 s


def test_reel__without_sound(tmp_path: Path) -> None:
    clip = make_clip(tmp_path / "a.mp4", size=SIZE)
    report = make_reel([clip], tmp_path / "reel.mp4", **CARDS, options=QUICK)
    assert report.sound == "no clip has sound"
    assert probe(tmp_path / "reel.mp4").audio_codec is None


def test_reel__refuses_what_cannot_be(tmp_path: Path) -> None:
    clip = make_clip(tmp_path / "a.mp4", size=SIZE)
    target = tmp_path / "b.mp4"
    with pytest.raises(UsageError, match="no clips"):
        make_reel([], target, **CARDS)
    with pytest.raises(UsageError, match=r"\.mp4 or \.mov"):
        make_reel([clip], tmp_path / "b.mkv", **CARDS)
    with pytest.raises(OutputError, match="also an input"):
        make_reel([clip], clip, **CARDS)
    with pytest.raises(UsageError, match="shorten"):
        make_reel([clip], target, title=Card("word " * 300), results=RESULTS)
    with pytest.raises(KeyboardInterrupt):
        make_reel([clip], target, **CARDS, options=QUICK, progress=_stop)
    assert [path.name for path in tmp_path.iterdir()] == ["a.mp4"]


def _stop(_: object) -> None:
    raise KeyboardInterrupt


@pytest.mark.parametrize("size", [(1920, 1080), (1080, 1920), (854, 480), (1080, 1080)])
def test_card__words_are_inside_and_large_enough(size: tuple[int, int]) -> None:
    card = card_picture(
        Card("Real: B is 0.31 ± 0.06 s quicker over 60 m", ("£85.00 for 0.31 s",), ("A", "B")),
        *size,
    )
    assert card.shape == (size[1], size[0], 3)
    bright = card.max(axis=2) > 150
    rows, columns = np.flatnonzero(bright.any(axis=1)), np.flatnonzero(bright.any(axis=0))
    # title-safe: 5 % off each edge
    assert rows[0] > 0.05 * size[1]
    assert rows[-1] < 0.95 * size[1]
    assert columns[0] > 0.05 * size[0]
    assert columns[-1] < 0.95 * size[0]
    # The lowest row of words, shown 360 px wide, is still 4.5 px high (test_gauges_type).
    inked = bright.any(axis=1)
    last = rows[-1]
    first = last - int(np.argmin(inked[last::-1])) + 1
    assert (last - first + 1) * 360 / size[0] >= 4.5
