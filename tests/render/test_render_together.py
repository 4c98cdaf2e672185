"""Several runs in one picture: launches together, each picture and value on its own time."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from overlay.errors import OutputError, UsageError
from overlay.footage import probe, read_sound
from overlay.render.encoder import EncodeOptions
from overlay.render.together import (
    Side,
    SplitScreen,
    compose_clips,
    lasts_s,
    output_rate,
    still_together,
)
from overlay.scene import Geometry, Rect
from overlay.scene.layers import Layer
from tests.clips import make_clip, make_clip_of, run_ffmpeg
from tests.render.codes import HEIGHT, PER_SECOND, WIDTH, code_layer, frames, read, spell

QUICK = EncodeOptions(preset="ultrafast", quality=12)
WIDE, HIGH = 192, 128


def tiles(columns: int, rows: int = 1, count: int | None = None) -> Geometry:
    """Cells that the coded clips fill whole."""
    cells = tuple(
        Rect(k % columns * WIDE, k // columns * HIGH, WIDE, HIGH)
        for k in range(columns * rows if count is None else count)
    )
    return Geometry(columns * WIDE, rows * HIGH, cells, cells)


PAIR = tiles(2)


def coded_clip(path: Path, pts: Sequence[int], time_base: Fraction) -> Path:
    """A clip whose every picture spells its own footage time."""
    pictures = []
    for at in pts:
        planar = np.full((HIGH * 3 // 2, WIDE), 128, np.uint8)
        value = round(float((at - pts[0]) * time_base) * PER_SECOND)
        planar[:HEIGHT, :WIDTH] = spell(value)[..., 0]
        pictures.append(planar)
    return make_clip_of(path, pictures, pts, time_base=time_base)


def even_clip(path: Path, rate: Fraction, seconds: float) -> Path:
    return coded_clip(path, range(round(seconds * rate)), 1 / rate)


def since_launch_layer(x: int, y: int) -> Layer:
    """Spells time since launch plus five seconds."""
    return Layer(x, y, WIDTH, HEIGHT, lambda t: spell(round((t + 5) * PER_SECOND)))


def check_side(
    codes: list[int], source: Path, start_s: float, end_s: float, rate: Fraction
) -> None:
    """Each picture is the one nearest to its instant, to half an output frame."""
    times = probe(source).frame_times.seconds
    half_s = float(1 / rate) / 2 + 2 / PER_SECOND
    for index, code in enumerate(codes):
        due_s = min(start_s + float(index / rate), end_s - float(1 / rate))
        shown_s = code / PER_SECOND
        after = times[times > shown_s + 1 / PER_SECOND]
        until_s = after[0] if len(after) else np.inf
        assert shown_s - half_s <= due_s, (index, shown_s, due_s)
        assert due_s <= until_s + half_s, (index, shown_s, until_s, due_s)


CASES = [
    (Fraction(30), Fraction(30), 1.0, 1.0),
    (Fraction(30), Fraction(30), 1.017, 2.204),
    (Fraction(30000, 1001), Fraction(50), 1.5, 0.933),
    (Fraction(25), Fraction(120), 0.8, 1.3),
]


@pytest.mark.parametrize(("rate_a", "rate_b", "launch_a", "launch_b"), CASES)
def test_together__times(
    tmp_path: Path, rate_a: Fraction, rate_b: Fraction, launch_a: float, launch_b: float
) -> None:
    a = even_clip(tmp_path / "a.mp4", rate_a, 3)
    b = even_clip(tmp_path / "b.mp4", rate_b, 3.4)
    end_a = launch_a + 1.0
    layers_a, layers_b = [code_layer(0, 32)], [code_layer(WIDE, 32)]
    target = tmp_path / "c.mp4"
    screen = SplitScreen(
        [Side(a, launch_a, end_a, layers_a), Side(b, launch_b, None, layers_b)],
        PAIR,
        common=[since_launch_layer(96, 64)],
        lead_s=0.5,
    )
    report = compose_clips(screen, target, options=QUICK)
    rate = output_rate([rate_a, rate_b])
    duration_b = probe(b).duration_s
    made = frames(target)
    assert [at for at, _ in made] == [index / rate for index in range(len(made))]
    assert len(made) == report.frames
    assert len(made) == pytest.approx((duration_b - launch_b + 0.5) * rate, abs=1)
    luma = [yuv[0] for _, yuv in made]
    codes_a = [read(plane[:, :WIDE]) for plane in luma]
    codes_b = [read(plane[:, WIDE:]) for plane in luma]
    check_side(codes_a, a, launch_a - 0.5, end_a, rate)
    check_side(codes_b, b, launch_b - 0.5, duration_b, rate)
    own = np.arange(len(made)) / float(rate)
    common = [read(plane, 96, 64) / PER_SECOND - 5 for plane in luma]
    # What is drawn belongs to the very picture shown, not to an instant near it.
    assert [read(plane, 0, 32) for plane in luma] == codes_a
    assert [read(plane, WIDE, 32) for plane in luma] == codes_b
    np.testing.assert_allclose(common, own - 0.5, atol=1e-4)
    assert lasts_s(screen) == pytest.approx(len(made) / float(rate))
    for index in (0, 7, 31, len(made) - 1):  # before and after the launch, and when a is over
        still_together(screen, own[index], tmp_path / "s.png")
        still = np.asarray(Image.open(tmp_path / "s.png").convert("L"))
        assert [read(still[:, :WIDE]), read(still[:, WIDE:])] == [codes_a[index], codes_b[index]]
        assert [read(still, 0, 32), read(still, WIDE, 32)] == [codes_a[index], codes_b[index]]
        assert read(still, 96, 64) / PER_SECOND - 5 == pytest.approx(own[index] - 0.5, abs=1e-4)
    held = codes_a[-1]
    assert codes_a[-5:] == [held] * 5
    assert held / PER_SECOND == pytest.approx(end_a, abs=float(1 / rate_a + 1 / rate))


def test_together__variable_rate_and_late_seek(tmp_path: Path, rng: np.random.Generator) -> None:
    pts = np.cumsum(rng.integers(1500, 5000, 330)).tolist()  # 17 to 55 ms
    a = coded_clip(tmp_path / "a.mp4", pts, Fraction(1, 90000))
    b = even_clip(tmp_path / "b.mp4", Fraction(30), 9)
    compose_clips(
        SplitScreen(
            [Side(a, 7.111, 8.2, [code_layer(0, 32)]), Side(b, 6.503, 7.9)],
            PAIR,
            lead_s=0.3,
            rate_hz=Fraction(60),
        ),
        tmp_path / "c.mp4",
        options=QUICK,
    )
    luma = [yuv[0] for _, yuv in frames(tmp_path / "c.mp4")]
    assert [read(p, 0, 32) for p in luma] == [read(p[:, :WIDE]) for p in luma]
    check_side([read(p[:, :WIDE]) for p in luma], a, 6.811, 8.2, Fraction(60))
    check_side([read(p[:, WIDE:]) for p in luma], b, 6.203, 7.9, Fraction(60))


@pytest.mark.parametrize("suffix", [".ts", ".mkv", ".avi"])
def test_together__late_in_a_container(tmp_path: Path, suffix: str) -> None:
    plain = even_clip(tmp_path / "plain.mp4", Fraction(30), 9)
    a = tmp_path / f"a{suffix}"
    run_ffmpeg("-i", plain, "-c", "copy", a)
    sides = Side(a, 6.5, 7.9), Side(plain, 6.503, 7.9)
    compose_clips(SplitScreen(sides, PAIR, lead_s=0.3), tmp_path / "c.mp4", options=QUICK)
    luma = [yuv[0] for _, yuv in frames(tmp_path / "c.mp4")]
    check_side([read(p[:, :WIDE]) for p in luma], a, 6.2, 7.9, Fraction(30))
    check_side([read(p[:, WIDE:]) for p in luma], plain, 6.203, 7.9, Fraction(30))


def with_tone(
    clip: Path, target: Path, from_s: float, pitch_hz: int, *, delay_s: float = 0
) -> Path:
    """Add a tone that starts suddenly at a footage time."""
    tone = f"aevalsrc='if(gte(t,{from_s - delay_s}),0.9*sin(2*PI*{pitch_hz}*t),0)':s=44100:d=4"
    run_ffmpeg(
        "-i",
        clip,
        "-itsoffset",
        f"{delay_s}",
        "-f",
        "lavfi",
        "-i",
        tone,
        "-map",
        "0",
        "-map",
        "1",
        "-c:v",
        "copy",
        "-c:a",
        "aac",
        target,
    )
    return target


def onset_s(samples: np.ndarray, rate_hz: int) -> float:
    return float(np.argmax(np.abs(samples) > 0.2 * np.abs(samples).max()) / rate_hz)


@pytest.mark.parametrize("delay_s", [0.0, 0.25])
def test_together__sound_of_both_starts_with_the_launch(tmp_path: Path, delay_s: float) -> None:
    clip = even_clip(tmp_path / "plain.mp4", Fraction(30), 4)
    a = with_tone(clip, tmp_path / "a.mp4", 1.0, 440)
    b = with_tone(clip, tmp_path / "b.mp4", 1.7, 550, delay_s=delay_s)
    sides = Side(a, 1.0, 2.0), Side(b, 1.7, 3.0)
    target = tmp_path / "c.mp4"
    report = compose_clips(SplitScreen(sides, PAIR, lead_s=0.8), target, options=QUICK)
    assert report.sound == "both, panned left and right"
    sound = read_sound(target)
    assert sound is not None
    assert sound.start_s == pytest.approx(0, abs=0.001)
    for channel in (0, 1):
        late_s = onset_s(sound.samples[:, channel], sound.rate_hz) - 0.8
        assert abs(late_s) < 0.004  # a quarter turn of the slower tone is 0.6 ms
    spectrum = np.abs(np.fft.rfft(sound.samples[48000:81600], axis=0))
    at_hz = np.fft.rfftfreq(33600, 1 / 48000)
    loud = [spectrum[np.argmin(np.abs(at_hz - pitch))] for pitch in (440, 550)]
    assert loud[0][0] > 3 * loud[0][1]
    assert loud[1][1] > 3 * loud[1][0]
    assert np.abs(sound.samples).max() <= 1.0
    assert probe(target).audio_duration_s == pytest.approx(probe(target).duration_s, abs=0.03)
    tail = sound.samples[-4800:]
    assert np.sqrt(np.mean(tail[:, 0] ** 2)) < 0.5 * np.sqrt(np.mean(tail[:, 1] ** 2))


@pytest.mark.parametrize("wanted", [(0,), (1,), ()])
def test_together__sound_of_one(tmp_path: Path, wanted: tuple[int, ...]) -> None:
    clip = even_clip(tmp_path / "plain.mp4", Fraction(25), 4)
    a = with_tone(clip, tmp_path / "a.mp4", 1.0, 440)
    sides = Side(a, 1.0, 2.0), Side(clip, 1.0, 2.0)
    report = compose_clips(
        SplitScreen(sides, PAIR, heard=wanted), tmp_path / "c.mp4", options=QUICK
    )
    made = probe(tmp_path / "c.mp4")
    assert (made.audio_codec is None) == (wanted != (0,))
    assert any("no sound" in note for note in report.notes) == (wanted == (1,))
    assert any("the lead is" in note for note in report.notes)


def test_together__stacked_turned_and_square(tmp_path: Path) -> None:
    a = make_clip(tmp_path / "a.mp4", size=(320, 180), seconds=1.5, rotation=90)
    b = make_clip(tmp_path / "b.mp4", size=(320, 180), seconds=1.2, sar=Fraction(4, 3), audio=1)
    sides = Side(a, 0.5), Side(b, 0.5)
    cells = (Rect(0, 0, 200, 200), Rect(0, 200, 200, 200))
    panes = (Rect(44, 0, 112, 200), Rect(0, 258, 200, 84))
    geometry = Geometry(200, 400, cells, panes)
    report = compose_clips(SplitScreen(sides, geometry), tmp_path / "c.mp4", options=QUICK)
    assert (report.width, report.height) == (200, 400)
    made = probe(tmp_path / "c.mp4")
    assert made.pixel_aspect == 1
    assert made.color_space == "bt709"
    _, yuv = frames(tmp_path / "c.mp4")[5]
    assert yuv[0, 100, :40].std() < 2  # ground beside the upright clip
    assert yuv[0, 100, 50:150].std() > 10


def test_together__refuses_what_cannot_be(tmp_path: Path) -> None:
    clip = even_clip(tmp_path / "a.mp4", Fraction(25), 1)
    good = Side(clip, 0.5)
    target = tmp_path / "c.mp4"
    with pytest.raises(UsageError, match="outside the clip"):
        compose_clips(SplitScreen([good, Side(clip, 7.0)], PAIR), target)
    with pytest.raises(UsageError, match="before its launch"):
        compose_clips(SplitScreen([good, Side(clip, 0.5, 0.2)], PAIR), target)
    with pytest.raises(UsageError, match="counted from 0"):
        compose_clips(SplitScreen([good, good], PAIR, heard=[2]), target)
    with pytest.raises(UsageError, match="reaches to"):
        compose_clips(SplitScreen([good, good], PAIR, common=[code_layer(300, 0)]), target)
    with pytest.raises(OutputError, match="never changed"):
        compose_clips(SplitScreen([good, good], PAIR), clip)
    assert [path.name for path in tmp_path.iterdir()] == ["a.mp4"]


@pytest.mark.parametrize("count", [3, 4])
def test_together__of_several_every_side_on_its_own_time(tmp_path: Path, count: int) -> None:
    rates = [Fraction(30), Fraction(25), Fraction(30000, 1001), Fraction(50)][:count]
    clips = [even_clip(tmp_path / f"{i}.mp4", rate, 2.5) for i, rate in enumerate(rates)]
    launches = [0.7, 1.01, 0.512, 0.9][:count]
    geometry = tiles(2, 2, count)
    sides = [
        Side(clip, launch, launch + 0.8, [code_layer(cell.x, cell.y + 32)])
        for clip, launch, cell in zip(clips, launches, geometry.cells, strict=True)
    ]
    target = tmp_path / "c.mp4"
    report = compose_clips(SplitScreen(sides, geometry, lead_s=0.4), target, options=QUICK)
    assert (report.width, report.height) == geometry.size
    luma = [yuv[0] for _, yuv in frames(target)]
    rate = output_rate(rates)
    for clip, launch, cell in zip(clips, launches, geometry.cells, strict=True):
        codes = [read(plane, cell.x, cell.y) for plane in luma]
        check_side(codes, clip, launch - 0.4, launch + 0.8, rate)
        assert [read(plane, cell.x, cell.y + 32) for plane in luma] == codes


def test_together__patches_keep_their_colours(tmp_path: Path) -> None:
    """Codes of BT.709 primaries at 75 %, by ITU-R BT.709-6 item 3; none is near the gauges."""
    codes = [(180, 128, 128), (63, 102, 212), (172, 41, 26), (51, 212, 120)]
    picture = np.full((3, HIGH, WIDE), 128, np.uint8)
    for column, code in enumerate(codes):
        picture[:, :, column * 48 : column * 48 + 48] = np.array(code)[:, None, None]
    planar = np.concatenate([picture[0], picture[1:, ::2, ::2].reshape(-1, WIDE)])
    exact = {"preset": "ultrafast", "qp": "1"}
    source = make_clip_of(
        tmp_path / "a.mp4", [planar] * 30, range(30), time_base=Fraction(1, 30), options=exact
    )
    sides = Side(source, 0.5), Side(source, 0.4)
    layers = [code_layer(48, 0), code_layer(240, 64)]
    target = tmp_path / "c.mp4"
    compose_clips(
        SplitScreen(sides, PAIR, common=layers, lead_s=0.3), target, options=EncodeOptions()
    )
    assert probe(target).color_space == "bt709"
    _, yuv = frames(target)[12]
    for left in (0, WIDE):
        for column, code in enumerate(codes):
            x = left + column * 48 + 12
            found = yuv[:, 96:120, x : x + 24].reshape(3, -1).astype(float).mean(axis=1)
            np.testing.assert_allclose(found, code, atol=2.0)


def test_together__of_several_sound_of_all_starts_with_the_launch(tmp_path: Path) -> None:
    clip = even_clip(tmp_path / "plain.mp4", Fraction(30), 3)
    launches = (1.0, 1.7, 0.9)
    clips = [
        with_tone(clip, tmp_path / f"{index}.mp4", launch_s, 440 + 100 * index)
        for index, launch_s in enumerate(launches)
    ]
    sides = [Side(one, at_s, at_s + 1) for one, at_s in zip(clips, launches, strict=True)]
    target = tmp_path / "c.mp4"
    compose_clips(SplitScreen(sides, tiles(2, 2, 3), lead_s=0.8), target, options=QUICK)
    sound = read_sound(target)
    assert sound is not None
    late_s = [onset_s(sound.samples[:, channel], sound.rate_hz) - 0.8 for channel in (0, 1)]
    assert np.abs(late_s).max() < 0.004
