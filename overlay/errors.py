"""Every error that Timetrue raises on purpose, and the exit code that each one ends with.

::

    TimetrueError            1   an error of the program itself (also any unforeseen one)
    ├── UsageError           2   an option or argument that makes no sense
    ├── InputError           3   a file that is missing, empty, cut off or not what it should be
    ├── MismatchError        4   files that are good but do not belong together
    ├── UndeterminedError    5   the evidence does not decide, so no number is given
    ├── LagFoundError        6   verify: the gauges are late or early beyond doubt
    ├── WeakProofError       7   verify: neither proved true nor late beyond doubt
    ├── OutputError          8   the result cannot be written (no space, no permission)
    └── EncoderError         9   the encoder or decoder stopped with an error

Zero means done; 130 means interrupted with Ctrl-C, and 143 ended by request (SIGTERM), both with
nothing half-made left behind.

A message is one line: the file, the place in it, what is wrong with the value, and what to do.
Exceptions of other libraries are turned into one of these where they arise.
"""

from __future__ import annotations

EXIT_DONE = 0
EXIT_INTERRUPTED = 130
EXIT_TERMINATED = 143


class TimetrueError(Exception):
    """Root of all errors raised on purpose; the message is one line for a person to act on."""

    exit_code = 1


class UsageError(TimetrueError):
    """An option or argument that makes no sense."""

    exit_code = 2


class InputError(TimetrueError):
    """A file that is missing, empty, cut off or not what it should be."""

    exit_code = 3


class MismatchError(TimetrueError):
    """Files that are good in themselves but do not belong together."""

    exit_code = 4


class UndeterminedError(TimetrueError):
    """The evidence cannot tell; the message gives the reason."""

    exit_code = 5


class LagFoundError(TimetrueError):
    """Verification found gauges that are late or early against the picture."""

    exit_code = 6


class WeakProofError(TimetrueError):
    """Verification could neither prove that no lag is left nor be sure of one."""

    exit_code = 7


class OutputError(TimetrueError):
    """The result cannot be written where it was asked for."""

    exit_code = 8


class EncoderError(TimetrueError):
    """The encoder or decoder program stopped with an error."""

    exit_code = 9
