"""Every source frame once, at its time, with the picture meant for that time."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from overlay.errors import OutputError, UsageError
from overlay.footage import probe, read_sound
from overlay.render.draw import draw_clip
from overlay.render.encoder import EncodeOptions
from overlay.scene.layers import Layer, still_layer
from tests.clips import make_clip, make_clip_of, run_ffmpeg, turn_clip
from tests.render.codes import PER_SECOND, WIDTH, code_layer, frames, read, spell

QUICK = EncodeOptions(preset="ultrafast")
SIZE = (192, 128)


def check_times(source: Path, target: Path, *, x: int = 0, y: int = 0) -> None:
    facts = probe(source)
    times = facts.frame_times
    base = times.time_base
    meant = [int(pts - times.pts[0]) * base for pts in times.pts]
    shown = frames(target)
    assert [at for at, _ in shown] == meant
    codes = [read(yuv[0], x, y) for _, yuv in shown]
    assert codes == [round(float(at) * PER_SECOND) for at in meant]
    made = probe(target)
    assert made.duration_s == pytest.approx(facts.duration_s, abs=1.5 / 24)
    assert made.pixel_aspect == facts.pixel_aspect
    if facts.audio_codec:
        assert made.audio_start_s == pytest.approx(facts.audio_start_s, abs=0.001)
        # Copied Opus keeps the padding of its last packet, which MP4 has no field for here.
        padding_s = 0.02 if facts.audio_codec == "opus" else 0.001
        assert made.audio_duration_s == pytest.approx(facts.audio_duration_s, abs=padding_s)


def late_samples(ours: npt.NDArray[np.float32], theirs: npt.NDArray[np.float32]) -> int:
    """By how many samples `ours` comes later, by cross-correlation of the first channel."""
    spectra = [np.fft.rfft(sound[:, 0], 1 << 17) for sound in (ours, theirs)]
    lag = int(np.argmax(np.fft.irfft(spectra[0] * spectra[1].conj())))
    return lag if lag < 1 << 16 else lag - (1 << 17)


RATES = ["24000/1001", "25", "30000/1001", "50", "60000/1001", "120"]


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("keyed", [False, True])
def test_draw__every_rate(tmp_path: Path, rate: str, keyed: bool) -> None:
    source = make_clip(tmp_path / "a.mp4", size=SIZE, rate=rate, seconds=0.6, audio=1)
    report = draw_clip(source, [code_layer(keyed=keyed)], tmp_path / "b.mp4", options=QUICK)
    check_times(source, tmp_path / "b.mp4")
    assert report.frames == len(probe(source).frame_times)
    assert report.sound == "copied"


def test_draw__variable_rate(tmp_path: Path, rng: np.random.Generator) -> None:
    pts = np.cumsum(rng.integers(400, 9000, 60)).tolist()
    grey = np.full((SIZE[1] * 3 // 2, SIZE[0]), 100, np.uint8)
    source = make_clip_of(tmp_path / "a.mp4", [grey] * 60, pts, time_base=Fraction(1, 90000))
    assert probe(source).is_variable
    layers = [code_layer(), code_layer(32, 64)]
    draw_clip(source, layers, tmp_path / "b.mp4", options=QUICK)
    check_times(source, tmp_path / "b.mp4")
    check_times(source, tmp_path / "b.mp4", x=32, y=64)


KINDS: dict[str, dict[str, Any]] = {
    "mkv": {"suffix": ".mkv", "rate": "30000/1001"},
    "ts": {"suffix": ".ts"},
    "hevc 10 bit": {"codec": "hevc", "pix_fmt": "yuv420p10le"},
    "high dynamic range": {
        "codec": "hevc",
        "pix_fmt": "yuv420p10le",
        "video_filter": "setparams=colorspace=bt2020nc:color_primaries=bt2020"
        ":color_trc=arib-std-b67",
    },
    "prores 10 bit": {
        "suffix": ".mov",
        "codec": "ffv1",
        "pix_fmt": "yuv422p10le",
        "extra": ["-c:v", "prores_ks"],
    },
    "full range": {"pix_fmt": "yuvj420p"},
    "4:2:2": {"pix_fmt": "yuv422p"},
    "wide pixels": {"sar": Fraction(4, 3)},
    "odd": {"pix_fmt": "yuv444p", "video_filter": "format=yuv444p,scale=191:127"},
    "avi": {"suffix": ".avi", "audio_codec": "mp3"},
    "vp9": {"suffix": ".webm", "codec": "vp9", "audio_codec": "libopus"},
    "5.1": {"audio": 6},
    "no sound": {"audio": None},
    "late sound": {"audio_start_s": 0.4},
    "short sound": {"audio_seconds": 0.3},
    "long sound": {"audio_seconds": 1.5},
    "pcm": {"suffix": ".mov", "audio_codec": "pcm_s16le"},
    "interlaced": {
        "rate": 50,
        "video_filter": "interlace",
        "extra": ["-x264-params", "tff=1", "-flags", "+ildct+ilme"],
    },
}


@pytest.mark.parametrize("kind", KINDS)
def test_draw__footage_of_every_kind(tmp_path: Path, kind: str) -> None:
    settings = {"audio": 2, "size": SIZE, "seconds": 0.8} | KINDS[kind]
    source = make_clip(tmp_path / f"a{settings.pop('suffix', '.mp4')}", **settings)
    before = source.read_bytes()
    report = draw_clip(source, [code_layer()], tmp_path / "b.mp4", options=QUICK)
    check_times(source, tmp_path / "b.mp4")
    assert source.read_bytes() == before
    facts, made = probe(source), probe(tmp_path / "b.mp4")
    # A stream without a range is of limited range: ITU-T H.264 E.2.1, video_full_range_flag.
    assert (made.color_range == "pc") == (facts.color_range == "pc")
    assert made.color_space == facts.color_space
    assert made.color_primaries == facts.color_primaries
    assert made.color_transfer == facts.color_transfer
    if kind == "high dynamic range":
        assert made.color_transfer == "arib-std-b67"
        assert any("dynamic range" in note for note in report.notes)
    assert made.bit_depth == facts.bit_depth
    assert made.audio_channels == facts.audio_channels
    assert not made.is_interlaced
    if kind in ("odd", "interlaced", "hevc 10 bit"):
        assert report.notes
    if facts.audio_codec and facts.audio_codec != "pcm_s16le":
        ours, theirs = read_sound(tmp_path / "b.mp4"), read_sound(source)
        assert ours is not None
        assert theirs is not None
        if source.suffix in (".mkv", ".webm"):  # these count milliseconds
            assert abs(late_samples(ours.samples, theirs.samples)) <= 48
        else:
            np.testing.assert_array_equal(ours.samples, theirs.samples)


@pytest.mark.parametrize("turn", [90, 180, 270])
def test_draw__turned_upright_once(tmp_path: Path, turn: int) -> None:
    source = make_clip(tmp_path / "a.mp4", size=(256, 192), seconds=0.4, rotation=turn, audio=1)
    report = draw_clip(source, [code_layer(0, 32)], tmp_path / "b.mp4", options=QUICK)
    check_times(source, tmp_path / "b.mp4", y=32)
    facts = probe(tmp_path / "b.mp4")
    assert facts.rotation_deg == 0
    assert (facts.width, facts.height) == (report.width, report.height)
    assert (facts.width, facts.height) == ((256, 192) if turn == 180 else (192, 256))
    upright = run_ffmpeg("-i", source, "-vf", "extractplanes=y", "-f", "rawvideo", "-")
    theirs = np.frombuffer(upright, np.uint8).reshape(-1, facts.height, facts.width)
    ours = np.stack([yuv[0] for _, yuv in frames(tmp_path / "b.mp4")])
    difference = np.abs(ours[:, 64:].astype(int) - theirs[:, 64:])
    assert np.median(difference) <= 2


def test_draw__edit_list(tmp_path: Path) -> None:
    whole = make_clip(tmp_path / "w.mp4", size=SIZE, seconds=2, gop=60, audio=1)
    source = tmp_path / "a.mp4"
    run_ffmpeg("-ss", "0.5", "-i", whole, "-c", "copy", source)
    draw_clip(source, [code_layer()], tmp_path / "b.mp4", options=QUICK)
    check_times(source, tmp_path / "b.mp4")


def test_draw__mirrored(tmp_path: Path) -> None:
    plain = make_clip(tmp_path / "p.mp4", size=SIZE, seconds=0.2)
    source = turn_clip(plain, tmp_path / "a.mp4", 90, mirrored=True)
    facts = probe(source)
    layer = Layer(0, 0, 16, 16, lambda t: np.full((16, 16, 4), 255, np.uint8))
    report = draw_clip(source, [layer], tmp_path / "b.mp4", options=QUICK)
    assert (report.width, report.height) == (facts.width, facts.height)
    assert probe(tmp_path / "b.mp4").rotation_deg == 0


# 8-bit codes of saturated colours in limited range: BT.709 from ITU-R BT.709-6 section 3
# (Kr 0.2126, Kb 0.0722), BT.601 from ITU-R BT.601-7 (Kr 0.299, Kb 0.114), computed.
CODES = {
    ("bt709", "tv"): {
        (255, 255, 255): (235, 128, 128),
        (255, 0, 0): (63, 102, 240),
        (0, 255, 0): (173, 42, 26),
        (0, 0, 255): (32, 240, 118),
    },
    ("smpte170m", "tv"): {
        (255, 255, 255): (235, 128, 128),
        (255, 0, 0): (81, 90, 240),
        (0, 255, 0): (145, 54, 34),
        (0, 0, 255): (41, 240, 110),
    },
    ("bt709", "pc"): {
        (255, 255, 255): (255, 128, 128),
        (255, 0, 0): (54, 99, 255),
        (0, 255, 0): (182, 30, 12),
        (0, 0, 255): (18, 255, 116),
    },
}
PRIMARY = {"bt709": 1, "smpte170m": 6}


@pytest.mark.parametrize(("space", "color_range"), CODES)
@pytest.mark.parametrize("codec", ["h264", "h265"])
def test_draw__colours(tmp_path: Path, space: str, color_range: str, codec: str) -> None:
    codes = CODES[space, color_range]
    picture = np.full((3, 128, 256), 128, np.uint8)
    for column, code in enumerate(codes.values()):
        picture[:, 64:, column * 64 : column * 64 + 64] = np.array(code)[:, None, None]
    rows = picture[1:, ::2, ::2].reshape(-1, 256)
    planar = np.concatenate([picture[0], rows])
    tags = (2 if color_range == "pc" else 1, *[PRIMARY[space]] * 3)
    exact = {"preset": "ultrafast", "qp": "1"}
    source = make_clip_of(
        tmp_path / "a.mp4",
        [planar] * 8,
        range(8),
        time_base=Fraction(1, 25),
        options=exact,
        color=(tags[0], tags[1], tags[2], tags[3]),
    )
    layers = []
    for column, color in enumerate(codes):
        tile = np.full((32, 64, 4), 255, np.uint8)
        tile[..., :3] = color
        layers.append(still_layer(column * 64, 0, tile))
    options = EncodeOptions(codec=codec, preset="ultrafast")
    draw_clip(source, layers, tmp_path / "b.mp4", options=options)
    made = probe(tmp_path / "b.mp4")
    assert (made.color_space, made.color_range) == (space, color_range)
    _, yuv = frames(tmp_path / "b.mp4")[-1]
    for column, code in enumerate(codes.values()):
        for rows_of in (slice(8, 24), slice(80, 112)):  # the layer, then the footage
            part = yuv[:, rows_of, column * 64 + 16 : column * 64 + 48].reshape(3, -1)
            found = part.astype(float).mean(axis=1)
            np.testing.assert_allclose(found, code, atol=2.0)


def test_draw__half_transparent(tmp_path: Path) -> None:
    grey = np.full((96, 64), 128, np.uint8)
    grey[:64] = 100
    source = make_clip_of(tmp_path / "a.mp4", [grey] * 4, range(4), time_base=Fraction(1, 25))
    tile = np.full((32, 64, 4), 255, np.uint8)
    tile[..., 3] = 64
    draw_clip(source, [still_layer(0, 0, tile)], tmp_path / "b.mp4", options=QUICK)
    _, yuv = frames(tmp_path / "b.mp4")[-1]
    assert float(yuv[0, 4:28].mean()) == pytest.approx(100 + (235 - 100) * 64 / 255, abs=2)
    assert float(yuv[0, 36:].mean()) == pytest.approx(100, abs=1)


def test_draw__cover_hides_what_was_there(tmp_path: Path) -> None:
    values = [0b101010101010101010, 0b010101010101010101, 0b111000111000111000]
    pictures = []
    for value in values:
        planar = np.full((192, 192), 128, np.uint8)
        planar[32:48, 16 : 16 + WIDTH] = spell(value)[..., 0]
        pictures.append(planar)
    source = make_clip_of(tmp_path / "a.mp4", pictures, range(3), time_base=Fraction(1, 10))
    cover = (15, 31, WIDTH + 2, 18)
    draw_clip(source, [], tmp_path / "b.mp4", covers=[cover], options=QUICK)
    made = frames(tmp_path / "b.mp4")
    assert len(made) == 3
    for (_, yuv), picture in zip(made, pictures, strict=True):
        hidden = yuv[0, 32:48, 16 : 16 + WIDTH].astype(float)
        truth = picture[32:48, 16 : 16 + WIDTH].astype(float)
        assert np.ptp(hidden) < 0.05 * np.ptp(truth)
        np.testing.assert_allclose(yuv[0, 64:120], picture[64:120], atol=3)


def test_draw__tags(tmp_path: Path) -> None:
    import av

    source = make_clip(
        tmp_path / "a.mp4",
        size=SIZE,
        seconds=0.2,
        extra=["-metadata", "creation_time=2026-04-11T09:30:00Z", "-metadata", "title=private"],
    )
    text = '{"ribbon":[0.1,0.2],"name":"Spül \'x\'; a=b"}'
    tags = {"comment": text}
    draw_clip(source, [code_layer()], tmp_path / "b.mp4", options=QUICK, metadata=tags)
    with av.open(str(tmp_path / "b.mp4")) as container:
        assert container.metadata["comment"] == text
        assert "title" not in container.metadata
    made = probe(tmp_path / "b.mp4")
    assert made.created_utc == probe(source).created_utc
    data = (tmp_path / "b.mp4").read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")


def test_draw__several_sounds_all_kept(tmp_path: Path) -> None:
    import av

    one = make_clip(tmp_path / "one.mp4", size=SIZE, seconds=0.5, audio=1)
    two = tmp_path / "two.mkv"
    run_ffmpeg("-i", one, "-f", "lavfi", "-i", "sine=f=200:d=0.5", "-map", "0", "-map", "1",
               "-c:v", "copy", "-c:a:0", "copy", "-c:a:1", "pcm_s16le", two)  # fmt: skip
    report = draw_clip(two, [code_layer()], tmp_path / "b.mp4", options=QUICK)
    with av.open(str(tmp_path / "b.mp4")) as container:
        assert [s.codec_context.name for s in container.streams.audio] == ["aac", "aac"]
    assert "pcm_s16le" in report.sound


def test_draw__refuses_what_cannot_be(tmp_path: Path) -> None:
    source = make_clip(tmp_path / "a.mp4", size=SIZE, seconds=0.2)
    with pytest.raises(OutputError, match="never changed"):
        draw_clip(source, [], source)
    with pytest.raises(UsageError, match="reaches to"):
        draw_clip(source, [code_layer(100, 0)], tmp_path / "b.mp4")
    with pytest.raises(UsageError, match="reaches to"):
        draw_clip(source, [], tmp_path / "b.mp4", covers=[(0, 0, 400, 10)])
    with pytest.raises(UsageError, match=r"\.xyz"):
        draw_clip(source, [], tmp_path / "b.xyz")
    with pytest.raises(UsageError, match="codec"):
        draw_clip(source, [], tmp_path / "b.mp4", options=EncodeOptions(codec="h999"))
    with pytest.raises(UsageError, match="even"):
        Layer(1, 0, 4, 4, lambda t: spell(0))
    assert [path.name for path in tmp_path.iterdir()] == ["a.mp4"]
