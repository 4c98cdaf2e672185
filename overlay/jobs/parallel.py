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
from typing import Any, TypeVar

from overlay.errors import EncoderError
from overlay.progress import Progress, silent

Item = TypeVar("Item")
Result = TypeVar("Result")
POLL_S = 0.2
CLEANING_S = 2.0
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
    # Spawned, not forked: a fork of a process with decoder threads can hang.
    context = multiprocessing.get_context("spawn")
    shares = context.Array("i", len(items))
    pools: list[ProcessPoolExecutor] = []  # of one process each: what one is doing is known
    results: dict[int, Result] = {}
    running: dict[Future[Result], tuple[int, ProcessPoolExecutor]] = {}

    def begin(index: int, pool: ProcessPoolExecutor | None = None) -> None:
        if pool is None:
            pool = ProcessPoolExecutor(1, context, initializer=start_worker, initargs=(shares,))
            pools.append(pool)
        with _no_main_module():
            running[pool.submit(_counted, task, items[index], index)] = index, pool

    try:
        for index in range(count):
            begin(index)
        following = iter(range(count, len(items)))
        while running:
            for future in wait(running, POLL_S, FIRST_COMPLETED).done:
                index, pool = running.pop(future)
                alive: ProcessPoolExecutor | None = pool
                try:
                    results[index] = future.result()
                except BrokenProcessPool:
                    if lost is None:
                        raise EncoderError(f"{stage}: {KILLED}") from None
                    results[index], alive = lost(items[index]), None
                if (another := next(following, None)) is not None:
                    begin(another, alive)
            progress(stage, min(0.999, sum(shares[:]) / WHOLE / len(items)))
        progress(stage, 1.0)
        return [results[index] for index in range(len(items))]
    except BaseException:
        for pool in pools:
            _end_worker(pool)
        raise
    finally:
        for pool in pools:
            pool.shutdown(wait=True, cancel_futures=True)


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

    result = task(item, tell)
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


def _end_worker(pool: ProcessPoolExecutor) -> None:
    for pid in list(pool._processes or {}):
        try:
            os.kill(pid, signal.SIGTERM)
        except ProcessLookupError:
            continue
