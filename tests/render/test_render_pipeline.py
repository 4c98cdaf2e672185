"""Whatever goes wrong, the message is plain and nothing is left."""

from __future__ import annotations

import contextlib
import itertools
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from overlay.errors import EncoderError, OutputError, TimetrueError
from overlay.render import pipeline
from overlay.render.draw import draw_clip
from overlay.render.encoder import EncodeOptions, choose_encoder
from overlay.scene.layers import Layer, Picture
from tests.clips import make_clip
from tests.disk import small_disk
from tests.render.codes import code_layer

QUICK = EncodeOptions(preset="ultrafast")


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("clip")
    return make_clip(folder / "a.mp4", size=(320, 240), seconds=8, audio=1)


def left_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def children() -> set[int]:
    listing = Path(f"/proc/self/task/{os.getpid()}/children")
    return set(map(int, listing.read_text().split())) if listing.exists() else set()


def test_run__progress_rises_to_the_end(clip: Path, tmp_path: Path) -> None:
    seen: list[float] = []
    draw_clip(clip, [code_layer()], tmp_path / "b.mp4", options=QUICK, progress=seen.append)
    assert seen[-1] == 1
    assert all(0 <= a <= b for a, b in itertools.pairwise(seen))


@pytest.mark.parametrize("fault", [KeyboardInterrupt, ValueError, SystemExit])
def test_run__fault_in_a_layer(clip: Path, tmp_path: Path, fault: type[BaseException]) -> None:
    before = children()  # such as trackers that other tests leave
    blank = np.zeros((16, 16, 4), np.uint8)

    def draw(t_s: float) -> Picture:
        if t_s > 1:
            raise fault("no more")
        return blank

    (tmp_path / "b.mp4").write_bytes(b"older")
    with pytest.raises(fault, match="no more"):
        draw_clip(clip, [code_layer(), Layer(0, 32, 16, 16, draw)], tmp_path / "b.mp4")
    assert left_in(tmp_path) == ["b.mp4"]
    assert (tmp_path / "b.mp4").read_bytes() == b"older"
    assert not children() - before


def test_run__layer_of_wrong_shape(clip: Path, tmp_path: Path) -> None:
    wrong = Layer(0, 0, 16, 16, lambda t: np.zeros((16, 18, 4), np.uint8))
    with pytest.raises(TimetrueError, match=r"\(16, 18, 4\)"):
        draw_clip(clip, [wrong], tmp_path / "b.mp4", options=QUICK)
    assert left_in(tmp_path) == []


