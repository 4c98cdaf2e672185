"""Jobs for the queue's tests, in a module that a process reads in no time."""

import os
import shutil
import time
from pathlib import Path

from overlay.desk import reading
from overlay.errors import InputError
from overlay.files import written_whole

CLIPS = Path(__file__).resolve().parents[2] / "demo_clips"


def counting(path: str, *, progress) -> str:
    progress("counting", 0.5)
    Path(path).write_text("made")
    return "counted"


def waiting(path: str, *, progress) -> None:
    with written_whole(path) as part:
        part.write_text("half")
        Path(path).with_name("begun").touch()
        time.sleep(60)


def steady(lasts_s: float, *, progress) -> None:
    begun_s = time.monotonic()
    while (share := (time.monotonic() - begun_s) / lasts_s) < 1:
        progress("keeping on", share)
        time.sleep(0.05)


def refusing(*, progress) -> None:
    raise InputError("a1.mp4: is empty;\n copy it again")


def copying(folder: str, *, progress) -> None:
    shutil.copytree(CLIPS, folder, dirs_exist_ok=True)


def crashing_on_b1(folder: Path, pipe) -> None:
    """A process that reads a folder and that one of the clips ends."""
    seen_file = reading.seen_file
    reading.seen_file = lambda where, name: (
        os._exit(1) if name == "b1.mp4" else seen_file(where, name)
    )
    reading.read_on_request(folder, pipe)


def never_read(folder: Path, pipe) -> None:
    """One that is still at the first file."""
    pipe.recv()
    time.sleep(60)
