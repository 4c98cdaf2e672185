import os
import subprocess
import sys

import pytest

from overlay.errors import OutputError
from overlay.files import held
from overlay.system import cores, is_gone, is_locked


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
