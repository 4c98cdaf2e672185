"""Work in line: each job in a process of its own, with progress, time left and cancel."""

from __future__ import annotations

import multiprocessing
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from typing import Any, Literal

from overlay.errors import TimetrueError
from overlay.jobs.parallel import start_worker
from overlay.progress import Progress
from overlay.system import be_nicer, cores

State = Literal["waiting", "working", "done", "failed", "cancelled"]
Task = Callable[..., Any]
NICER = 2  # so that the page answers while encoders take both cores
TELL_EVERY_S = 0.1
KEPT_JOBS = 60  # finished ones that the page still lists


@dataclass
class Job:
    """One job and how far it is."""

    number: int
    # What is done, and to what: ``run`` and the run's name
    kind: str
    about: str
    wide: bool  # Whether it takes all cores, so that nothing runs beside it
    task: Task
    arguments: tuple[Any, ...]
    state: State = "waiting"
    stage: str = ""
    share: float = 0.0  # Done, 0 to 1
    error: str = ""  # Why it failed, in the words of the terminal
    result: Any = None
    started: float = 0.0
    told: float = 0.0  # when the share was told
    process: Any = field(default=None, repr=False)

    def view(self) -> dict[str, Any]:
        """As the page shows it; time left in seconds, None where it cannot be told."""
        left = None
        if self.state == "working" and self.share > 0.02:
            ends = self.started + (self.told - self.started) / self.share
            left = max(0.0, ends - time.monotonic())
        names = ("number", "kind", "about", "state", "stage", "share", "error", "result")
        return {**{name: getattr(self, name) for name in names}, "left_s": left}


class Queue:
    """Jobs in the order they came, as many at a time as there are cores.

    Parameters
    ----------
    at_once : int, optional
    """

    def __init__(self, at_once: int | None = None) -> None:
        self._at_once = at_once or cores()
        self._jobs: list[Job] = []
        self._lock = threading.Lock()
        self._count = 0
        self.version = 0  # raised by whatever changes

    def add(self, kind: str, about: str, task: Task, *arguments: Any, wide: bool = False) -> int:
        """Put a job in line, unless the same one waits or works; its number."""
        with self._lock:
            for job in self._jobs:
                is_same = (job.kind, job.about, job.arguments) == (kind, about, arguments)
                if is_same and job.state in ("waiting", "working"):
                    return job.number
            self._count += 1
            job = Job(self._count, kind, about, wide, task, arguments)
            kept = [
                old
                for old in self._jobs
                if (old.kind, old.about) != (kind, about) or old.state in ("waiting", "working")
            ]
            self._jobs = [*kept[-KEPT_JOBS:], job]
        self._next()
        return job.number

    def cancel(self, number: int) -> None:
        """Take a job out of line, or end it; what it had half made goes."""
        with self._lock:
            for job in self._jobs:
                if job.number == number and job.state in ("waiting", "working"):
                    job.state = "cancelled"
                    if job.process is not None:
                        job.process.terminate()
        self._next()

    def views(self) -> list[dict[str, Any]]:
        """All jobs for the page."""
        with self._lock:
            return [job.view() for job in self._jobs]

    def close(self) -> None:
        """End everything."""
        with self._lock:
            jobs = [job for job in self._jobs if job.state in ("waiting", "working")]
        for job in jobs:
            self.cancel(job.number)
        for job in jobs:
            if job.process is not None:
                job.process.join(5)

    def _next(self) -> None:
        with self._lock:
            self.version += 1
            working = [job for job in self._jobs if job.process is not None]
            for job in self._jobs:
                room = not working or (
                    not job.wide
                    and not any(other.wide for other in working)
                    and len(working) < self._at_once
                )
                if job.state == "waiting" and job.process is None:
                    if not room:
                        break
                    self._start(job)
                    working.append(job)

    def _start(self, job: Job) -> None:
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe(duplex=False)
        job.process = context.Process(target=_child, args=(theirs, job.task, job.arguments))
        job.state, job.started = "working", time.monotonic()
        job.process.start()
        theirs.close()
        threading.Thread(target=self._follow, args=(job, ours), daemon=True).start()

    def _follow(self, job: Job, pipe: Connection) -> None:
        """Take in what the process tells until it is gone."""
        process = job.process
        said: tuple[str, Any] = ("failed", "the work stopped unforeseen; try it again")
        try:
            while True:
                what, value = pipe.recv()
                if what == "begun":
                    job.started = time.monotonic()
                elif what == "share":
                    job.stage, job.share = value
                    job.told = time.monotonic()
                    self.version += 1
                else:
                    said = (what, value)
        except (EOFError, OSError):
            pass
        process.join()
        with self._lock:
            if job.state == "working":
                if said[0] == "done":
                    job.state, job.share, job.result = "done", 1.0, said[1]
                else:
                    job.state, job.error = "failed", said[1]
            job.process = None
        self._next()


def _child(pipe: Connection, task: Task, arguments: tuple[Any, ...]) -> None:
    """In the process of a job."""
    start_worker()
    be_nicer(NICER)
    told_s = 0.0

    def tell(stage: str, share: float) -> None:
        nonlocal told_s
        now_s = time.monotonic()
        if now_s - told_s >= TELL_EVERY_S:
            told_s = now_s
            pipe.send(("share", (stage, min(max(share, 0.0), 1.0))))

    progress: Progress = tell
    pipe.send(("begun", None))  # what it took to start says nothing of the pace
    try:
        result = task(*arguments, progress=progress)
    except TimetrueError as error:
        pipe.send(("failed", " ".join(str(error).split())))
    except Exception as error:
        pipe.send(("failed", f"unforeseen error ({type(error).__name__}: {error})"))
    else:
        pipe.send(("done", result))
