"""A day's runs by the workers of a scheduler, one of them killed: the same as on one machine."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from overlay.cli.main import invoke
from overlay.render.encoder import ffmpeg_path
from tests.demo_runs import small_day

pytest.importorskip("distributed", reason="the extra cluster is not installed")
psutil = pytest.importorskip("psutil")

# Written by every call, or with the place or time of files in them.
NOT_COMPARED = {".held", "page.json", "a1.clip.json", "b1.clip.json", "A beside B.clip.json"}


def dask(*words: object) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "dask", *map(str, words), "--no-dashboard"]
    return subprocess.Popen(
        command,
        env=os.environ | {"PYTHONPATH": str(Path(__file__).resolve().parents[2])},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


def wait_until(is_so: Callable[[], bool]) -> None:
    end_s = time.monotonic() + 120
    while not is_so():
        assert time.monotonic() < end_s
        time.sleep(0.05)


@pytest.fixture
def scheduler(tmp_path: Path) -> Iterator[str]:
    known = tmp_path / "scheduler.json"
    process = dask("scheduler", "--host", "127.0.0.1", "--port", 0, "--scheduler-file", known)
    try:
        wait_until(lambda: known.exists() and known.stat().st_size > 0)
        yield json.loads(known.read_text())["address"]
    finally:
        process.terminate()
        process.wait()


@pytest.fixture
def workers(scheduler: str, tmp_path: Path) -> Iterator[subprocess.Popen[bytes]]:
    place = ["--local-directory", tmp_path / "spill"]
    process = dask("worker", scheduler, "--nworkers", 2, "--nthreads", 1, *place)
    try:
        yield process
    finally:
        process.terminate()
        process.wait()


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The ready-made day in small pictures, not yet worked out."""
    return small_day(tmp_path_factory.mktemp("day") / "one")


BEGIN = [sys.executable, "-m", "overlay", "day", "run", "--quiet"]


@pytest.fixture(scope="module")
def alone(day: Path) -> dict[str, bytes]:
    """What this machine makes of the day by itself."""
    folder = day.with_name("alone")
    shutil.copytree(day, folder)
    subprocess.run([*BEGIN, str(folder)], check=True)
    return results(folder)


def results(folder: Path) -> dict[str, bytes]:
    """Bytes of each file; of a clip digests of its streams, in whatever order their packets lie."""
    found = folder / "day-results"
    return {
        str(path.relative_to(found)): streams(path) if path.suffix == ".mp4" else path.read_bytes()
        for path in found.rglob("*")
        if path.is_file() and path.name not in NOT_COMPARED
    }


def streams(clip: Path) -> bytes:
    command = [ffmpeg_path(), "-v", "error", "-i", str(clip), "-c", "copy", "-f", "streamhash", "-"]
    return subprocess.run(command, check=True, capture_output=True).stdout


@pytest.mark.parametrize("sent", [False, True])
def test_day_run__workers_elsewhere_one_killed_give_the_same(
    day: Path, alone: dict[str, bytes], scheduler, workers, sent: bool
) -> None:
    other = day.with_name(f"other {sent}")
    shutil.copytree(day, other)
    process = subprocess.Popen(
        [*BEGIN, other.name, "--scheduler", scheduler, *(["--send-files"] if sent else [])],
        cwd=other.parent,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )

    def drawing() -> list[int]:
        """Workers with an encoder at work."""
        assert process.poll() is None, process.communicate()[1]
        spread = psutil.Process(workers.pid).children(recursive=True)
        return [one.ppid() for one in spread if "ffmpeg" in one.name()]

    at_work: list[int] = []
    wait_until(lambda: bool(at_work.extend(drawing()) or at_work))
    if sent:  # where they work they see nothing of the folder
        assert not (other / "day-results" / "kept" / "a1.npz").exists()
    os.kill(at_work[0], signal.SIGKILL)
    said = process.communicate(timeout=300)[1]
    assert process.returncode == 0, said
    assert "2 of 2 runs worked out anew" in said or "1 of 2 runs worked out anew" in said
    spread = results(other)
    assert alone.keys() == spread.keys()
    assert {name for name in alone if alone[name] != spread[name]} == set()
    assert {"a1.mp4", "b1.mp4", "A beside B.mp4", "results.csv", "kept/a1.npz"} <= alone.keys()
    assert not list(other.rglob("*.part*"))


def test_day_run__what_is_wrong_with_a_scheduler_is_one_line(day: Path, scheduler, capsys) -> None:
    assert invoke(["day", "run", str(day), "-q", "--scheduler", "tcp://127.0.0.1:1"]) == 2
    assert "no scheduler answers there; start one with 'dask scheduler'" in capsys.readouterr().err
    assert invoke(["day", "run", str(day), "-q", "--scheduler", scheduler]) == 2
    assert "has no workers; start some with 'dask worker" in capsys.readouterr().err
    assert not (day / "day-results").exists()
