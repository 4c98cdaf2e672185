"""The commands that make pictures: what they write, and what they refuse in one line."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from overlay.cli.main import invoke
from overlay.footage import picture, probe
from overlay.motion.model import Box
from overlay.session import AlignedRun, RunInputs
from overlay.session.inputs import left_out
from overlay.verify.finished import imprint_of
from tests.clips import make_clip, run_ffmpeg
from tests.disk import small_disk
from tests.jobs.known import aligned, known_alignment, speed_log

__all__ = ["known_alignment"]
ROOT = Path(__file__).parents[2]
SIZE = (854, 480)
SECONDS = 2.2
UNITS = ["--units", "m/s", "--split", "2 m/s", "--split", "1 m", "-q"]
QUICK = ["--preset", "ultrafast"]
pytestmark = pytest.mark.usefixtures("known_alignment")


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    folder = tmp_path_factory.mktemp("run")
    clip = make_clip(folder / "a.mp4", size=SIZE, seconds=SECONDS, audio=2)
    return str(clip), str(speed_log(folder / "a.csv", SECONDS, revs=True))


@pytest.fixture(scope="module")
def drawn(files: tuple[str, str], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The clip with its gauges, as draw makes it."""
    out = tmp_path_factory.mktemp("drawn") / "d.mp4"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("overlay.session.steps.measured", aligned)
        assert invoke(["draw", *files, "-o", str(out), *UNITS, *QUICK]) == 0
    return out


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_gauges__sheet(tmp_path: Path) -> None:
    assert invoke(["gauges", "-o", str(tmp_path / "s.png"), "--scale", "0.5"]) == 0
    with Image.open(tmp_path / "s.png") as sheet:
        assert sheet.width == 960
        assert np.asarray(sheet).std() > 40
    assert invoke(["gauges", "-o", str(tmp_path / "s.jpg")]) == 2
    assert names(tmp_path) == ["s.png"]


def test_still__shows_the_instant_as_the_drawn_clip_does(
    files: tuple[str, str], drawn: Path, tmp_path: Path
) -> None:
    out = tmp_path / "s.png"
    assert invoke(["still", *files, "--at", "1.8", "-o", str(out), *UNITS]) == 0
    with Image.open(out) as image:
        shown = np.asarray(image.convert("RGB"), float)
    meant = picture(drawn, 1.8).astype(float)
    assert shown.shape == meant.shape
    assert np.abs(shown - meant).mean() < 5


