"""Runs aligned in a process of their own: the same result, and the same errors, as in this one."""

import os
from pathlib import Path

import numpy as np
import pytest

from overlay.errors import InputError
from overlay.jobs import align_all as job
from overlay.jobs.align_all import AlignTask, align_all
from overlay.jobs.analyse import read_inputs
from overlay.jobs.parallel import in_parallel
from tests.demo_runs import CLIPS


@pytest.fixture(scope="module")
def task() -> AlignTask:
    logs = [CLIPS / "a1.gpx", CLIPS / "a1_revs.csv"]
    return AlignTask(read_inputs(CLIPS / "a1.mp4", logs), same_clock=True)


def test_align_all__apart_as_together(task: AlignTask, monkeypatch: pytest.MonkeyPatch) -> None:
    shares: dict[str, list[float]] = {}
    assert task.inputs.clip.duration_s > job.APART_FROM_S
    (apart,) = align_all(
        [task], progress=lambda stage, share: shares.setdefault(stage, []).append(share)
    )
    monkeypatch.setattr(job, "APART_FROM_S", 1e9)
    (together,) = align_all([task])
    assert apart.alignment == together.alignment
    np.testing.assert_array_equal(apart.motion.forward, together.motion.forward)
    (told,) = shares.values()
    assert list(shares) == ["watching a1.mp4"] and told == sorted(told) and told[-1] == 1.0


def process(_item: int, _tell: object) -> int:
    return os.getpid()


def test_in_parallel__apart_is_another_process_even_for_one() -> None:
    assert in_parallel(process, [0]) == [os.getpid()]
    assert in_parallel(process, [0], apart=True) != [os.getpid()]


def test_align_all__an_error_comes_through_whole(task: AlignTask, tmp_path: Path) -> None:
    clip = tmp_path / "gone.mp4"
    clip.write_bytes((CLIPS / "a1.mp4").read_bytes())
    inputs = read_inputs(clip, [CLIPS / "a1.gpx"])
    clip.unlink()
    with pytest.raises(InputError, match=r"gone\.mp4"):
        align_all([AlignTask(inputs)])
