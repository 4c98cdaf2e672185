"""Reading and writing files so that nothing is ever lost or left half-made."""

from __future__ import annotations

import hashlib
import os
import platform
import re
import secrets
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from overlay.errors import InputError, OutputError
from overlay.system import is_gone, is_locked

# Files are named after runs and films, so nothing that a file system would trip over is let in.
NAME_PATTERN = (
    r'^[^\s/\\<>:"|?*.\x00-\x1f]([^/\\<>:"|?*\x00-\x1f]{0,38}[^\s/\\<>:"|?*.\x00-\x1f])?$'
)
_HOST = hashlib.sha256(platform.node().encode()).hexdigest()[:8]
_LEFTOVER = re.compile(rf"\..*\.{_HOST}-(\d+)-[0-9a-f]{{16}}\.part(\..*)?")


def require_file(path: str | os.PathLike[str]) -> Path:
    """The path, once it is known to be a readable file that is not empty.

    Raises
    ------
    InputError
        If it is missing, a folder, unreadable or empty.
    """
    found = Path(path)
    try:
        kind = found.stat().st_mode
    except (OSError, ValueError) as error:
        if isinstance(error, FileNotFoundError | NotADirectoryError):
            raise InputError(f"{found}: no such file; check the name") from None
        reason = getattr(error, "strerror", None) or "no file has such a name"
        raise InputError(f"{str(found)[:200]!r}: {reason}; check the name") from None
    if stat.S_ISDIR(kind):
        raise InputError(f"{found}: is a folder; name a file")
    if not stat.S_ISREG(kind):
        raise InputError(f"{found}: is a pipe or device, not a file; save it as a file first")
    if not os.access(found, os.R_OK):
        raise InputError(f"{found}: cannot be read; check its permissions")
    if found.stat().st_size == 0:
        raise InputError(f"{found}: is empty; copy it again from the camera or logger")
    return found


def forbid_overwriting_inputs(target: Path, inputs: list[Path]) -> None:
    """Refuse a target that is one of the inputs.

    Raises
    ------
    OutputError
        If it is.
    """
    for source in inputs:
        if target.exists() and source.exists() and target.samefile(source):
            raise OutputError(f"{target}: is also an input, which is never changed; name another")


def require_no_device(target: Path) -> None:
    """Refuse a target that is there and can hold no file's content.

    Raises
    ------
    OutputError
        If it is a pipe or device, or no file can have its name.
    """
    try:
        kind = target.stat().st_mode
    except (FileNotFoundError, NotADirectoryError, PermissionError):
        return  # what else is wrong is said when it is written
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "no file has such a name"
        raise OutputError(f"{str(target)[:200]!r}: {reason}; name another") from None
    if not (stat.S_ISREG(kind) or stat.S_ISDIR(kind)):
        raise OutputError(f"{target}: is a pipe or device; name a file to write")


@contextmanager
def written_whole(target: str | os.PathLike[str]) -> Iterator[Path]:
    """Give a path beside `target` to write to; rename it to `target` when the block succeeds.

    On any exception, Ctrl-C included, the half-made file is removed and `target` stays as it was.
    The temporary name keeps the suffix, since encoders choose the format by it, and cannot be
    guessed, so that nobody who may write to the folder can put a link to another file there. Parts
    that a killed process of this machine left in the folder are removed first.

    Raises
    ------
    OutputError
        If the folder does not exist or cannot be written, the disk is full, or the target is
        something else than a file.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as d:
    ...     with written_whole(Path(d) / "a.txt") as part:
    ...         _ = part.write_text("whole")
    ...     (Path(d) / "a.txt").read_text()
    'whole'
    """
    final = Path(target)
    if final.is_dir():
        raise OutputError(f"{final}: is a folder; name a file to write")
    require_no_device(final)
    if not final.parent.is_dir():
        raise OutputError(f"{final.parent}: no such folder; make it first or name another")
    if not os.access(final.parent, os.W_OK):
        raise OutputError(f"{final.parent}: cannot be written to; name another folder")
    _clear_leftovers(final.parent)
    mark = f"{_HOST}-{os.getpid()}-{secrets.token_hex(8)}"
    part = final.with_name(f".{final.stem[:40]}.{mark}.part{final.suffix}")
    try:
        yield part
        part.replace(final)
    except OSError as error:
        raise OutputError(f"{final}: cannot be written: {error.strerror or error}") from error
    finally:
        part.unlink(missing_ok=True)


def made_folder(folder: Path) -> Path:
    """The folder, made with those above it where it is not there yet.

    Raises
    ------
    OutputError
        If it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder}: cannot be made: {error.strerror or error}") from error
    return folder


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """Hold a folder of results for this process alone, until the block or the process ends.

    A folder in which nothing came to lie is taken away at the end.

    Raises
    ------
    OutputError
        If another process holds it, or it cannot be written.
    """
    try:
        file = (folder / ".held").open("a")
    except OSError as error:
        raise OutputError(f"{folder}: cannot be written: {error.strerror or error}") from error
    with file:
        if not is_locked(file):
            raise OutputError(f"{folder}: another timetrue writes there; wait until it is done")
        try:
            yield
        finally:
            if [path.name for path in folder.iterdir()] == [".held"]:
                with suppress(OSError):
                    Path(file.name).unlink()
                    folder.rmdir()


def _clear_leftovers(folder: Path) -> None:
    """Remove the parts whose process, one of this machine, is gone."""
    for part in folder.glob(f".*.{_HOST}-*.part*"):
        found = _LEFTOVER.fullmatch(part.name)
        if found is not None and is_gone(int(found[1])):
            with suppress(OSError):
                part.unlink()
