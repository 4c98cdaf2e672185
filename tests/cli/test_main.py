"""The command line: help, exit codes, one clear line for every wrong file, pure JSON."""

import json
import os
import pty
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from overlay.cli import main
from overlay.cli.main import COMMANDS, invoke
from overlay.cli.shared import folded
from tests.demo_runs import ready_runs

RUNS = ready_runs()
A = RUNS[0]


@pytest.mark.parametrize("name", COMMANDS)
def test_help__says_what_each_command_does(name, capsys):
    assert invoke([name, "--help"]) == 0
    shown = capsys.readouterr().out
    assert shown.startswith(f"Usage: timetrue {name}")
    assert len(shown.splitlines()) > 5


def test_help__documents_every_exit_code(capsys):
    assert invoke(["--help"]) == 0
    assert "interrupted with Ctrl-C" in capsys.readouterr().out


def test_help__needs_no_heavy_library():
    code = (
        "import sys; from overlay.cli.main import invoke; invoke(['--help']);"
        "heavy = {'numpy', 'scipy', 'cv2', 'av', 'moviepy', 'pydantic', 'matplotlib', 'PIL'};"
        "sys.exit(', '.join(sorted(heavy & set(sys.modules))) or 0)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr


def test_run__as_a_process():
    run = subprocess.run(
        [sys.executable, "-m", "overlay", "inspect", "nowhere.mp4"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 3
    assert run.stdout == ""
    assert run.stderr == "timetrue: nowhere.mp4: no such file; check the name\n"


@pytest.fixture
def wrong(tmp_path: Path) -> dict[str, str]:
    (tmp_path / "empty.mp4").touch()
    (tmp_path / "text.mp4").write_text("this is no clip\n" * 50)
    (tmp_path / "cut.mp4").write_bytes(Path(A.clip).read_bytes()[:3000])
    (tmp_path / "noise.gpx").write_bytes(bytes(range(256)) * 20)
    (tmp_path / "speechless.csv").write_text("t_s,colour\n0,1\n1,2\n")
    (tmp_path / "unitless.csv").write_text("t_s,speed\n0,1\n1,2\n")
    return {path.name: str(path) for path in tmp_path.iterdir()} | {"folder": str(tmp_path)}


CLIP_CASES = ["empty.mp4", "text.mp4", "cut.mp4", "folder", "nowhere.mp4"]
LOG_CASES = ["noise.gpx", "speechless.csv", "unitless.csv", "nowhere.gpx", "folder"]


def words(command: str, clip: str, log: str, out: str) -> list[str]:
    return {
        "align": ["align", clip, log],
        "correct": ["correct", clip, log, "-o", f"{out}.csv"],
        "draw": ["draw", clip, log, "-o", f"{out}.mp4"],
        "pair": ["pair", clip, log, A.clip, A.log, "-o", f"{out}.mp4"],
        "verify": ["verify", clip, log],
    }[command]


@pytest.mark.parametrize("command", ["align", "correct", "draw", "pair", "verify"])
@pytest.mark.parametrize("case", [*CLIP_CASES, *LOG_CASES])
def test_wrong_file__one_line_and_a_documented_code(command, case, wrong, tmp_path, capsys):
    file = wrong.get(case, case)
    clip, log = (file, A.log) if case in CLIP_CASES else (A.clip, file)
    out = tmp_path / "new"
    code = invoke(words(command, clip, log, str(out)))
    shown = capsys.readouterr()
    assert code in (3, 4)
    assert shown.out == ""
    lines = shown.err.strip().splitlines()
    assert len(lines) == 1
    assert lines[0].startswith("timetrue: ")
    assert Path(file).name in lines[0]
    assert "Traceback" not in shown.err
    assert not list(tmp_path.glob("*new*"))


@pytest.mark.parametrize(
    "arguments",
    [
        ["draw", A.clip, A.log, "-o", "x.mp4", "--cover", "1,2,3"],
        ["draw", A.clip, A.log, "-o", "x.mp4", "--cover", "9000,2,3,4"],
        ["draw", A.clip, A.log, "-o", "x.mp4", "--units", "furlongs"],
        ["align", A.clip, A.log, "--ignore", "1,2,3"],
        ["align", A.clip, A.log, "--ignore", "0,0,1,1"],
        ["draw", A.clip, A.log, "-o", "x.mp4", "--ignore", "0.5,0.5,-1,2"],
        ["correct", A.clip, A.log, "-o", "x.csv", "--ignore", "9000,0,9,9"],
        ["pair", A.clip, A.log, A.clip, A.log, "-o", "x.mp4", "--ignore", "a,b,c,d"],
        ["pair", A.clip, A.log, A.clip, "-o", "x.mp4"],
        ["correct", A.clip, A.log, "-o", "x.doc"],
        ["align", A.clip],
        ["align", A.clip, A.log, "--column", "speed"],
        ["align", A.clip, A.log, "--angle-of-view", "5"],
        ["draw", A.clip, A.log, "-o", "x.mp4", "--angle-of-view", "nan"],
        ["draw", A.clip, A.log, "-o", "x.mp4", "--offset", "nan"],
        ["still", A.clip, A.log, "-o", "x.png", "--at", "inf"],
        ["day", "plan", "--scatter", "nan"],
        ["day", "plan", "--scatter", "1e400"],
        ["draw", "--nonsense"],
        ["nonsense"],
    ],
)
def test_wrong_words__exit_code_2_and_one_line_of_ours(arguments, capsys):
    assert invoke(arguments) == 2
    said = capsys.readouterr().err
    assert said.startswith("timetrue: ") and said.count("\n") == 1


@pytest.mark.parametrize(
    "arguments",
    [
        ["draw", A.clip, A.log, "-o", "x.mp4", "--offset", "9" * 20_000],
        ["draw", A.clip, A.log, "-o", "x.mp4", "--cover", "9" * 20_000],
        ["inspect", "9" * 20_000],
        ["9" * 20_000],
    ],
)
def test_wrong_words__none_is_quoted_without_end(arguments, capsys):
    assert invoke(arguments) in (2, 3)
    said = capsys.readouterr().err
    assert len(said) < 500 and said.count("\n") == 1


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["draw", A.clip, A.log, "-o"], 8),
        (["correct", A.clip, A.log, "-o"], 8),
        (["readout", A.clip, "-o"], 8),
        (["gauges", "-o"], 8),
    ],
)
def test_output__a_device_is_called_one(words, code, capsys):
    assert invoke([*words, "/dev/full"]) == code
    said = capsys.readouterr().err
    assert said == "timetrue: /dev/full: is a pipe or device; name a file to write\n"


