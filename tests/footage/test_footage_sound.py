"""Sound at its true time: offsets, gaps, channels, rates, and nothing lost at the end."""

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from clips import make_clip, run_ffmpeg

from overlay.errors import UsageError
from overlay.footage import read_sound

RATE = 48000


def pcm_clip(
    path: Path, pieces: list[tuple[float, np.ndarray]], *, picture_start_s: float = 0.0
) -> Path:
    """A clip with 16-bit sound whose pieces, shape (n, channels), start at given times."""
    import av

    with av.open(str(path), "w") as container:
        picture = container.add_stream("libx264", rate=30)
        picture.width, picture.height, picture.pix_fmt = 64, 48, "yuv420p"
        layout = {1: "mono", 2: "stereo"}[pieces[0][1].shape[1]]
        sound = container.add_stream("pcm_s16le", rate=RATE, layout=layout)
        for i in range(30):
            frame = av.VideoFrame.from_ndarray(np.full((72, 64), 90, np.uint8), format="yuv420p")
            frame.pts, frame.time_base = i + round(picture_start_s * 30), Fraction(1, 30)
            container.mux(picture.encode(frame))
        container.mux(picture.encode(None))
        for start_s, samples in pieces:
            coded = np.round(samples * 32767).astype(np.int16).reshape(1, -1)
            part = av.AudioFrame.from_ndarray(coded, format="s16", layout=layout)
            part.sample_rate, part.time_base = RATE, Fraction(1, RATE)
            part.pts = round(start_s * RATE)
            container.mux(sound.encode(part))
        container.mux(sound.encode(None))
    return path


def click(at: int, length: int = RATE) -> np.ndarray:
    samples = np.zeros((length, 1))
    samples[at] = 0.9
    return samples


def noise(rng: np.random.Generator, length: int, channels: int = 1) -> np.ndarray:
    return rng.uniform(-0.5, 0.5, (length, channels))


def test_read_sound__gives_back_the_samples(tmp_path, rng):
    samples = noise(rng, 12345, 2)
    got = read_sound(pcm_clip(tmp_path / "a.mov", [(0.0, samples)]))
    assert got.samples.dtype == np.float32
    assert got.samples.shape == (12345, 2)
    assert (got.rate_hz, got.start_s) == (RATE, 0.0)
    assert np.max(np.abs(got.samples - samples)) < 1e-4


def test_read_sound__mono_is_the_mean(tmp_path, rng):
    samples = noise(rng, 5000, 2)
    got = read_sound(pcm_clip(tmp_path / "a.mov", [(0.0, samples)]), mono=True)
    assert got.samples.shape == (5000, 1)
    assert np.max(np.abs(got.samples[:, 0] - samples.mean(axis=1))) < 1e-4


@pytest.mark.parametrize("suffix", ["mkv", "mov"])
def test_read_sound__counts_from_the_first_picture(tmp_path, rng, suffix):
    samples = noise(rng, 4800)
    late = pcm_clip(tmp_path / f"late.{suffix}", [(0.25, samples)])
    assert read_sound(late).start_s == pytest.approx(0.25, abs=1e-6)
    early = pcm_clip(tmp_path / f"early.{suffix}", [(0.0, samples)], picture_start_s=0.2)
    assert read_sound(early).start_s == pytest.approx(-0.2, abs=1e-6)


def test_read_sound__gaps_are_silence(tmp_path, rng):
    first, second = noise(rng, 4800), noise(rng, 4800)
    got = read_sound(pcm_clip(tmp_path / "g.mkv", [(0.0, first), (0.5, second)]))
    assert len(got.samples) == 24000 + 4800
    assert np.max(np.abs(got.samples[:4800] - first)) < 1e-4
    assert not np.any(got.samples[4800:24000])
    assert np.max(np.abs(got.samples[24000:] - second)) < 1e-4
    assert got.t_s[24000] == pytest.approx(0.5, abs=1e-9)


@pytest.mark.parametrize("rate_hz", [16000, 8000, 44100])
def test_read_sound__a_click_stays_in_its_place_at_any_rate(tmp_path, rate_hz):
    at = 24480  # 0.51 s
    got = read_sound(pcm_clip(tmp_path / "c.mov", [(0.1, click(at))]), rate_hz=rate_hz, mono=True)
    power = got.samples[:, 0].astype(float) ** 2
    centre_s = np.sum(power * got.t_s) / np.sum(power)
    assert got.rate_hz == rate_hz
    assert centre_s == pytest.approx(0.1 + at / RATE, abs=0.1 / rate_hz)


def test_read_sound__resampled_to_the_very_end(tmp_path):
    t_s = np.arange(RATE) / RATE
    tone = 0.5 * np.sin(2 * np.pi * 50 * t_s)[:, None]
    got = read_sound(pcm_clip(tmp_path / "t.mov", [(0.0, tone)]), rate_hz=8000)
    assert abs(len(got.samples) - 8000) <= 1
    expected = 0.5 * np.sin(2 * np.pi * 50 * got.t_s)
    assert np.max(np.abs(got.samples[100:-100, 0] - expected[100:-100])) < 2e-3
    assert np.max(np.abs(got.samples[-40:, 0] - expected[-40:])) < 0.1


@pytest.mark.parametrize(("suffix", "codec"), [("mp4", "aac"), ("mkv", "aac"), ("webm", "libopus")])
def test_read_sound__a_click_through_a_lossy_codec(tmp_path, suffix, codec):
    source = pcm_clip(tmp_path / "c.mov", [(0.0, click(24480))])
    picture = ["-c:v", "libvpx-vp9", "-deadline", "realtime"] if suffix == "webm" else []
    clip = tmp_path / f"lossy.{suffix}"
    run_ffmpeg("-i", source, *picture, "-c:a", codec, "-b:a", "128k", clip)
    got = read_sound(clip)
    assert got.t_s[np.argmax(np.abs(got.samples[:, 0]))] == pytest.approx(0.51, abs=1.1e-3)


@pytest.mark.parametrize("channels", [1, 2, 6])
def test_read_sound__channels(tmp_path, channels):
    clip = make_clip(tmp_path / "s.mp4", audio=channels, seconds=0.5)
    got = read_sound(clip)
    assert got.samples.shape[1] == channels
    assert got.t_s[-1] == pytest.approx(0.5, abs=0.05)
    low = read_sound(clip, rate_hz=8000)
    assert low.samples.shape[1] == channels
    mono = read_sound(clip, mono=True, rate_hz=8000)
    # The 50 Hz tone: as many sign changes as 100 a second make.
    crossings = np.sum(np.diff(np.signbit(mono.samples[400:3600, 0])))
    assert crossings == pytest.approx(40, abs=1)


def test_read_sound__shorter_than_the_picture(tmp_path):
    got = read_sound(make_clip(tmp_path / "s.mp4", audio=1, seconds=1.0, audio_seconds=0.4))
    assert got.t_s[-1] == pytest.approx(0.4, abs=1024 / RATE)


def test_read_sound__none_without_sound(tmp_path):
    assert read_sound(make_clip(tmp_path / "n.mp4", seconds=0.1)) is None


def test_read_sound__refuses_no_rate(tmp_path):
    with pytest.raises(UsageError, match="sound rate 0 Hz"):
        read_sound(make_clip(tmp_path / "n.mp4", seconds=0.1, audio=1), rate_hz=0)
