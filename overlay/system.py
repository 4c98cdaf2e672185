"""What only some systems have: each call does what it can there, and nothing elsewhere.

Nothing else in the program names a call that POSIX has and Windows lacks. All has been tried on
Linux only; where a process cannot be handed pipes, films cannot be drawn.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Sequence
from typing import IO, Any

_SET_PIPE_SIZE = 1031  # F_SETPIPE_SZ, Linux


def cores() -> int:
    """Processor cores that this process may use, at least 1."""
    try:
        return max(1, len(os.sched_getaffinity(0)))
    except AttributeError:
        return max(1, os.cpu_count() or 1)


def is_locked(file: IO[str]) -> bool:
    """Whether this process now holds an open file alone; no other can while it is open.

    Where files cannot be held nobody does, and everybody may go on.
    """
    try:
        from fcntl import LOCK_EX, LOCK_NB, flock
    except ImportError:
        return True
    try:
        flock(file, LOCK_EX | LOCK_NB)
    except OSError:
        return False
    return True


def is_gone(process: int) -> bool:
    """Whether no process of this machine has that id; False where it cannot be asked."""
    if os.name != "posix":
        return False  # asking would end it there
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return True
    except OSError:
        return False  # alive, and another user's
    return False


def heed_signals_always() -> None:
    """Tell this process again to end where Python drops what a signal's handler raised.

    It prints and drops what is raised while it calls back for a weak reference or ``__del__``, as
    often within an import.
    """
    before = sys.unraisablehook

    def dropped(what: Any) -> None:
        if not isinstance(what.exc_value, KeyboardInterrupt | SystemExit):
            before(what)
            return
        is_key = isinstance(what.exc_value, KeyboardInterrupt)
        timer = threading.Timer(0.01, _tell_self, (signal.SIGINT if is_key else signal.SIGTERM,))
        timer.daemon = True
        timer.start()

    sys.unraisablehook = dropped


def _tell_self(number: int) -> None:
    """Hand this process a signal, by its main thread where threads can be told."""
    try:
        signal.pthread_kill(threading.main_thread().ident or 0, number)
    except AttributeError:
        signal.raise_signal(number)


def widen_pipe(pipe: int, size: int) -> None:
    """Let a pipe hold so many bytes, where that can be chosen."""
    with contextlib.suppress(ImportError, OSError):
        import fcntl

        fcntl.fcntl(pipe, _SET_PIPE_SIZE, size)


def write_all(pipe: int, *parts: bytes | memoryview) -> None:
    """Write all bytes of some parts, together where that can be."""
    left = [memoryview(part) for part in parts]
    while left:
        vectors = hasattr(os, "writev")
        count = os.writev(pipe, left) if vectors else os.write(pipe, left[0])
        while left and count >= len(left[0]):
            count -= len(left.pop(0))
        if left:
            left[0] = left[0][count:]


def start_fed(command: Sequence[str], pipes: Sequence[int], **more: Any) -> subprocess.Popen[bytes]:
    """Start a process that reads from pipes under their own numbers, out of Ctrl-C's reach.

    Raises
    ------
    OSError
        If it cannot be started, or no process can be handed pipes here.
    """
    if pipes and os.name != "posix":
        raise OSError(0, "this system hands no pipes to another process; use Linux or macOS")
    return subprocess.Popen(command, pass_fds=pipes, start_new_session=True, **more)


def be_nicer(by: int) -> None:
    """Let other processes go first, where that can be chosen."""
    if hasattr(os, "nice"):
        os.nice(by)


def give_back_memory() -> None:
    """Hand memory that earlier steps have freed back to the system, where the C library can."""
    with contextlib.suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)
