"""The first look at a long recording: which parts of it are worth decoding."""

import av
import numpy as np
import pytest

from overlay.footage import probe
from overlay.footage.survey import frames_within, lost_share, moving_stretches
from tests.demo_runs import CLIPS

SIZE, RATE_HZ = (160, 96), 5
MOVES_S = ((40.0, 50.0), (90.0, 97.0))
LENGTH_S = 130.0


@pytest.fixture(scope="module")
def picture():
    rng = np.random.default_rng(3)
    coarse = rng.integers(0, 255, (96 // 4, 4000 // 4)).astype(np.uint8)
    return np.kron(coarse, np.ones((4, 4), np.uint8))


@pytest.fixture(scope="module")
def recording(tmp_path_factory, picture):
    """130 s that stand but for two runs, a key frame a second."""
    path = tmp_path_factory.mktemp("survey") / "long.mp4"
    rng = np.random.default_rng(4)
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=RATE_HZ)
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        stream.codec_context.gop_size = RATE_HZ
        at = 0
        for k in range(int(LENGTH_S * RATE_HZ)):
            moving = any(a <= k / RATE_HZ < b for a, b in MOVES_S)
            at += 7 if moving else 0
            seen = picture[:, at : at + SIZE[0]] + rng.normal(0, 3, SIZE[::-1])
            grey = np.clip(seen, 0, 255).astype(np.uint8)
            frame = av.VideoFrame.from_ndarray(np.stack([grey] * 3, axis=-1), format="rgb24")
            out.mux(stream.encode(frame))
        out.mux(stream.encode())
    return path


def test_moving_stretches__hold_the_runs_and_what_is_around_them(recording) -> None:
    stretches = moving_stretches(probe(recording))
    assert len(stretches) == 2
    for (start_s, end_s), (moves_s, stops_s) in zip(stretches, MOVES_S, strict=True):
        assert moves_s - 6 < start_s <= moves_s - 3
        assert stops_s + 3 <= end_s < stops_s + 6


def test_frames_within__true_times_of_those_stretches_alone(recording) -> None:
    times = [f.t_s for f in frames_within(recording, [(10.0, 11.0), (60.0, 61.0)], width=64)]
    expected = [10.0, 10.2, 10.4, 10.6, 10.8, 11.0, 60.0, 60.2, 60.4, 60.6, 60.8, 61.0]
    assert times == pytest.approx(expected, abs=1e-6)


def test_moving_stretches__a_short_clip_is_looked_at_whole() -> None:
    assert moving_stretches(probe(CLIPS / "a1.mp4")) is None


def test_lost_share__standing_shaking_moving_and_plain(picture, rng) -> None:
    here = picture[:, :160]
    noisy = np.clip(here + rng.normal(0, 5, here.shape), 0, 255).astype(np.uint8)
    assert lost_share(here, noisy) == 0.0
    assert lost_share(here, np.roll(noisy, (2, 3), axis=(0, 1))) < 0.1
    assert lost_share(here, picture[:, 300:460]) > 0.7
    assert lost_share(np.full((96, 160), 90, np.uint8), here) is None
