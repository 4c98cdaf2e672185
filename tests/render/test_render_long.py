"""Two hours of footage: every frame in its place, and no more memory than for a minute."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from overlay.footage import luma_crops, probe
from tests.benchmarks.speed.cost import ROOT, cost_of
from tests.clips import ffmpeg_program, make_clip, run_ffmpeg
from tests.render.codes import read

MINUTE_S, SHORT_S, LONG_S, RATE_HZ = 60, 1800, 7200, 0.5
SIZE = (160, 64)
PLAIN = ["-v", "error", "-y"]
AGAIN = ["-c:v", "libx264", "-preset", "ultrafast", "-c:a", "copy", "-movflags", "+faststart"]
DRAW = """
import sys
from overlay.render.draw import draw_clip
from overlay.render.encoder import EncodeOptions
from overlay.scene.layers import Layer
from tests.render.codes import HEIGHT, WIDTH, spell

layer = Layer(0, 0, WIDTH, HEIGHT, lambda t_s: spell(round(t_s)))
draw_clip(sys.argv[1], [layer], sys.argv[2], options=EncodeOptions(preset="ultrafast"))
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="memory is read from /proc")
def test_draw__two_hours_with_memory_flat(tmp_path: Path) -> None:
    minute = make_clip(
        tmp_path / "m.mp4", size=SIZE, rate=RATE_HZ, seconds=MINUTE_S, audio=1, audio_rate=8000
    )
    clips = []
    for length_s in (SHORT_S, LONG_S):
        clips.append(tmp_path / f"{length_s}.mp4")
        loops = f"{length_s // MINUTE_S - 1}"
        run_ffmpeg("-stream_loop", loops, "-i", minute, "-c", "copy", clips[-1])
    target, plain = tmp_path / "b.mp4", tmp_path / "c.mp4"
    drawn, floor = [], []
    for clip in clips:
        own = [sys.executable, "-c", DRAW, str(clip), str(target)]
        bare = [ffmpeg_program(), *PLAIN, "-i", str(clip), *AGAIN, str(plain)]
        for costs, command in ((drawn, own), (floor, bare)):
            costs.append(cost_of(command, memory="Pss_Anon"))
    # ffmpeg itself lists all packets of source and result; nothing else may grow.
    more_mb, floor_mb = (long.peak_mb - short.peak_mb for short, long in (drawn, floor))
    assert more_mb < floor_mb + 8
    facts, made = probe(clips[-1]), probe(target)
    assert len(facts.frame_times) == LONG_S * RATE_HZ
    np.testing.assert_array_equal(made.frame_times.seconds, facts.frame_times.seconds)
    assert made.audio_duration_s == pytest.approx(facts.audio_duration_s, abs=0.001)
    codes = [(frame.t_s, read(code)) for frame, (code,) in luma_crops(target, [(0, 0, *SIZE)])]
    assert codes == [(t_s, round(t_s)) for t_s in facts.frame_times.seconds.tolist()]


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="memory is read from /proc")
def test_cost_of__counts_what_a_process_starts() -> None:
    hold = "import time; block = bytearray(80_000_000); block[::4096] = bytes(19532); time.sleep(1)"
    start = f"import subprocess, sys; subprocess.run([sys.executable, '-c', {hold!r}])"
    assert cost_of([sys.executable, "-c", start]).peak_mb > 80


def test_benchmark__says_when_a_bar_is_missed() -> None:
    from tests.benchmarks.speed.cost import Cost, Row, report

    job, floor = Cost(12.0, 6.0, 150.0), Cost(10.0, 6.0, 100.0)
    assert report([Row("a", job, floor, 1.2, 1.0, 30, 1.25, False, 1.6)]) == 0
    assert report([Row("a", job, floor, 1.2, 1.0, 30, 1.15)]) == 1
    assert report([Row("a", job, floor, 1.2, 1.0, 30, 1.15, is_by_wall=True)]) == 0
    assert report([Row("a", job, floor, 1.2, 1.0, 30, memory_bar=1.4)]) == 1


def test_benchmark__help_costs_nothing() -> None:
    command = [sys.executable, "-m", "tests.benchmarks.speed", "--help"]
    told = subprocess.run(command, cwd=ROOT, capture_output=True, check=True, text=True)
    assert "--quick" in told.stdout