def test_still__outside_the_clip(
    files: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert invoke(["still", *files, "--at", "99", "-o", str(tmp_path / "s.png"), *UNITS]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert names(tmp_path) == []


@pytest.mark.parametrize("suffix", [".mov", ".webm"])
def test_layer__laid_over_the_clip_gives_the_drawn_clip(
    files: tuple[str, str], drawn: Path, tmp_path: Path, suffix: str
) -> None:
    out = tmp_path / f"l{suffix}"
    assert invoke(["layer", *files, "-o", str(out), *UNITS]) == 0
    assert len(probe(out).frame_times) == len(probe(files[0]).frame_times)
    decoder = ["-c:v", "libvpx-vp9"] if suffix == ".webm" else []
    laid = tmp_path / "laid.png"
    run_ffmpeg("-i", files[0], *decoder, "-i", out, "-filter_complex",
               "[0:v][1:v]overlay,select='eq(n,54)',scale=in_color_matrix=bt601[o]",
               "-map", "[o]", "-frames:v", "1", "-update", "1", laid)  # fmt: skip
    with Image.open(laid) as image:
        mixed = np.asarray(image.convert("RGB"), float)
    meant = picture(drawn, 1.8).astype(float)
    imprint = imprint_of(drawn)
    assert imprint is not None
    for x, y, w, h in imprint.boxes:
        part = (slice(y, y + h), slice(x, x + w))
        assert np.abs(mixed[part] - meant[part]).mean() < 8


def test_tag__chapters_and_text_on_a_finished_clip(
    files: tuple[str, str], drawn: Path, tmp_path: Path
) -> None:
    import av

    out = tmp_path / "t.mp4"
    assert invoke(["tag", str(drawn), files[1], "-o", str(out), *UNITS]) == 0
    coded = []
    for path in (drawn, out):
        with av.open(str(path)) as film:
            coded.append([bytes(p) for p in film.demux(film.streams.video[0]) if p.size])
    assert coded[0] == coded[1]
    with av.open(str(out)) as film:
        titles = [mark["metadata"]["title"] for mark in film.chapters()]
        starts = [float(mark["start"] * mark["time_base"]) for mark in film.chapters()]
    assert titles[:2] == ["Start", "Launch"]
    assert any(title.startswith("1 m · ") for title in titles)
    assert starts[1] == pytest.approx(0.8, abs=0.1)
    text = run_ffmpeg("-i", out, "-map", "0:s", "-f", "srt", "-").decode()
    assert "2 m/s in 0.5" in text
    # The note on the gauges is still there, so the copy can be verified too.
    assert imprint_of(out) == imprint_of(drawn)


def test_tag__a_name_like_a_protocol_is_a_file(
    drawn: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """``concat:b.mp4`` is the file of that name, never another one read through a protocol."""
    monkeypatch.chdir(tmp_path)
    shutil.copy2(drawn, "b.mp4")
    run_ffmpeg("-i", drawn, "-c", "copy", "-map_metadata", "-1", "file:concat:b.mp4")
    assert imprint_of("b.mp4") is not None
    assert imprint_of("concat:b.mp4") is None
    Path("concat:b.mp4").unlink()
    assert invoke(["tag", "concat:b.mp4", "a.csv", "-o", "t.mp4", "-q"]) == 3
    assert "no such file" in capsys.readouterr().err


def test_tag__a_crafted_note_is_refused_in_one_line(
    files: tuple[str, str], drawn: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = imprint_of(drawn).to_text().replace('"boxes":[[', '"boxes":[[1e999,')  # type: ignore
    crafted = tmp_path / "c.mp4"
    run_ffmpeg("-i", drawn, "-c", "copy", "-metadata", f"comment={text}", crafted)
    assert invoke(["tag", str(crafted), files[1], "-o", str(tmp_path / "t.mp4"), "-q"]) == 3
    said = capsys.readouterr().err
    assert "damaged" in said and said.count("\n") == 1


def test_slow__plate_only_inside_the_section(
    files: tuple[str, str], drawn: Path, tmp_path: Path
) -> None:
    out = tmp_path / "s.mp4"
    cut = ["--from", "1", "--to", "1.5", "--factor", "3", "--sound", "muted"]
    assert invoke(["slow", *files, *cut, "-o", str(out), *UNITS, *QUICK]) == 0
    assert probe(out).duration_s == pytest.approx(SECONDS + 1.0, abs=0.05)
    imprint = imprint_of(out)
    assert imprint is not None
    x, y, w, h = imprint.boxes[-1]
    plate = (slice(y + 4, y + h - 4), slice(x + 4, x + w - 4))
    for slow_s, own_s, is_slowed in [(0.9, 0.9, False), (1.75, 1.25, True), (2.8, 1.8, False)]:
        shown, plain = picture(out, slow_s + 0.01), picture(drawn, own_s + 0.01)
        apart = np.abs(shown.astype(float) - plain.astype(float))
        assert (apart[plate].mean() > 30) == is_slowed
        for bx, by, bw, bh in imprint.boxes[:-1]:  # gauges show what was true at that picture
            assert apart[by : by + bh, bx : bx + bw].mean() < 8


@pytest.mark.parametrize("count", [3, 4])
def test_grid__every_launch_at_once(tmp_path: Path, count: int) -> None:
    clip = make_clip(tmp_path / "a.mp4", size=(320, 180), seconds=1.4, rate=24)
    files = (str(clip), str(speed_log(tmp_path / "a.csv", 1.4)))
    out = tmp_path / "g.mp4"
    lead = ["--lead", "0.5", "--sound", "1"]
    assert invoke(["grid", *files * count, "-o", str(out), *lead, *UNITS, *QUICK]) == 0
    imprint = imprint_of(out)
    assert imprint is not None
    assert len(imprint.sides) == count
    boxes = imprint.boxes
    for i, (ax, ay, aw, ah) in enumerate(boxes):
        assert ax >= 0
        assert ax + aw <= 1920
        assert ay + ah <= 1080
        for bx, by, bw, bh in boxes[i + 1 :]:
            assert ax + aw <= bx or bx + bw <= ax or ay + ah <= by or by + bh <= ay
    from overlay.footage import luma_crops
    from overlay.gauges.readback import read_ribbon

    speeds = [
        [read_ribbon(crop, side.band) * side.band.full_scale_mps
         for crop, side in zip(crops, imprint.sides, strict=True)]
        for _, crops in luma_crops(out, [side.crop for side in imprint.sides])
    ]  # fmt: skip
    for at, row in enumerate(speeds):
        assert max(row) - min(row) < 0.05
        assert np.mean(row) == pytest.approx(max(0.0, 4 * (at / 24 - 0.5)), abs=0.35)


def test_draw__own_layout_and_gauges(files: tuple[str, str], tmp_path: Path) -> None:
    layout = tmp_path / "mine.toml"
    layout.write_text(
        "[whole]\n"
        "ribbon = { x = 0.0, y = 0.0, width = 0.6, height = 0.2 }\n"
        "accel = { x = 0.65, y = 0.0, width = 0.3, height = 0.2 }\n"
    )
    out = tmp_path / "d.mp4"
    own = ["--layout", str(layout), "--gauges", "ribbon,accel", "--hardware"]
    assert invoke(["draw", *files, "-o", str(out), *own, *UNITS, *QUICK]) == 0
    imprint = imprint_of(out)
    assert imprint is not None
    assert len(imprint.boxes) == 2
    assert imprint.boxes[0][:2] == (44, 24)


def test_draw__what_is_ignored_is_measured_around_and_shown(
    files: tuple[str, str], drawn: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = []

    def noted(inputs: RunInputs, *_: object) -> AlignedRun:
        seen.append(left_out(inputs))
        return aligned(inputs)

    monkeypatch.setattr("overlay.session.steps.measured", noted)
    out = tmp_path / "d.mp4"
    boxes = ["--ignore", "0,0,0.5,0.25", "--cover", "0,0,100,50"]
    assert invoke(["draw", *files, "-o", str(out), *boxes, *UNITS, *QUICK]) == 0
    cover = Box(0, 0, 100 / SIZE[0], 50 / SIZE[1])
    assert seen == [(cover, Box(0, 0, 0.5, 0.25))]
    plain, imprint = imprint_of(drawn), imprint_of(out)
    assert plain is not None and imprint is not None
    assert imprint.boxes == (*plain.boxes, (0, 0, 100, 50))
    beside = (slice(20, 60), slice(150, 400))  # ignored, not covered: the footage stands there
    apart = picture(out, 1.0)[beside].astype(float) - picture(drawn, 1.0)[beside]
    assert np.abs(apart).mean() < 4


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["draw", "A", "L", "-o", "O.mp4", "--gauges", "ribbon,dial"], 2, "dial"),
        (["draw", "A", "L", "-o", "O.mp4", "--gauges", "comb"], 2, "ribbon is missing"),
        (["draw", "A", "L", "-o", "O.mp4", "--layout", "none.toml"], 3, "no such file"),
        (["layer", "A", "L", "-o", "O.mp4"], 2, "ProRes"),
        (["slow", "A", "L", "--from", "2", "--to", "1", "-o", "O.mp4"], 2, "rising"),
        (["tag", "A", "L", "-o", "O.gif"], 2, ".mp4"),
        (["tag", "A", "L", "-o", "A"], 8, "also an input"),
        (["grid", "A", "L", "-o", "O.mp4"], 2, "two to four"),
        (["grid", "L", "A", "-o", "O.mp4"], 2, "clip first"),
        (["grid", "A", "L", "A", "-o", "O.mp4"], 2, "has no track of its own; name a log"),
        (["pair", "A", "A", "-o", "O.mp4"], 2, "has no track of its own; name a log"),
        (["pair", "A", "L", "L", "-o", "O.mp4"], 2, "pair takes CLIP_A [LOG_A]"),
        (["grid", "A", "L", "A", "L", "--sound", "3", "-o", "O.mp4"], 2, "2 runs"),
        (["teaser", "A", "-o", "O.mp4"], 2, ".gif"),
        (["join", "A", "L", "-o", "O.mp4"], 3, "a.csv"),
        (["reel", "A", "--title", "t", "--verdict-text", "v", "-o", "O.mkv"], 2, ".mp4"),
        (
            ["reel", "A", "--title", "t", "--verdict-text", "v", "-o", "no/b.mp4"],
            8,
            "no such folder",
        ),
        (["reel", "L", "--title", "t", "--verdict-text", "v", "-o", "O.mp4"], 3, "a.csv"),
    ],
)
def test_commands__refuse_in_one_line(
    files: tuple[str, str],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    words: list[str],
    code: int,
    said: str,
) -> None:
    real = {"A": files[0], "L": files[1]}
    words = [real.get(w, str(tmp_path / w) if w[:2] == "O." else w) for w in words]
    before = Path(files[0]).read_bytes()
    assert invoke([*words, "-q"]) == code
    error = capsys.readouterr().err
    assert said in error
    assert len(error.strip().splitlines()) == 1
    assert names(tmp_path) == []
    assert Path(files[0]).read_bytes() == before


DRAW = """
import sys
from overlay.cli.main import invoke
from overlay.session import steps
from tests.jobs.known import aligned
steps.measured = aligned
sys.exit(invoke(sys.argv[1:]))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize("command", ["draw", "reel"])
def test_commands__ended_from_outside_leave_nothing(
    files: tuple[str, str], tmp_path: Path, command: str, number: signal.Signals
) -> None:
    out = str(tmp_path / "b.mp4")
    if command == "draw":
        words = ["draw", *files, "-o", out, "--preset", "veryslow", *UNITS]
    else:
        words = ["reel", files[0], "--title", "t", "--verdict-text", "v", "-o", out, "-q"]
    process = subprocess.Popen(
        # As a shell starts a job with &: with Ctrl-C ignored.
        ["sh", "-c", 'trap "" INT; exec "$@"', "sh", sys.executable, "-c", DRAW, *words],
        cwd=ROOT,
        stderr=subprocess.DEVNULL,
        env=os.environ | {"PYTHONDONTWRITEBYTECODE": "1"},
    )
    try:
        for _ in range(1000):
            if names(tmp_path):
                break
            time.sleep(0.02)
        assert process.poll() is None
        assert names(tmp_path)
        time.sleep(0.1)
        process.send_signal(number)
        assert process.wait(timeout=20) != 0
    finally:
        process.kill()
        process.wait()
    assert names(tmp_path) == []


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    with small_disk(tmp_path / "disk", 100) as folder:
        yield folder


def words_for(command: str, files: tuple[str, str], target: Path) -> list[str]:
    """A command line that writes a file of over 100 kB."""
    suffix = {"still": ".png", "gauges": ".png", "teaser": ".gif", "layer": ".mov"}
    drawn = [*UNITS, "--quality", "1", *QUICK]
    words = {
        "still": [*files, "--at", "1", *UNITS],
        "gauges": [],
        "teaser": [files[0], "--width", "800"],
        "layer": [*files, *UNITS],
        "draw": [*files, *drawn],
        "pair": [*files, *files, *drawn],
        "grid": [*files * 3, *drawn],
        "slow": [*files, "--from", "1", "--to", "2", *drawn],
        "join": [files[0], files[0]],
        "tag": [*files, *UNITS],
        "reel": [files[0], "--title", "t", "--verdict-text", "v", *QUICK],
    }[command]
    return [command, *words, "-o", str(target / f"b{suffix.get(command, '.mp4')}")]


ENCODED = ["draw", "pair", "grid", "layer", "slow", "still", "teaser", "reel", "join", "tag"]


@pytest.mark.parametrize("command", [*ENCODED, "gauges"])
def test_commands__full_disk(
    files: tuple[str, str], tiny_disk: Path, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    assert invoke(words_for(command, files, tiny_disk)) == 8
    assert "space" in capsys.readouterr().err
    assert names(tiny_disk) == []


@pytest.mark.skipif(sys.platform == "win32", reason="a script as a program")
@pytest.mark.parametrize("command", ENCODED)
def test_commands__encoder_that_dies(
    files: tuple[str, str],
    tmp_path: Path,
    tmp_path_factory: pytest.TempPathFactory,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    command: str,
) -> None:
    program = tmp_path_factory.mktemp("tools") / "encoder"
    # Asked for what it can do, it writes nothing.
    body = """if not sys.argv[-1].startswith("-"):
    open(sys.argv[-1], "wb").write(b"half")
print("[error] no more", file=sys.stderr)"""
    program.write_text(f"#!{sys.executable}\nimport sys\n{body}\nsys.exit(7)\n")
    program.chmod(0o755)
    (tmp_path / "b.mp4").write_bytes(b"older")
    before = names(tmp_path)
    monkeypatch.setenv("IMAGEIO_FFMPEG_EXE", str(program))
    assert invoke(words_for(command, files, tmp_path)) == 9
    assert len(capsys.readouterr().err.strip().splitlines()) == 1
    assert names(tmp_path) == before
    assert (tmp_path / "b.mp4").read_bytes() == b"older"