@pytest.mark.parametrize("name", ["n" * 260 + ".csv", "a\0b.csv"])
def test_output__a_name_that_no_file_can_have(name, tmp_path, capsys):
    assert invoke(["correct", A.clip, A.log, "-o", f"{tmp_path}/{name}"]) == 8
    said = capsys.readouterr().err
    assert "; name another" in said and said.count("\n") == 1 and len(said) < 500


def test_errors__are_folded_on_a_terminal(tmp_path):
    screen, theirs = pty.openpty()
    code = subprocess.call(
        [sys.executable, "-m", "overlay", "day", "check", str(tmp_path)],
        stderr=theirs,
        env=os.environ | {"COLUMNS": "60"},
    )
    os.close(theirs)
    said = os.read(screen, 65536).decode().replace("\r", "")
    os.close(screen)
    assert code == 3
    # A name that is longer than the screen is wide stays whole.
    assert all(len(line) <= 60 or " " not in line.strip() for line in said.splitlines())
    assert len(said.splitlines()) > 1


def test_draw__an_offset_that_leaves_nothing_is_told(tmp_path, capsys):
    target = str(tmp_path / "x.mp4")
    assert invoke(["draw", A.clip, A.log, "-o", target, "--offset", "1e9", "-q"]) == 4
    assert "the offset of 1e+09 s that was given" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("command", ["run", "check", "plan"])
def test_day__a_folder_without_a_sheet_hints_at_new(command, tmp_path, capsys):
    assert invoke(["day", command, str(tmp_path)]) == 3
    assert f"'timetrue day new {tmp_path}' writes one" in capsys.readouterr().err


