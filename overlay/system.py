"""What only some systems have: each call does what it can there, and nothing elsewhere.

Nothing else in the program names a call that POSIX has and Windows lacks, but for the one pipe for
each of a film's layers that an encoder is handed (``overlay.render.pipeline``).
"""

from __future__ import annotations

import contextlib
import ctypes
import os
from typing import IO

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


def widen_pipe(pipe: int, size: int) -> None:
    """Let a pipe hold so many bytes, where that can be chosen."""
    with contextlib.suppress(ImportError, OSError):
        import fcntl

        fcntl.fcntl(pipe, _SET_PIPE_SIZE, size)


def give_back_memory() -> None:
    """Hand memory that earlier steps have freed back to the system, where the C library can."""
    with contextlib.suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)
