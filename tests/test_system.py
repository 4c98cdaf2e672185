import ast
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

import overlay
from overlay.errors import OutputError
from overlay.files import held
from overlay.system import cores, is_gone, is_locked, start_fed, write_all

# What Python's own documentation has on every system ("Availability" of each entry).
EVERYWHERE = {
    "os": {"PathLike", "R_OK", "W_OK", "_exit", "access", "close", "cpu_count", "environ", "fspath"}
    | {"getpid", "kill", "path", "pipe", "utime", "write"},
    "signal": {"SIGINT", "SIGTERM", "SIG_DFL", "SIG_IGN", "Signals", "default_int_handler"}
    | {"getsignal", "signal"},
}
# Modules and arguments of a new process that Windows lacks, by the same documentation.
ONLY_POSIX = {"fcntl", "grp", "posix", "pty", "pwd", "resource", "syslog", "termios", "tty"}
ONLY_POSIX |= {"pass_fds", "preexec_fn", "process_group", "start_new_session", "umask"}


def only_posix(code: str) -> set[str]:
    """Names in a module's code that not every system has."""
    found = set()
    tree = ast.parse(code)
    modules = {
        alias.asname or alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.Import)
        for alias in node.names
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            known = EVERYWHERE.get(node.value.id) if node.value.id in modules else None
            found |= {node.attr} if known is not None and node.attr not in known else set()
        elif isinstance(node, ast.ImportFrom) and node.module is not None:
            names = {alias.name for alias in node.names}
            found |= names - EVERYWHERE.get(node.module, names)
            found |= {node.module} & ONLY_POSIX
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names} & ONLY_POSIX
        elif isinstance(node, ast.keyword):
            found |= {str(node.arg)} & ONLY_POSIX
    return found


def test_only_posix__is_found_in_every_form():
    code = "import os, fcntl\nfrom signal import SIGKILL\nos.fork()\nPopen(x, pass_fds=y)\n"
    assert only_posix(code) == {"fcntl", "SIGKILL", "fork", "pass_fds"}
    assert only_posix("import os, signal\nos.kill(os.getpid(), signal.SIGTERM)") == set()


def test_portable__only_one_module_names_what_some_systems_lack():
    place = Path(overlay.__file__).parent
    found = {
        str(path.relative_to(place)): only_posix(path.read_text(encoding="utf-8"))
        for path in place.rglob("*.py")
    }
    assert {name for name, names in found.items() if names} == {"system.py"}


@pytest.mark.parametrize("lacks", [(), ("writev",)])
def test_write_all__more_than_a_pipe_holds_comes_whole_and_in_order(lacks, monkeypatch):
    for name in lacks:
        monkeypatch.delattr(os, name)
    parts = [b"head", memoryview(bytes(range(256)) * 4000), b"", b"tail"]
    reading, writing = os.pipe()

    def write() -> None:
        write_all(writing, *parts)
        os.close(writing)

    writer = threading.Thread(target=write)
    writer.start()
    with open(reading, "rb") as file:
        assert file.read() == b"".join(map(bytes, parts))
    writer.join()


def test_start_fed__reads_a_pipe_by_its_number():
    reading, writing = os.pipe()
    os.write(writing, b"fed")
    os.close(writing)
    code = f"import os; print(os.read({reading}, 9).decode())"
    process = start_fed([sys.executable, "-c", code], [reading], stdout=subprocess.PIPE)
    os.close(reading)
    assert process.communicate()[0].strip() == b"fed"


def test_is_gone__a_process_that_ended_and_this_one():
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    assert is_gone(ended.pid) and not is_gone(os.getpid())


def test_is_locked__one_holder_at_a_time(tmp_path):
    with (tmp_path / "x").open("a") as one, (tmp_path / "x").open("a") as other:
        assert is_locked(one) and not is_locked(other)


def test_cores__no_more_than_the_machine_has():
    assert 1 <= cores() <= (os.cpu_count() or 1)


def test_held__leaves_no_folder_in_which_nothing_came_to_lie(tmp_path):
    folder = tmp_path / "kept"
    folder.mkdir()
    with held(folder):
        pass
    assert not folder.exists()
    folder.mkdir()
    with pytest.raises(OutputError, match="another timetrue"), held(folder), held(folder):
        pass
    folder.mkdir()
    with held(folder):
        (folder / "a1.npz").write_bytes(b"x")
    assert (folder / "a1.npz").exists()


# What a handler raises while a weak reference calls back is dropped by Python, as in an import.
DROPPED = """
import os, sys, time, weakref
class Thing: pass
def called(_):
    os.kill(os.getpid(), int(sys.argv[1]))
    time.sleep(0.1)
def job(*_, **__):
    thing = Thing()
    kept = weakref.ref(thing, called)
    del thing
    time.sleep(20)
"""
COMMAND = """
import importlib
command = importlib.import_module("overlay.cli.main")
command.main.main = job
command.run()
"""
WORKER = """
from multiprocessing import Pipe
from overlay.jobs import parallel
ours, theirs = Pipe()
ours.send((job, 0))
parallel._work(theirs)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
@pytest.mark.parametrize(
    ("who", "number", "code"),
    [
        (COMMAND, signal.SIGINT, 130),
        (COMMAND, signal.SIGTERM, 143),
        (WORKER, signal.SIGTERM, 143),
    ],
)
def test_signal__that_comes_while_python_drops_errors_is_heeded(who, number, code) -> None:
    begun_s = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", DROPPED + who, str(int(number))],
        cwd=Path(overlay.__file__).parents[1],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == code, done.stderr
    assert time.monotonic() - begun_s < 15  # and not when the job of 20 s is done
    assert "Traceback" not in done.stderr
