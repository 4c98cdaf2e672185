"""The same work on several machines, by a Dask scheduler and its workers.

What a worker needs: this program in the same version (extra ``cluster``), and the folder of the
sheet under the same path, to read clips and logs from and to write results to, unless items are
sent. A worker that dies has its items done by another; an item whose workers died four times is
lost.
"""

from __future__ import annotations

import os
import secrets
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic

from overlay.errors import EncoderError, InputError, MismatchError, UsageError
from overlay.jobs.day_store import program
from overlay.jobs.parallel import POLL_S, Done, Item, Lost, Result, collected, share_of_time
from overlay.progress import Progress, silent

if TYPE_CHECKING:
    from distributed import Client

ANSWER_S = 10
TELL_EVERY_S = 0.5
AHEAD = 2  # items given out for each worker, so that none waits for the next


@dataclass(frozen=True)
class Scheduler:
    """A Dask scheduler: its address, and whether files are sent to its workers and back."""

    address: str
    sends: bool = False


@dataclass(frozen=True)
class Sending(Generic[Item, Result]):
    """How items reach workers that see none of their files, and what they make comes back."""

    pack: Callable[[Item], Any]
    unpack: Callable[[Item, Any], Result]


class _Stopped(BaseException):
    """The command that asked for the work has stopped."""


def on_cluster(
    address: str,
    task: Callable[[Any, Callable[[float], None]], Any],
    items: Sequence[Item],
    *,
    reach: Path | Sending[Item, Result],
    stage: str = "working",
    progress: Progress = silent,
    lost: Callable[[Item], Result] | None = None,
) -> list[Result]:
    """Results of `task` for each item, in the items' order, worked out by a scheduler's workers.

    Parameters
    ----------
    address : str
        Of the scheduler, such as ``tcp://192.168.1.20:8786``.
    task, items, stage, progress, lost
        As for :func:`overlay.jobs.parallel.in_parallel`.
    reach : path or Sending
        An absolute file that every worker must see, or how items are sent; `task` then takes what
        is sent and gives what comes back.

    Raises
    ------
    UsageError
        If ``distributed`` is not installed, no scheduler answers or it has no workers.
    MismatchError
        If a worker has another version of this program or of its libraries.
    InputError
        If a worker does not see the file of `reach`, or an item cannot be sent.
    EncoderError
        If the scheduler goes away meanwhile.
    Exception
        The first that a task raised.
    """
    if not items:
        return []
    with _connected(address) as client:
        _require_alike(client, reach if isinstance(reach, Path) else None)
        crew = _Cluster(client, task, items, reach if isinstance(reach, Sending) else None)
        return collected(crew, items, stage=stage, progress=progress, lost=lost)


@contextmanager
def _connected(address: str) -> Iterator[Client]:
    try:
        from distributed import Client
    except ImportError:
        raise UsageError("--scheduler needs the extra: pip install 'timetrue[cluster]'") from None
    try:
        client = Client(address, timeout=ANSWER_S)
    except (OSError, ValueError):
        raise UsageError(
            f"{address}: no scheduler answers there; start one with 'dask scheduler'"
        ) from None
    try:
        try:
            client.wait_for_workers(1, timeout=ANSWER_S)
        except TimeoutError:
            raise UsageError(
                f"{address}: has no workers; start some with 'dask worker {address} --nthreads 1'"
            ) from None
        yield client
    finally:
        with suppress(Exception):
            client.close(ANSWER_S)


def _require_alike(client: Client, shared: Path | None) -> None:
    """Refuse workers that would give other results, or none."""
    try:
        found = client.run(_seen, None if shared is None else str(shared))
    except Exception as error:  # of whatever kind: the worker lacks the program
        raise MismatchError(
            f"the workers cannot run this program ({type(error).__name__}: {error}); install "
            "'timetrue[cluster]' on each in the same version"
        ) from error
    for worker, (versions, is_there) in sorted(found.items()):
        if versions != program():
            raise MismatchError(
                f"worker {worker} has {versions}, and this machine {program()}; install the same"
            )
        if not is_there:
            raise InputError(
                f"worker {worker} does not see {shared}, or may not write beside it; share the "
                "folder with it under the same path, or give --send-files"
            )


def _seen(path: str | None) -> tuple[str, bool]:
    if path is None:
        return program(), True
    return program(), os.path.isfile(path) and os.access(os.path.dirname(path), os.W_OK)


class _Cluster(Generic[Item, Result]):
    """The workers of a scheduler."""

    def __init__(
        self,
        client: Client,
        task: Callable[[Any, Callable[[float], None]], Any],
        items: Sequence[Item],
        sending: Sending[Item, Result] | None = None,
    ) -> None:
        from distributed import Event

        self._client, self._items, self._sending = client, items, sending
        self._task = task
        self._next = iter(range(len(items)))
        self._running: dict[Any, int] = {}
        self._shares, self._spread = [0.0] * len(items), 1
        self._topic = f"timetrue-{secrets.token_hex(8)}"
        self._stop = Event(self._topic, client=client)
        client.subscribe_topic(self._topic, self._told)

    @property
    def share(self) -> float:
        """How much of the time for all items is over, 0 to 1."""
        return share_of_time(self._shares, self._spread)

    def _told(self, event: tuple[float, tuple[int, float]]) -> None:
        index, share = event[1]
        self._shares[index] = max(share, self._shares[index])

    def waited(self) -> list[Done[Result]] | None:
        """What was finished within a moment, other items begun in its place; None at the end."""
        from distributed import wait

        self._give_out()
        if not self._running:
            return None
        try:
            done = wait(list(self._running), timeout=POLL_S, return_when="FIRST_COMPLETED").done
        except TimeoutError:
            return []
        return [self._heard(future) for future in done]

    def _give_out(self) -> None:
        self._spread = max(1, sum(self._client.nthreads().values()))
        while (
            len(self._running) < AHEAD * self._spread
            and (index := next(self._next, None)) is not None
        ):
            item = self._items[index]
            what = self._sending.pack(item) if self._sending else item
            words = self._task, what, index, self._topic
            self._running[self._client.submit(_far, *words, pure=False)] = index

    def _heard(self, future: Any) -> Done[Result]:
        from distributed.scheduler import KilledWorker

        index = self._running.pop(future)
        self._shares[index] = 1.0
        if future.status == "finished":
            made = future.result()
            unpack = self._sending and self._sending.unpack
            return Done(index, result=unpack(self._items[index], made) if unpack else made)
        if future.status != "error":
            raise EncoderError("the scheduler is gone; start it and its workers, and try again")
        error = future.exception()
        return Done(index, error=Lost() if isinstance(error, KilledWorker) else error)

    def end(self) -> None:
        """Stop everything: what is being worked on cleans up and stops when it next tells."""
        with suppress(Exception):
            self._stop.set()
            self._client.cancel(list(self._running), force=True)

    def close(self) -> None:
        """Let the workers go."""
        with suppress(Exception):
            self._client.unsubscribe_topic(self._topic)


def _far(
    task: Callable[[Any, Callable[[float], None]], Any], item: Any, index: int, topic: str
) -> Any:
    """On a worker: do one item."""
    from distributed import Event, get_worker

    worker, stop, told_s = get_worker(), Event(topic), 0.0

    def tell(share: float) -> None:
        nonlocal told_s
        if time.monotonic() - told_s >= TELL_EVERY_S:
            told_s = time.monotonic()
            worker.log_event(topic, (index, min(max(share, 0.0), 1.0)))
            if stop.is_set():
                raise _Stopped

    return task(item, tell)
