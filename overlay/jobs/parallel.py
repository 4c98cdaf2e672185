"""Work spread over processes, with progress, a clean Ctrl-C, and nothing half-made left."""

from __future__ import annotations

import math
import multiprocessing
import os
import signal
import sys
import threading
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from heapq import heapify, heapreplace
from multiprocessing.connection import Connection
from multiprocessing.connection import wait as wait_for
from pickle import PicklingError
from types import ModuleType
from typing import Any, Generic, Protocol, TypeVar

from overlay.errors import EncoderError
from overlay.progress import Progress, silent
from overlay.system import cores, heed_signals_always

Item = TypeVar("Item")
Result = TypeVar("Result")
POLL_S = 0.2
TELL_EVERY_S = 0.1
CLEANING_S = 1.2  # for a process to clean up behind itself; all ends within 2 s
KILLED = (
    "its process was killed, as by a machine that is out of memory or a decoder that crashed; "
    "close other programs or give --workers 1, and try again"
)


class Lost(Exception):
    """The process that worked on an item was killed."""


@dataclass(frozen=True)
class Done(Generic[Result]):
    """What became of one item: its result, or what its task raised, or `Lost`."""

    index: int
    result: Result | None = None
    error: BaseException | None = None


class Crew(Protocol[Result]):
    """Several workers on a list of items; who they are and where is its own affair."""

    def waited(self) -> list[Done[Result]] | None:
        """What was finished within a moment, other items begun in its place; None at the end."""

    @property
    def share(self) -> float:
        """How much of the time for all items is over, 0 to 1."""

    def end(self) -> None:
        """Stop everything now."""

    def close(self) -> None:
        """Let the workers go."""


def share_of_time(shares: Sequence[float], workers: int) -> float:
    """Share of the time for items of one length that is over, by what is done of each.

    It is less than the share of the work, since towards the end some workers have nothing to do.

    Parameters
    ----------
    shares : sequence of float
        What is done of each item, 0 to 1; an item with 0 waits for a worker.
    workers : int
        How many work at once.

    Examples
    --------
    Three items by two workers take two items' time, of which one is over when two are done.

    >>> share_of_time([1.0, 1.0, 0.0], 2), share_of_time([1.0, 1.0, 0.5], 2)
    (0.5, 0.75)
    """
    begun = [1.0 - share for share in shares if 0.0 < share < 1.0]
    free_in = begun + [0.0] * max(1 - len(begun), workers - len(begun))
    heapify(free_in)
    for _ in range(sum(share == 0.0 for share in shares)):
        heapreplace(free_in, free_in[0] + 1.0)
    return 1.0 - max(free_in) / math.ceil(len(shares) / workers)


def in_parallel(
    task: Callable[[Item, Callable[[float], None]], Result],
    items: Sequence[Item],
    *,
    workers: int | None = None,
    apart: bool = False,
    stage: str = "working",
    progress: Progress = silent,
    lost: Callable[[Item], Result] | None = None,
) -> list[Result]:
    """Results of `task` for each item, in the items' order.

    Parameters
    ----------
    task : callable
        A function of a module, called with an item and a function to tell the share done, 0 to
        1. It runs in another process when there are several workers, so that items and results
        must be picklable.
    workers : int, optional
        Processes; the cores by default. With 1, everything stays in this process.
    apart : bool
        Whether to leave this process even for one worker, so that its memory goes when it is done.
    stage : str
        Name of the stage, for progress.
    lost : callable, optional
        Gives the result of an item whose process was killed; the other items go on.

    Raises
    ------
    Exception
        The first that a task raised, or EncoderError where a process was killed and `lost` is not
        given; the other tasks are ended.
    """
    count = min(cores() if workers is None else workers, len(items))
    if count < 1 or (count == 1 and not apart):

        def tell(index: int, share: float) -> None:
            progress(stage, (index + share) / len(items))

        return [task(item, partial(tell, index)) for index, item in enumerate(items)]
    crew: Crew[Result] = _Processes(task, items, count)
    return collected(crew, items, stage=stage, progress=progress, lost=lost)


def collected(
    crew: Crew[Result],
    items: Sequence[Item],
    *,
    stage: str,
    progress: Progress = silent,
    lost: Callable[[Item], Result] | None = None,
) -> list[Result]:
    """What a crew makes of all items, in their order; as :func:`in_parallel` says it."""
    results: dict[int, Any] = {}
    try:
        while (done := crew.waited()) is not None:
            for one in done:
                if isinstance(one.error, Lost):
                    if lost is None:
                        raise EncoderError(f"{stage}: {KILLED}")
                    results[one.index] = lost(items[one.index])
                elif one.error is not None:
                    raise one.error
                else:
                    results[one.index] = one.result
            progress(stage, min(0.999, crew.share))
        progress(stage, 1.0)
        return [results[index] for index in range(len(items))]
    except BaseException:
        crew.end()
        raise
    finally:
        crew.close()


@dataclass(eq=False)
class _Worker:
    """A process and the item that it works on, if any."""

    process: Any
    pipe: Connection
    index: int | None = None


