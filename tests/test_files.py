"""Whole files or none."""

import os
import subprocess
import sys

import pytest

from overlay.errors import InputError, OutputError
from overlay.files import forbid_overwriting_inputs, require_file, written_whole


def test_written_whole__failure_leaves_the_old_file_and_no_part(tmp_path):
    target = tmp_path / "out.mp4"
    target.write_text("old")
    with pytest.raises(ZeroDivisionError), written_whole(target) as part:
        part.write_text("half")
        _ = 1 / 0
    assert target.read_text() == "old"
    assert list(tmp_path.iterdir()) == [target]


def test_written_whole__interrupt_leaves_nothing(tmp_path):
    with pytest.raises(KeyboardInterrupt), written_whole(tmp_path / "out.csv") as part:
        part.write_text("half")
        raise KeyboardInterrupt
    assert list(tmp_path.iterdir()) == []


def test_written_whole__part_keeps_the_suffix(tmp_path):
    with written_whole(tmp_path / "out.mp4") as part:
        assert part.suffix == ".mp4"
        part.write_text("x")


def test_written_whole__folder_missing_or_target_a_folder(tmp_path):
    with pytest.raises(OutputError, match="no such folder"), written_whole(tmp_path / "no" / "a"):
        pass
    with pytest.raises(OutputError, match="is a folder"), written_whole(tmp_path):
        pass


def test_require_file__says_what_is_wrong(tmp_path):
    (tmp_path / "empty").touch()
    for path, why in (("nothing", "no such file"), ("empty", "is empty"), (".", "is a folder")):
        with pytest.raises(InputError, match=why):
            require_file(tmp_path / path)


def test_forbid_overwriting_inputs__also_through_a_link(tmp_path):
    source = tmp_path / "a.mp4"
    source.write_text("x")
    link = tmp_path / "b.mp4"
    os.symlink(source, link)
    with pytest.raises(OutputError, match="never changed"):
        forbid_overwriting_inputs(link, [source])


def test_written_whole__no_link_set_up_beforehand_is_written_through(tmp_path):
    """Nobody can know the part's name, so nobody can have put a link to another file there."""
    names = set()
    for _ in range(2):
        with written_whole(tmp_path / "out.csv") as part:
            names.add(part.name)
            part.write_text("x")
    assert len(names) == 2


def test_written_whole__a_long_name_fits(tmp_path):
    target = tmp_path / ("a" * 240 + ".csv")
    with written_whole(target) as part:
        part.write_text("x")
    assert target.read_text() == "x"


def test_written_whole__removes_what_a_killed_process_left_and_nothing_else(tmp_path):
    script = (
        "import os, signal, sys\n"
        "from overlay.files import written_whole\n"
        "with written_whole(sys.argv[1]) as part:\n"
        "    part.touch()\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    subprocess.run([sys.executable, "-c", script, str(tmp_path / "a.mp4")], check=False)
    (left,) = tmp_path.iterdir()
    others = [tmp_path / ".a.part.mp4", tmp_path / ".a.12345678-1-0123456789abcdef.part.mp4"]
    for other in others:
        other.touch()
    with written_whole(tmp_path / "b.csv") as living:
        living.touch()
        with written_whole(tmp_path / "c.csv") as part:
            part.touch()
        assert living.exists()
    assert not left.exists()
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(
        [*(p.name for p in others), "b.csv", "c.csv"]
    )


@pytest.mark.skipif(os.name != "posix", reason="pipes with names")
def test_written_whole__a_pipe_or_device_is_not_replaced(tmp_path):
    os.mkfifo(tmp_path / "a.csv")
    with pytest.raises(OutputError, match="is a pipe"), written_whole(tmp_path / "a.csv"):
        pass
    assert not (tmp_path / "a.csv").is_file()
