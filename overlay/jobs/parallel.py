"""Work spread over processes, with progress, a clean Ctrl-C, and nothing half-made left."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import partial
from multiprocessing.connection import wait as wait_for
from types import ModuleType
from typing import Any, Generic, TypeVar

from overlay.errors import EncoderError
from overlay.progress import Progress, silent

Item = TypeVar("Item")
Result = TypeVar("Result")
POLL_S = 0.2
CLEANING_S = 1.2  # for a process to clean up behind itself; all ends within 2 s
WHOLE = 1000  # thousandths of an item
KILLED = (
    "its process was killed, as by a machine that is out of memory or a decoder that crashed; "
    "close other programs or give --workers 1, and try again"
)

_shares: Any = None  # of a worker: thousandths done of each item


def cores() -> int:
    """Processor cores that this process may use, at least 1."""
    try:
        return max(1, len(os.sched_getaffinity(0)))
    except AttributeError:
        return max(1, os.cpu_count() or 1)


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
    crew = _Crew(task, items, count)
    try:
        while (done := crew.waited()) is not None:
            for index, future in done:
                try:
                    crew.results[index] = future.result()
                except BrokenProcessPool:
                    if lost is None:
                        raise EncoderError(f"{stage}: {KILLED}") from None
                    crew.results[index] = lost(items[index])
            progress(stage, min(0.999, crew.share))
        progress(stage, 1.0)
        return [crew.results[index] for index in range(len(items))]
    except BaseException:
        crew.end()
        raise
    finally:
        for pool in crew.pools:
            pool.shutdown(wait=True, cancel_futures=True)


class _Crew(Generic[Item, Result]):
    """Pools of one process each, so that what a process is doing is known when it dies."""

    def __init__(
        self,
        task: Callable[[Item, Callable[[float], None]], Result],
        items: Sequence[Item],
        count: int,
    ) -> None:
        # Spawned, not forked: a fork of a process with decoder threads can hang.
        self._context = multiprocessing.get_context("spawn")
        self._shares = self._context.Array("i", len(items))
        self._task, self._items, self._next = task, items, iter(range(len(items)))
        self._running: dict[Future[Result], tuple[int, ProcessPoolExecutor]] = {}
        self.pools: list[ProcessPoolExecutor] = []
        self.results: dict[int, Result] = {}
        for _ in range(count):
            self._begin(None)

    @property
    def share(self) -> float:
        """How much of all items is done, 0 to 1."""
        return float(sum(self._shares[:])) / WHOLE / len(self._items)

    def waited(self) -> list[tuple[int, Future[Result]]] | None:
        """What was finished within a moment, others begun in its place; None at the end."""
        if not self._running:
            return None
        done = []
        for future in wait(self._running, POLL_S, FIRST_COMPLETED).done:
            index, pool = self._running.pop(future)
            is_broken = isinstance(future.exception(), BrokenProcessPool)
            self._begin(None if is_broken else pool)
            done.append((index, future))
        return done

    def _begin(self, pool: ProcessPoolExecutor | None) -> None:
        index = next(self._next, None)
        if index is None:
            return
        if pool is None:
            shares = (self._shares,)
            pool = ProcessPoolExecutor(1, self._context, initializer=start_worker, initargs=shares)
            self.pools.append(pool)
        with _no_main_module():
            future = pool.submit(_counted, self._task, self._items[index], index)
        self._running[future] = index, pool

    def end(self) -> None:
        """Tell every process to end, and end those that are not done with cleaning up in time."""
        processes = [p for pool in self.pools for p in (pool._processes or {}).values()]
        for process in processes:
            process.terminate()
        latest_s = time.monotonic() + CLEANING_S
        for process in processes:
            process.join(max(0.0, latest_s - time.monotonic()))
        for process in processes:
            process.kill()


@contextmanager
def _no_main_module() -> Iterator[None]:
    """Let workers start without running the caller's script again.

    A script needs no ``if __name__ == "__main__"`` then: what workers do lies in modules.
    """
    script = sys.modules["__main__"]
    sys.modules["__main__"] = ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = script


def _counted(
    task: Callable[[Item, Callable[[float], None]], Result], item: Item, index: int
) -> Result:
    def tell(share: float) -> None:
        _shares[index] = int(WHOLE * min(max(share, 0.0), 1.0))

    try:
        result = task(item, tell)
    except SystemExit as told:  # by `_leave`, and the task has cleaned up: no other may begin
        os._exit(int(told.code or 0))
    tell(1.0)
    return result


def start_worker(shares: Any = None) -> None:
    """A worker leaves Ctrl-C to its parent, and cleans up behind itself when told to end."""
    global _shares
    _shares = shares
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _leave)
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