class _Processes(Generic[Item, Result]):
    """Processes of this machine, each fed through a pipe of its own.

    So what a process is doing is known when it dies, and none shares a lock with another that
    may be killed.
    """

    def __init__(
        self,
        task: Callable[[Item, Callable[[float], None]], Result],
        items: Sequence[Item],
        count: int,
    ) -> None:
        # Spawned, not forked: a fork of a process with decoder threads can hang.
        self._context = multiprocessing.get_context("spawn")
        self._task, self._items, self._next = task, items, iter(range(len(items)))
        self._workers: list[_Worker] = []
        self._count, self._shares = count, [0.0] * len(items)
        for _ in range(count):
            self._begin(None)

    @property
    def share(self) -> float:
        """How much of the time for all items is over, 0 to 1."""
        return share_of_time(self._shares, self._count)

    def waited(self) -> list[Done[Result]] | None:
        """What was finished within a moment, others begun in its place; None at the end."""
        busy = {one.pipe: one for one in self._workers if one.index is not None}
        if not busy:
            return None
        found = [self._heard(busy[pipe]) for pipe in wait_for(list(busy), POLL_S)]  # type: ignore[index]
        return [done for done in found if done is not None]

    def _heard(self, worker: _Worker) -> Done[Result] | None:
        """What a worker says of its item, where that is done with."""
        index = worker.index
        assert index is not None
        try:
            what, value = worker.pipe.recv()
        except (EOFError, OSError):  # it died
            self._workers.remove(worker)
            worker.process.join()
            self._shares[index] = 1.0
            self._begin(None)
            return Done(index, error=Lost())
        # A second way through a clip tells from its beginning again.
        self._shares[index] = max(value, self._shares[index]) if what == "share" else 1.0
        if what == "share":
            return None
        self._begin(worker)
        return Done(index, result=value) if what == "done" else Done(index, error=value)

    def _begin(self, worker: _Worker | None) -> None:
        """Give the next item, if any is left, to a worker with nothing to do, or to a new one."""
        index = next(self._next, None)
        if worker is not None:
            worker.index = index
        if index is None:
            return
        if worker is None:
            worker = self._hired()
            worker.index = index
        with suppress(OSError):  # it is dead, which is noticed when it is listened to
            worker.pipe.send((self._task, self._items[index]))

    def _hired(self) -> _Worker:
        ours, theirs = self._context.Pipe()
        with no_main_module():
            process = self._context.Process(target=_work, args=(theirs,))
            process.start()
        theirs.close()
        worker = _Worker(process, ours)
        self._workers.append(worker)
        return worker

    def end(self) -> None:
        """Tell every process to end, and end those that are not done with cleaning up in time."""
        for worker in self._workers:
            worker.process.terminate()
        latest_s = time.monotonic() + CLEANING_S
        for worker in self._workers:
            worker.process.join(max(0.0, latest_s - time.monotonic()))
        for worker in self._workers:
            worker.process.kill()

    def close(self) -> None:
        """Let the processes go, which end when nobody feeds them any more."""
        for worker in self._workers:
            worker.pipe.close()
        for worker in self._workers:
            worker.process.join()


@contextmanager
def no_main_module() -> Iterator[None]:
    """Let workers start without running the caller's script again.

    A script needs no ``if __name__ == "__main__"`` then: what workers do lies in modules.
    """
    script = sys.modules["__main__"]
    sys.modules["__main__"] = ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = script


def _work(pipe: Connection) -> None:
    """In the process of a worker: do what comes through the pipe until that is closed."""
    start_worker()
    code = 0
    try:
        while True:
            task, item = pipe.recv()
            said = _said(task, item, pipe)
            try:
                pipe.send(said)
            except (TypeError, AttributeError, PicklingError) as error:
                pipe.send(("failed", RuntimeError(f"a result that cannot be sent: {error}")))
    except (EOFError, OSError):
        pass  # nobody is there any more
    except SystemExit as told:  # by `_leave`; the task has cleaned up
        code = int(told.code or 0)
    os._exit(code)  # at once: taking the libraries down one by one lasts a while


def _said(task: Any, item: Any, pipe: Connection) -> tuple[str, Any]:
    """The result of a task, or the error it raised, with the place where."""
    told_s = 0.0
    lock = threading.Lock()

    def tell(share: float) -> None:
        nonlocal told_s
        with lock:
            if time.monotonic() - told_s >= TELL_EVERY_S:
                told_s = time.monotonic()
                pipe.send(("share", min(max(share, 0.0), 1.0)))

    try:
        return "done", task(item, tell)
    except Exception as error:
        error.add_note(traceback.format_exc())
        return "failed", error


def start_worker() -> None:
    """A worker leaves Ctrl-C to its parent, and cleans up behind itself when told to end."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _leave)
    heed_signals_always()
    threading.Thread(target=_leave_with_parent, daemon=True).start()


def _leave_with_parent() -> None:
    """A parent that was killed can tell its workers nothing more."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait_for([parent.sentinel])
        os.kill(os.getpid(), signal.SIGTERM)  # ends the task, which cleans up behind itself,
        time.sleep(CLEANING_S)
        os._exit(1)  # and this the wait for another


def _leave(signum: int, frame: object) -> None:
    raise SystemExit(128 + signum)
