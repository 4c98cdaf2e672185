"""The main job on real pixels: lane footage read at a chosen speed, with a log of that speed.

The footage is that of the CarND lane project (MIT licence; see the data's README). Its pixels are
real; the log is derived from the speed at which it is read, so that its lag is known.
"""

import json
from pathlib import Path

import av
import numpy as np
import pytest

from overlay.cli.main import invoke
from overlay.sync.receiver import apply_receiver
from tests.lane import lane_clip, lane_pictures

DELAY_S, SMOOTHING_S = 0.7, 0.25
METRES_A_FRAME = 0.4
RATE_HZ = 25


def pace(t_s: np.ndarray) -> np.ndarray:
    """Source frames a second: at rest, a launch, a stop, at rest."""
    gone = np.clip(t_s - 1.2, 0, None)
    pulling = 38 * (1 - np.exp(-gone / 1.8))
    braking = np.clip(1 - (t_s - 6.2) / 1.4, 0, 1)
    return pulling * braking


@pytest.fixture(scope="module")
def filmed(shared_data: Path, tmp_path_factory) -> Path:
    """Folder with the clip, and the log on the footage's clock."""
    rng = np.random.default_rng(11)
    folder = tmp_path_factory.mktemp("lane")
    pictures = lane_pictures(shared_data / "lane" / "lane.mp4", 640, 360)
    clip = lane_clip(pictures, pace, duration_s=9.0, rate_hz=RATE_HZ, rng=rng)
    with av.open(str(folder / "lane.mp4"), "w") as out:
        stream = out.add_stream("libx264", rate=RATE_HZ, options={"preset": "veryfast"})
        stream.width, stream.height, stream.pix_fmt = 640, 360, "yuv420p"
        for frame in clip.frames:
            picture = av.VideoFrame.from_ndarray(frame.luma, format="gray")
            out.mux(stream.encode(picture.reformat(format="yuv420p")))
        out.mux(stream.encode())
    fine = np.arange(-3, 12, 0.002)
    at = np.arange(-2.0, 11.5, 0.1)
    late = apply_receiver(
        fine, METRES_A_FRAME * pace(fine), delay_s=DELAY_S, smoothing_s=SMOOTHING_S, at_s=at
    )
    shown = np.clip(late + 0.07 * rng.standard_normal(len(at)), 0, None)
    rows = "".join(f"{t:.2f},{v:.3f}\n" for t, v in zip(at, shown, strict=True))
    (folder / "lane.csv").write_text("t_s,speed (m/s)\n" + rows)
    return folder


def test_align__real_pixels_within_a_tenth_of_a_second(filmed, capsys):
    code = invoke(["align", str(filmed / "lane.mp4"), str(filmed / "lane.csv"), "--json", "-q"])
    found = json.loads(capsys.readouterr().out)
    assert code == 0, found
    assert abs(found["total_offset_s"] - (DELAY_S + SMOOTHING_S)) < 0.1


@pytest.mark.parametrize(("flag", "never"), [([], 6), (["--uncorrected"], 0)])
def test_verify__real_pixels(filmed, capsys, flag, never):
    """A true gauge is never called late, a late one never passes; that none can tell is right."""
    out = filmed / f"drawn{never}.mp4"
    words = [str(filmed / "lane.mp4"), str(filmed / "lane.csv"), "--same-clock", "-q", *flag]
    assert invoke(["draw", *words, "-o", str(out)]) == 0
    capsys.readouterr()
    code = invoke(["verify", str(out), "--json", "-q"])
    assert code in {0, 5, 6, 7} - {never}, capsys.readouterr().out
