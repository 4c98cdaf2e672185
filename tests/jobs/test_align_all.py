"""Runs aligned in a process of their own: the same result, and the same errors, as in this one."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from overlay.cli.shared import time_left_s
from overlay.errors import EncoderError, InputError
from overlay.jobs import align_all as job
from overlay.jobs.align_all import align_all
from overlay.jobs.parallel import in_parallel, share_of_time
from overlay.session import RunInputs, load
from overlay.sync.model import Alignment
from tests.demo_runs import CLIPS
from tests.jobs.workers import broken, killed_by_one, process, unsendable


@pytest.fixture(scope="module")
def task() -> RunInputs:
    logs = [CLIPS / "a1.gpx", CLIPS / "a1_revs.csv"]
    return load(CLIPS / "a1.mp4", logs)


def numbers(alignment: Alignment) -> list[float]:
    channels = [(c.offset_s, *c.interval_s) for c in alignment.channels]
    total = alignment.total_offset_s, *(alignment.interval_s or ()), alignment.agreement
    return [x for part in (total, *channels) for x in part if x is not None]


def test_align_all__apart_as_together(task: RunInputs, monkeypatch: pytest.MonkeyPatch) -> None:
    shares: dict[str, list[float]] = {}
    assert task.clip.duration_s > job.APART_FROM_S
    (apart,) = align_all(
        [task], progress=lambda stage, share: shares.setdefault(stage, []).append(share)
    )
    monkeypatch.setattr(job, "APART_FROM_S", 1e9)
    (together,) = align_all([task])
    assert apart.alignment.determined and together.alignment.determined
    assert [c.evidence for c in apart.alignment.channels] == [
        c.evidence for c in together.alignment.channels
    ]
    # Sums may go in another order there, by the cores and the memory a process has.
    for one, other in zip(numbers(apart.alignment), numbers(together.alignment), strict=True):
        assert one == pytest.approx(other, abs=1e-5)
    assert apart.motion.forward == pytest.approx(together.motion.forward, abs=1e-5)
    (told,) = shares.values()
    assert list(shares) == ["watching a1.mp4"] and told == sorted(told) and told[-1] == 1.0


def test_in_parallel__apart_is_another_process_even_for_one() -> None:
    assert in_parallel(process, [0]) == [os.getpid()]
    assert in_parallel(process, [0], apart=True) != [os.getpid()]


@pytest.mark.parametrize("workers", [1, 2, 3, 8])
@pytest.mark.parametrize("count", [1, 2, 7, 20])
def test_share_of_time__time_left_is_true_to_the_end(count: int, workers: int) -> None:
    """Items of 10 s, given out one by one: what is left, in closed form, at any moment."""
    total_s = 10 * -(-count // workers)
    for at_s in np.arange(0.5, total_s, 1.0):
        # Item i begins when every worker has done i // workers items before it.
        shares = [np.clip(at_s / 10 - i // workers, 0, 1) for i in range(count)]
        told_s = time_left_s(at_s, share_of_time(shares, workers))
        assert told_s == pytest.approx(total_s - at_s)


def test_share_of_time__the_last_item_is_waited_for() -> None:
    """Nine of ten are done: the tenth, by one of two workers, takes one of five items' time."""
    assert share_of_time([1.0] * 9 + [0.0], 2) == pytest.approx(4 / 5)
    assert share_of_time([0.0] * 10, 2) == 0.0
    assert share_of_time([1.0] * 10, 2) == 1.0
    assert share_of_time([0.5, 0.5, 0.5], 2) == 0.75  # a worker that was taken away meanwhile


UNGUARDED = """
import sys
from overlay.jobs.parallel import in_parallel
from tests.jobs.workers import process
print("begun")
print(len(set(in_parallel(process, [0, 1], workers=2))) > 0)
"""


