"""Facts of clips of every kind: times, rates, turn, shape, colour, sound."""

import struct
from datetime import UTC, datetime
from fractions import Fraction
from types import SimpleNamespace

import numpy as np
import pytest
from clips import make_clip, make_clip_of, run_ffmpeg, turn_clip

from overlay.footage import luma_frames, probe
from overlay.footage.facts import _trimmed_ticks, whole_frames

# Nominal rates; 1000/1001 times the whole rates are those of SMPTE television systems.
RATES = [
    Fraction(24000, 1001),
    Fraction(25),
    Fraction(30000, 1001),
    Fraction(50),
    Fraction(60000, 1001),
    Fraction(120),
]


def grey(value: int, size: tuple[int, int] = (64, 48)) -> np.ndarray:
    """A picture of one luma code, as planar YUV 4:2:0."""
    wide, high = size
    planes = np.full((high * 3 // 2, wide), 128, dtype=np.uint8)
    planes[:high] = value
    return planes


@pytest.mark.parametrize("rate", RATES, ids=str)
@pytest.mark.parametrize("suffix", ["mp4", "mkv"])
def test_probe__recovers_the_rate(tmp_path, rate, suffix):
    clip = make_clip(tmp_path / f"a.{suffix}", rate=rate, seconds=0.8)
    facts = probe(clip)
    count = len(facts.frame_times)
    tick_s = float(facts.frame_times.time_base)
    assert count == -(-rate * Fraction(8, 10) // 1)
    assert facts.frame_rate_hz == rate
    assert not facts.is_variable
    expected = np.arange(count) / float(rate)
    assert np.max(np.abs(facts.frame_times.seconds - expected)) <= tick_s
    assert facts.duration_s == pytest.approx(count / float(rate), abs=2 * tick_s)


def test_frame_1800_at_29_97_is_at_60_06_s():
    # Real time of frame n is n * 1001 / 30000 s; reference table, computed.
    from overlay.timebase import FrameTimes

    times = FrameTimes(np.arange(1801) * 1001, Fraction(1, 30000))
    assert times.seconds[1800] == 60.06


@pytest.mark.parametrize(("suffix", "time_base"), [("mp4", 90000), ("mkv", 1000)])
def test_probe__variable_frame_times_are_exact(tmp_path, rng, suffix, time_base):
    steps = rng.integers(10, 70, size=40) * (time_base // 1000)
    pts = np.concatenate([[0], np.cumsum(steps)])
    pictures = [grey(40 + 4 * i) for i in range(len(pts))]
    path = tmp_path / f"vfr.{suffix}"
    clip = make_clip_of(path, pictures, pts.tolist(), time_base=Fraction(1, time_base))
    facts = probe(clip)
    assert facts.is_variable
    exact = [float(Fraction(int(p), time_base)) for p in pts]
    assert facts.frame_times.seconds.tolist() == pytest.approx(exact, abs=1e-12)
    frames = list(luma_frames(clip))
    assert [f.t_s for f in frames] == facts.frame_times.seconds.tolist()
    # Each time belongs to its own picture, although B-frames are stored out of order.
    assert [round(float(f.luma.mean())) for f in frames] == pytest.approx(
        [40 + 4 * i for i in range(len(pts))], abs=1
    )


@pytest.mark.parametrize("suffix", ["mp4", "mov", "mkv", "avi", "ts"])
def test_probe__b_frames_are_put_in_order(tmp_path, suffix):
    clip = make_clip(tmp_path / f"b.{suffix}", b_frames=3, audio=1)
    facts = probe(clip)
    assert facts.frame_times.seconds == pytest.approx(np.arange(30) / 30, abs=2e-3)
    assert [f.t_s for f in luma_frames(clip)] == facts.frame_times.seconds.tolist()
    assert facts.audio_codec == "aac"
    assert abs(facts.audio_start_s) <= 0.05


@pytest.mark.parametrize("rotation", [90, 180, 270])
def test_probe__rotation_is_the_clockwise_turn(tmp_path, rotation):
    facts = probe(make_clip(tmp_path / "r.mp4", rotation=rotation, seconds=0.2))
    assert facts.rotation_deg == rotation
    assert not facts.is_mirrored
    assert (facts.width, facts.height) == ((96, 64) if rotation == 180 else (64, 96))


def test_probe__mirrored(tmp_path):
    plain = make_clip(tmp_path / "a.mp4", seconds=0.2)
    facts = probe(turn_clip(plain, tmp_path / "m.mp4", 0, mirrored=True))
    assert facts.is_mirrored


def test_probe__pixel_aspect(tmp_path):
    sar = Fraction(16, 11)
    plain = make_clip(tmp_path / "a.mp4", seconds=0.2, sar=sar)
    assert probe(plain).pixel_aspect == sar
    assert probe(turn_clip(plain, tmp_path / "t.mp4", 90)).pixel_aspect == 1 / sar


def test_probe__ten_bit_hevc(tmp_path):
    facts = probe(make_clip(tmp_path / "h.mp4", codec="hevc", pix_fmt="yuv420p10le", seconds=0.3))
    assert (facts.video_codec, facts.pixel_format, facts.bit_depth) == ("hevc", "yuv420p10le", 10)


@pytest.mark.parametrize("codec", ["vp9", "av1"])
def test_probe__webm_codecs(tmp_path, codec):
    clip = make_clip(tmp_path / "w.webm", codec=codec, seconds=0.3, audio=2, audio_codec="libopus")
    facts = probe(clip)
    assert (facts.video_codec, facts.audio_codec) == (codec, "opus")
    assert len(facts.frame_times) == len(list(luma_frames(clip))) == 9


def test_probe__colour_tags(tmp_path):
    tags = "setparams=range=pc:colorspace=bt709:color_primaries=bt709:color_trc=bt709"
    tagged = make_clip(tmp_path / "t.mp4", seconds=0.2, video_filter=tags)
    facts = probe(tagged)
    assert facts.color_range == "pc"
    assert {facts.color_space, facts.color_primaries, facts.color_transfer} == {"bt709"}
    bare = make_clip_of(tmp_path / "b.mp4", [grey(90)] * 3, [0, 40, 80], color=(0, 2, 2, 2))
    plain = probe(bare)
    assert {plain.color_range, plain.color_space, plain.color_transfer} == {"unknown"}


def test_probe__interlaced(tmp_path):
    clip = make_clip(
        tmp_path / "i.ts", codec="mpeg2", rate=25, seconds=0.4, extra=["-flags", "+ildct+ilme"]
    )
    assert probe(clip).is_interlaced
    assert not probe(make_clip(tmp_path / "p.ts", codec="mpeg2", seconds=0.4)).is_interlaced


def test_probe__interlaced_frames_all_count(tmp_path):
    options = ["-flags", "+ildct+ilme", "-x264-params", "tff=1"]
    clip = make_clip(tmp_path / "i.ts", rate=25, seconds=2.0, extra=options)
    facts = probe(clip)
    assert facts.is_interlaced
    assert facts.frame_times.seconds == pytest.approx(np.arange(50) / 25)
    assert [f.t_s for f in luma_frames(clip)] == facts.frame_times.seconds.tolist()


def test_whole_frames__fields_and_frames_mixed():
    times = np.cumsum([0, 3600, 1800, 1800, 1800, 1800, 3600, 3600, 1800, 1800])
    assert whole_frames(times, [0, 3600, 7200, 10800]).tolist() == (3600 * np.arange(7)).tolist()


def test_probe__edit_list_hides_frames(tmp_path):
    whole = make_clip(tmp_path / "a.mp4", seconds=1.0, gop=30, audio=1)
    cut = tmp_path / "cut.mp4"
    run_ffmpeg("-ss", "0.5", "-i", whole, "-c", "copy", cut)
    facts = probe(cut)
    assert len(facts.frame_times) == 15
    assert facts.frame_times.pts[0] >= 0
    shown = [f.luma for f in luma_frames(cut, drop_loop_filter=False)]
    every = [f.luma for f in luma_frames(whole, drop_loop_filter=False)]
    assert len(shown) == 15
    assert np.array_equal(shown, every[15:])


def test_probe__creation_time(tmp_path):
    when = {"creation_time": "2026-04-11T09:30:15.000000Z"}
    clip = make_clip_of(tmp_path / "c.mp4", [grey(90)] * 3, [0, 40, 80], metadata=when)
    assert probe(clip).created_utc == datetime(2026, 4, 11, 9, 30, 15, tzinfo=UTC)
    never = {"creation_time": "1904-01-01T00:00:00.000000Z"}
    clip = make_clip_of(tmp_path / "d.mkv", [grey(90)] * 3, [0, 40, 80], metadata=never)
    assert probe(clip).created_utc is None


@pytest.mark.parametrize("channels", [1, 2, 6])
def test_probe__sound(tmp_path, channels):
    clip = make_clip(
        tmp_path / "s.mp4", audio=channels, audio_rate=44100, audio_start_s=0.25, audio_seconds=0.5
    )
    facts = probe(clip)
    assert (facts.audio_codec, facts.audio_rate_hz) == ("aac", 44100)
    assert facts.audio_channels == channels
    # The file holds the encoder's 1024 samples of run-up before the sound proper.
    assert facts.audio_start_s == pytest.approx(0.25 - 1024 / 44100, abs=1e-3)
    assert facts.audio_duration_s == pytest.approx(0.5, abs=2048 / 44100)


def test_probe__no_sound(tmp_path):
    facts = probe(make_clip(tmp_path / "n.mp4", seconds=0.2))
    assert (facts.audio_codec, facts.audio_channels, facts.audio_duration_s) == (None, 0, 0.0)


def test_probe__real_footage(shared_data):
    facts = probe(shared_data / "lane" / "lane.mp4")  # facts as published in its folder's README
    assert (facts.width, facts.height, len(facts.frame_times)) == (960, 540, 221)
    assert (facts.frame_rate_hz, facts.video_codec, facts.audio_codec) == (25, "h264", "aac")
    assert (facts.audio_rate_hz, facts.audio_channels) == (48000, 2)


def test_trimmed_ticks__damaged_sound_without_a_rate_trims_nothing() -> None:
    codec = SimpleNamespace(sample_rate=0)
    packet = SimpleNamespace(
        has_sidedata=lambda _: True,
        get_sidedata=lambda _: struct.pack("<II", 0, 0),
        stream=SimpleNamespace(codec_context=codec),
        time_base=Fraction(1, 1000),
    )
    assert _trimmed_ticks(packet) == 0
    codec.sample_rate = 8000
    packet.get_sidedata = lambda _: struct.pack("<II", 0, 80)
    assert _trimmed_ticks(packet) == 10
