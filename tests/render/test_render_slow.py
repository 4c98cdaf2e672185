"""Slow motion: each frame once, at its slowed time, with what was true when it was taken."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from overlay.errors import OutputError, UsageError
from overlay.footage import probe, read_sound
from overlay.render.draw import draw_clip
from overlay.render.encoder import EncodeOptions
from overlay.render.slowed import slowed_times
from tests.clips import make_clip, make_clip_of, run_ffmpeg
from tests.render.codes import PER_SECOND, code_layer, frames, read

QUICK = EncodeOptions(preset="ultrafast")
SIZE = (192, 128)


def check(source: Path, target: Path, from_s: float, to_s: float, factor: int) -> None:
    """Times and codes against the rule worked out here from the source's own times."""
    times = probe(source).frame_times
    at = [int(pts - times.pts[0]) * times.time_base for pts in times.pts]
    inside = [one for one in at if from_s - 1e-6 <= one < to_s - 1e-6]
    after = [one for one in at if one >= to_s - 1e-6]
    start, end = inside[0], after[0]
    meant = [
        one + (factor - 1) * (min(max(one, start), end) - start)  # rest as it was
        for one in at
    ]
    shown = frames(target)
    assert [one for one, _ in shown] == meant
    codes = [read(yuv[0]) for _, yuv in shown]
    assert codes == [round(float(one) * PER_SECOND) for one in at]


@pytest.mark.parametrize("rate", ["25", "30000/1001", "120"])
def test_slow__every_frame_at_its_slowed_time(tmp_path: Path, rate: str) -> None:
    source = make_clip(tmp_path / "a.mp4", size=SIZE, seconds=1, rate=rate, audio=2)
    slowed = slowed_times(probe(source), 0.3, 0.7, 4)
    report = draw_clip(source, [code_layer()], tmp_path / "b.mp4", slowed=slowed, options=QUICK)
    check(source, tmp_path / "b.mp4", 0.3, 0.7, 4)
    made = probe(tmp_path / "b.mp4")
    assert made.duration_s == pytest.approx(report.duration_s, abs=0.05)
    assert made.audio_duration_s == pytest.approx(made.duration_s, abs=0.05)
    assert "stretched" in report.sound


def test_slow__changing_rate_and_late_start(tmp_path: Path, rng: np.random.Generator) -> None:
    pts = (900 + np.cumsum(rng.integers(1500, 6000, 50))).tolist()
    grey = np.full((SIZE[1] * 3 // 2, SIZE[0]), 100, np.uint8)
    source = make_clip_of(tmp_path / "a.mp4", [grey] * 50, pts, time_base=Fraction(1, 90000))
    slowed = slowed_times(probe(source), 0.5, 1.0, 3)
    draw_clip(source, [code_layer(keyed=True)], tmp_path / "b.mp4", slowed=slowed, options=QUICK)
    check(source, tmp_path / "b.mp4", 0.5, 1.0, 3)


@pytest.mark.parametrize("sound", ["stretched", "muted"])
def test_slow__sound_keeps_its_pitch_and_its_place(tmp_path: Path, sound: str) -> None:
    source = make_clip(tmp_path / "a.mp4", size=SIZE, seconds=2, audio=1)
    slowed = slowed_times(probe(source), 0.5, 1.5, 2, sound=sound)
    draw_clip(source, [], tmp_path / "b.mp4", slowed=slowed, options=QUICK)
    heard = read_sound(tmp_path / "b.mp4", mono=True)
    assert heard is not None

    def part(from_s: float, to_s: float) -> np.ndarray:
        return heard.samples[(heard.t_s >= from_s) & (heard.t_s < to_s)].ravel()

    def pitch_hz(samples: np.ndarray) -> float:
        spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples))))
        return float(np.fft.rfftfreq(len(samples), 1 / heard.rate_hz)[spectrum.argmax()])

    inside, after = part(0.7, 2.3), part(2.6, 2.95)
    assert pitch_hz(after) == pytest.approx(50, abs=2)  # the clip's tone has 50 Hz
    if sound == "muted":
        assert np.max(np.abs(inside)) < 1e-3
        assert np.std(part(0.1, 0.4)) > 0.01
    else:
        assert pitch_hz(inside) == pytest.approx(50, abs=1)
        assert np.std(inside) == pytest.approx(np.std(after), rel=0.3)


def test_slow__to_the_very_end(tmp_path: Path) -> None:
    source = make_clip(tmp_path / "a.mp4", size=SIZE, seconds=1, rate=30, audio=1)
    slowed = slowed_times(probe(source), 0.0, 1.0, 2)
    draw_clip(source, [], tmp_path / "b.mp4", slowed=slowed, options=QUICK)
    made = probe(tmp_path / "b.mp4")
    assert len(made.frame_times) == 30
    assert made.frame_times.seconds[-1] == pytest.approx(58 / 30, abs=1e-3)


def test_slow__refuses_what_cannot_be(tmp_path: Path) -> None:
    source = make_clip(tmp_path / "a.mp4", size=SIZE)
    facts = probe(source)
    for from_s, to_s, factor, words in [
        (0.5, 0.2, 4, "rising"),
        (0.5, 9.0, 4, "rising"),
        (float("nan"), 0.5, 4, "rising"),
        (0.5, 0.53, 4, "frames"),
        (0.2, 0.5, 1, "2 to 16"),
    ]:
        with pytest.raises(UsageError, match=words):
            slowed_times(facts, from_s, to_s, factor)
    slowed = slowed_times(facts, 0.2, 0.5, 2)
    with pytest.raises(UsageError, match="backwards"):
        slowed_times(facts, 0.2, 0.5, 2, sound="backwards")
    with pytest.raises(OutputError, match="also an input"):
        draw_clip(source, [], source, slowed=slowed)
    assert [path.name for path in tmp_path.iterdir()] == ["a.mp4"]


def test_slow__sound_stays_with_its_picture(tmp_path: Path) -> None:
    """Beeps start with their pictures: at once outside the section; inside within one picture.

    A picture stays for 3/30 s there.
    """
    source = tmp_path / "a.mp4"
    beeps = "between(t,0.2,0.3)+between(t,0.8,0.9)+between(t,1.5,1.6)"
    sound = f"aevalsrc='0.5*sin(2*PI*1000*t)*({beeps})':s=48000:d=2"
    run_ffmpeg("-f", "lavfi", "-i", f"testsrc2=s={SIZE[0]}x{SIZE[1]}:r=30:d=2",
               "-f", "lavfi", "-i", sound, "-c:v", "libx264", "-c:a", "aac", source)  # fmt: skip
    slowed = slowed_times(probe(source), 0.6, 1.1, 3)
    draw_clip(source, [], tmp_path / "b.mp4", slowed=slowed, options=QUICK)
    heard = read_sound(tmp_path / "b.mp4", mono=True)
    assert heard is not None
    loud = heard.t_s[np.abs(heard.samples.ravel()) > 0.1]
    starts = loud[np.diff(loud, prepend=-1.0) > 0.05]
    assert starts[[0, 2]] == pytest.approx([0.2, 1.5 + 1.0], abs=0.005)
    assert starts[1] == pytest.approx(0.6 + 3 * 0.2, abs=3 / 30)