@pytest.mark.parametrize("columns", [40, 60, 80])
def test_folded__no_line_is_wider_and_no_word_is_lost(columns):
    text = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    text = "\n".join(line for line in text.splitlines() if max(map(len, line.split("`"))) < 400)
    lines = folded(text, columns).split("\n")
    assert folded(text, columns).split() == text.split()
    longest = max(map(len, text.split()))
    assert max(map(len, lines)) <= max(columns, longest + columns // 2)
    facts = folded("good for      launch and stop are both in view: best for a lag", columns)
    assert all(line.startswith(" " * 14) for line in facts.split("\n")[1:])
    assert max(map(len, facts.split("\n"))) <= columns


ENDED = """
import sys
import time
from overlay.cli import main
from overlay.jobs.parallel import in_parallel
from tests.jobs.workers import told_and_asleep
main.main.main = lambda **_: in_parallel(told_and_asleep, sys.argv[1:], apart=True)
main.run()
"""


LOADING = """
import os, signal, sys
from overlay.__main__ import run

class Told:
    def find_spec(self, name, *_):
        if name == "overlay.cli.main":
            os.kill(os.getpid(), signal.SIGINT)

sys.meta_path.insert(0, Told())
run()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
def test_ctrl_c__while_the_command_loads_ends_it_without_a_trace():
    done = subprocess.run([sys.executable, "-c", LOADING], capture_output=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (-signal.SIGINT, b"", b"")


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
@pytest.mark.parametrize(("number", "code"), [(signal.SIGTERM, 143), (signal.SIGINT, 130)])
def test_told_to_end__workers_clean_up_and_one_line_says_so(number, code, tmp_path):
    root = Path(__file__).resolve().parents[2]
    command = [sys.executable, "-c", ENDED, str(tmp_path)]
    process = subprocess.Popen(command, cwd=root, stderr=subprocess.PIPE, text=True)
    latest_s = time.monotonic() + 30
    while not (tmp_path / "begun").exists() and time.monotonic() < latest_s:
        time.sleep(0.05)
    process.send_signal(number)
    began_s = time.monotonic()
    _, said = process.communicate(timeout=30)
    assert time.monotonic() - began_s < 5  # two seconds alone, on a machine that does nothing else
    assert process.returncode == code
    assert said.strip().endswith("nothing half-made is left") and said.strip().count("\n") == 0
    assert (tmp_path / "cleaned").exists()


def test_draw__never_over_its_own_input(capsys):
    assert invoke(["draw", A.clip, A.log, "-o", A.clip]) == 8
    assert "never changed" in capsys.readouterr().err


def test_interrupt__exit_code_130(monkeypatch, capsys):
    def interrupted(**_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(main.main, "main", interrupted)
    assert invoke(["inspect", "x"]) == 130
    assert "nothing half-made" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "code"),
    [(["inspect", "nowhere.mp4"], 3), (["verify", "nowhere.mp4"], 3), (["align"], 2)],
)
def test_json__one_object_also_for_an_error(words, code, capsys):
    assert invoke([*words, "--json"]) == code
    shown = capsys.readouterr()
    found = json.loads(shown.out)
    assert found["exit_code"] == code
    assert found["error"]
    assert found["error"].splitlines()[0] in shown.err


def test_unforeseen_error__one_line_no_traceback(monkeypatch, capsys):
    def broken(**_: object) -> None:
        raise ZeroDivisionError("by nought")

    monkeypatch.delenv("TIMETRUE_DEBUG", raising=False)
    monkeypatch.setattr(main.main, "main", broken)
    assert invoke(["inspect", "x"]) == 1
    shown = capsys.readouterr().err
    assert shown.count("\n") == 1
    assert "by nought" in shown


@pytest.mark.parametrize("file", [A.clip, A.log, A.revs, RUNS[1].log])
def test_inspect__table_and_json(file, capsys):
    assert invoke(["inspect", file]) == 0
    assert "path" in capsys.readouterr().out
    assert invoke(["inspect", file, "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["kind"] in ("clip", "log")


def test_inspect__clip_facts_are_those_of_the_maker(capsys):
    assert invoke(["inspect", A.clip, "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert (facts["width_px"], facts["height_px"]) == (854, 480)
    assert facts["frame_rate_hz"] == pytest.approx(30)
    assert facts["audio_rate_hz"] == 48000
    assert not facts["frame_rate_is_variable"]
