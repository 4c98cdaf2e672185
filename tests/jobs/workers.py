"""Tasks for worker processes; nothing heavy is imported, so that a process starts at once."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any


def process(_item: int, _tell: object) -> int:
    return os.getpid()


def told_and_asleep(folder: str, _tell: object) -> None:
    part = Path(folder) / "begun"
    try:
        part.write_text(str(os.getpid()))
        time.sleep(60)
    finally:
        part.rename(Path(folder) / "cleaned")


def begun_and_asleep(place: str, _tell: object) -> None:
    Path(place).touch()
    time.sleep(60)


def unsendable(_item: int, _tell: object) -> Any:
    return lambda: None


def broken(item: int, _tell: object) -> int:
    raise ValueError(f"no {item}")


def killed_by_one(item: int, _tell: object) -> int:
    if item == 1:
        os.kill(os.getpid(), signal.SIGKILL)
    return item


def killed_in_a1(task: Any, tell: Callable[[float], None]) -> Any:
    """Work on a run of a day, of which one kills its process and the others are found done."""
    from overlay.jobs.day_one import do_run

    if task.name == "a1":
        os.kill(os.getpid(), signal.SIGKILL)
    kept = Path(task.sheet.folder) / f"{task.name}.kept"
    kept.rename(task.kept(".npz"))
    return replace(do_run(task, tell), is_worked_out=True)