def test_run__interrupted_by_its_user(clip: Path, tmp_path: Path) -> None:
    before = children()  # such as trackers that other tests leave

    def stop(share: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        draw_clip(clip, [code_layer()], tmp_path / "b.mp4", options=QUICK, progress=stop)
    assert left_in(tmp_path) == []
    assert not children() - before


SCRIPT = """
import signal, sys, time
from pathlib import Path
from overlay.render.draw import draw_clip
from tests.render.codes import code_layer, spell
from overlay.scene.layers import Layer

def slow(t):
    if t > 0.5:
        Path(sys.argv[2]).with_suffix(".going").touch()
        time.sleep(0.05)
    return spell(0)

signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored where the tests run with &
draw_clip(sys.argv[1], [Layer(0, 0, 144, 16, slow)], sys.argv[2])
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_run__signal_leaves_nothing(clip: Path, tmp_path: Path, number: signal.Signals) -> None:
    root = Path(__file__).parents[2]
    command = [sys.executable, "-c", SCRIPT, str(clip), str(tmp_path / "b.mp4")]
    process = subprocess.Popen(command, cwd=root, stderr=subprocess.DEVNULL)
    try:
        for _ in range(400):
            if len(left_in(tmp_path)) == 2:
                break
            time.sleep(0.05)
        part, going = left_in(tmp_path)
        assert f"-{process.pid}-" in part
        assert going == "b.going"
        process.send_signal(number)
        assert process.wait(timeout=20) != 0
    finally:
        process.kill()
        process.wait()
    assert left_in(tmp_path) == ["b.going"]


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="children are found through /proc")
def test_run__killed_outright_leaves_nothing_under_the_name(clip: Path, tmp_path: Path) -> None:
    root = Path(__file__).parents[2]
    command = [sys.executable, "-c", SCRIPT, str(clip), str(tmp_path / "b.mp4")]
    process = subprocess.Popen(command, cwd=root, stderr=subprocess.DEVNULL)
    encoders: list[int] = []
    try:
        for _ in range(400):
            if len(left_in(tmp_path)) == 2:
                break
            time.sleep(0.05)
        tasks = Path(f"/proc/{process.pid}/task").iterdir()
        encoders = [int(pid) for task in tasks for pid in (task / "children").read_text().split()]
        process.kill()
        process.wait()
        part, going = left_in(tmp_path)
        assert f"-{process.pid}-" in part
        assert going == "b.going"
    finally:
        process.kill()
        process.wait()
        for encoder in encoders:
            with contextlib.suppress(ProcessLookupError):
                os.kill(encoder, signal.SIGKILL)
    assert len(encoders) == 1
    assert "b.mp4" not in left_in(tmp_path)


def fake(folder: Path, body: str) -> str:
    program = folder / "encoder"
    program.write_text(f"#!{sys.executable}\nimport os, sys, time\n{body}\n")
    program.chmod(0o755)
    return str(program)


def test_run__encoder_that_dies(
    clip: Path, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    tools, results = tmp_path_factory.mktemp("tools"), tmp_path_factory.mktemp("results")
    body = """
open(sys.argv[-1], "wb").write(b"half")
print("frame=3", flush=True)
print("[libx264 @ 0x55] [error] malloc of size 42 failed", file=sys.stderr)
print("[out#0/mp4 @ 0x56] [error] Nothing was written into output file", file=sys.stderr)
print("[fatal] Conversion failed!", file=sys.stderr)
sys.exit(187)
"""
    monkeypatch.setenv("IMAGEIO_FFMPEG_EXE", fake(tools, body))
    with pytest.raises(EncoderError, match=r"code 187: malloc of size 42 failed$"):
        draw_clip(clip, [code_layer()], results / "b.mp4")
    assert left_in(results) == []


def test_run__encoder_killed_from_outside(
    clip: Path, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    tools, results = tmp_path_factory.mktemp("tools"), tmp_path_factory.mktemp("results")
    monkeypatch.setenv("IMAGEIO_FFMPEG_EXE", fake(tools, "os.kill(os.getpid(), 9)"))
    with pytest.raises(EncoderError, match="SIGKILL"):
        draw_clip(clip, [code_layer()] * 3, results / "b.mp4")
    assert left_in(results) == []


def test_run__encoder_missing(clip: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("IMAGEIO_FFMPEG_EXE", str(tmp_path / "none"))
    with pytest.raises(EncoderError, match="cannot be started"):
        draw_clip(clip, [code_layer()], tmp_path / "b.mp4")
    assert left_in(tmp_path) == []


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    with small_disk(tmp_path / "disk", 200) as folder:
        yield folder


def test_run__full_disk(clip: Path, tiny_disk: Path) -> None:
    options = EncodeOptions(quality=0, preset="ultrafast")
    with pytest.raises(OutputError, match="no space left on device"):
        draw_clip(clip, [code_layer()], tiny_disk / "b.mp4", options=options)
    assert left_in(tiny_disk) == []


def test_run__file_size_limit(clip: Path, tmp_path: Path) -> None:
    target = str(tmp_path / "b.mp4")
    program = (
        "import resource; from overlay.render.draw import draw_clip; "
        "resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000)); "
        f"draw_clip({str(clip)!r}, [], {target!r})"
    )
    ended = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    assert "OutputError: the result cannot be written: it grew past" in ended.stderr
    assert left_in(tmp_path) == []


def test_run__source_cut_off_is_used_to_the_cut(tmp_path: Path) -> None:
    whole = make_clip(
        tmp_path / "w.mp4", size=(192, 128), seconds=2, gop=15, extra=["-movflags", "+faststart"]
    )
    source = tmp_path / "a.mp4"
    data = whole.read_bytes()
    source.write_bytes(data[: len(data) * 6 // 10])
    report = draw_clip(source, [code_layer()], tmp_path / "b.mp4", options=QUICK)
    assert 20 <= report.frames < 60
    assert any("cut off" in note for note in report.notes)


def test_as_error__last_telling_line() -> None:
    words = ["[aist#0:1 @ 0x1] [warning] odd", "[in#0 @ 0x2] [error] Invalid data found"]
    error = pipeline._as_error(1, [*words, "[vost#0 @ 0x3] [error] Task finished with error code"])
    assert str(error) == "ffmpeg stopped with code 1: Invalid data found"


def test_choose_encoder__hardware_falls_back_aloud(monkeypatch: pytest.MonkeyPatch) -> None:
    from overlay.render import encoder

    monkeypatch.setattr(encoder, "_works", lambda name, pixel_format: False)
    chosen = choose_encoder(EncodeOptions(codec="h265", hardware=True))
    assert chosen.name == "libx265"
    assert any("no hardware encoder" in note for note in chosen.notes)
    monkeypatch.setattr(encoder, "_works", lambda name, pixel_format: name == "hevc_qsv")
    assert choose_encoder(EncodeOptions(codec="h265", hardware=True)).name == "hevc_qsv"


@pytest.mark.parametrize("codec", ["h264", "h265", "av1"])
def test_draw__every_codec(clip: Path, tmp_path: Path, codec: str) -> None:
    from overlay.footage import probe

    short = make_clip(tmp_path / "a.mp4", size=(192, 128), seconds=0.3, audio=1)
    draw_clip(short, [code_layer()], tmp_path / "b.mp4", options=EncodeOptions(codec=codec))
    name = {"h265": "hevc"}.get(codec, codec)
    assert probe(tmp_path / "b.mp4").video_codec == name