def test_in_parallel__a_script_needs_no_main_guard(tmp_path: Path) -> None:
    script = tmp_path / "mine.py"
    script.write_text(UNGUARDED)
    root = Path(__file__).resolve().parents[2]
    run = subprocess.run(
        [sys.executable, script],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"PYTHONPATH": str(root)},
    )
    assert run.stdout.split() == ["begun", "True"], run.stderr


KILLED = """
import sys
from overlay.jobs.parallel import in_parallel
from tests.jobs.workers import told_and_asleep
in_parallel(told_and_asleep, sys.argv[1:], apart=True)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
def test_in_parallel__workers_end_when_their_parent_is_killed(tmp_path: Path) -> None:
    root = Path(__file__).resolve().parents[2]
    process = subprocess.Popen([sys.executable, "-c", KILLED, str(tmp_path)], cwd=root)
    begun = tmp_path / "begun"
    wait_until(lambda: begun.exists() and begun.read_text() != "")
    worker = int(begun.read_text())
    process.kill()
    process.wait()
    wait_until(lambda: not is_running(worker))
    assert (tmp_path / "cleaned").exists()


STOPPED = """
import signal, sys
from overlay.jobs.parallel import in_parallel
from tests.jobs.workers import begun_and_asleep
signal.signal(signal.SIGINT, signal.default_int_handler)
in_parallel(begun_and_asleep, sys.argv[1:], workers=2)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
def test_in_parallel__ctrl_c_begins_nothing_more(tmp_path: Path) -> None:
    root = Path(__file__).resolve().parents[2]
    words = [str(tmp_path / str(number)) for number in range(8)]
    process = subprocess.Popen(
        [sys.executable, "-c", STOPPED, *words], cwd=root, stderr=subprocess.PIPE, text=True
    )
    wait_until(lambda: len(list(tmp_path.iterdir())) == 2)
    process.send_signal(signal.SIGINT)
    began_s = time.monotonic()
    _, said = process.communicate(timeout=30)
    assert time.monotonic() - began_s < 5  # two seconds alone, on a machine that does nothing else
    assert len(list(tmp_path.iterdir())) == 2
    assert said.rstrip().endswith("KeyboardInterrupt")
    assert "resource_tracker" not in said


def wait_until(is_so: Callable[[], bool]) -> None:
    end_s = time.monotonic() + 30
    while not is_so():
        assert time.monotonic() < end_s
        time.sleep(0.05)


def is_running(pid: int) -> bool:
    """Whether a process does anything yet; one that has ended may still wait to be collected."""
    state = subprocess.run(["ps", "-o", "stat=", "-p", str(pid)], capture_output=True, text=True)
    return state.stdout.strip()[:1] not in ("", "Z")


def test_align_all__an_error_comes_through_whole(task: RunInputs, tmp_path: Path) -> None:
    clip = tmp_path / "gone.mp4"
    clip.write_bytes((CLIPS / "a1.mp4").read_bytes())
    inputs = load(clip, [CLIPS / "a1.gpx"])
    clip.unlink()
    with pytest.raises(InputError, match=r"gone\.mp4"):
        align_all([inputs])


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
@pytest.mark.parametrize("workers", [1, 2])
def test_in_parallel__a_killed_process_loses_its_own_item_only(workers: int) -> None:
    got = in_parallel(killed_by_one, range(4), workers=workers, apart=True, lost=lambda item: -item)
    assert got == [0, -1, 2, 3]
    with pytest.raises(EncoderError, match="filming: its process was killed"):
        in_parallel(killed_by_one, [1, 2], workers=2, stage="filming")


def test_in_parallel__an_error_keeps_its_place_and_what_cannot_be_sent_is_said() -> None:
    with pytest.raises(ValueError, match="no 5") as caught:
        in_parallel(broken, [5], apart=True)
    assert "in broken" in "".join(caught.value.__notes__)
    with pytest.raises(RuntimeError, match="cannot be sent"):
        in_parallel(unsendable, [5], apart=True)
