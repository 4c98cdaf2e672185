"""What is in the folder, as far as it is known while a process reads it."""

from __future__ import annotations

import multiprocessing
import threading
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from overlay.errors import InputError
from overlay.jobs.names import CLIP_SUFFIXES, LOG_SUFFIXES
from overlay.jobs.parallel import no_main_module, start_worker

Stamp = tuple[str, int, int]  # as in `overlay.desk.reading`


class Seen:
    """The files of a folder, read by another process, again where one has changed.

    Parameters
    ----------
    folder : Path
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder.resolve()
        self.version = 0  # raised by whatever becomes known
        self._lock = threading.Condition()
        self._pipe: Connection | None = None
        self._process: Any = None
        self._asked: list[Stamp] | None = None  # what is or was read
        self._opening: tuple[str, int, int] | None = None  # name, number, of how many
        self._known = _empty()  # all, or as far as it is read where nothing was before
        self._next = self._known
        self._wrong = ""
        self._barred: frozenset[Stamp] = frozenset()  # what ended the process that read it

    def now(self, wait_s: float = 0.0) -> dict[str, Any]:
        """The files as far as they are known; reading begins where one has changed.

        Where nothing was known before, a little is waited for the whole.

        ``reading`` holds how many files were opened and of how many, and is None once all that
        is there is known; then ``text`` is a sheet that starts with these files.

        Raises
        ------
        InputError
            If the folder cannot be read.
        """
        stamp = self._stamp()
        with self._lock:
            if self._opening is None and stamp != self._asked:
                self._ask(stamp)
            if self._known["text"] is None:
                self._lock.wait_for(lambda: self._opening is None, wait_s)
            if self._wrong:
                raise InputError(self._wrong)
            return {**self._known, "reading": self._opening and self._opening[1:]}

    def close(self) -> None:
        """End the process."""
        with self._lock:
            process, self._process = self._process, None
            self._pipe = None
        if process is not None:
            process.terminate()
            process.join(5)

    def _stamp(self) -> list[Stamp]:
        try:
            files = [
                (entry.name, entry.stat())
                for entry in self.folder.iterdir()
                if entry.suffix.lower() in CLIP_SUFFIXES | LOG_SUFFIXES and entry.is_file()
            ]
        except OSError as error:
            raise InputError(f"{self.folder}: cannot be read: {error.strerror}") from error
        return sorted((name, about.st_size, about.st_mtime_ns) for name, about in files)

    def _ask(self, stamp: list[Stamp]) -> None:
        """Have the folder read; the lock is held."""
        self._asked, self._wrong = stamp, ""
        self._opening = ("", 0, len(stamp))
        if self._known["text"] is not None:
            self._next = _empty()  # what was known is shown until all is known anew
        else:
            self._next = self._known = _empty()
        if self._pipe is None:
            context = multiprocessing.get_context("spawn")
            self._pipe, theirs = context.Pipe()
            with no_main_module():
                self._process = context.Process(
                    target=_read, args=(self.folder, theirs), daemon=True
                )
                self._process.start()
            theirs.close()
            told = (self._pipe, self._process)
            threading.Thread(target=self._follow, args=told, daemon=True).start()
        self._pipe.send(self._barred)

    def _follow(self, pipe: Connection, process: Any) -> None:
        """Take in what the process tells until it is gone."""
        try:
            while True:
                what, value = pipe.recv()
                with self._lock:
                    self._take(what, value)
        except (EOFError, OSError):
            pass
        pipe.close()
        process.join()
        with self._lock:
            if self._pipe is not pipe:
                return
            self._pipe = self._process = None
            if self._opening is None or self._asked is None:
                return
            culprit = {stamp for stamp in self._asked if stamp[0] == self._opening[0]}
            if culprit - self._barred:  # the others are read without it
                self._barred |= culprit
                self._ask(self._asked)
            else:
                self._take("wrong", f"{self.folder}: cannot be read: the program that reads ended")

    def _take(self, what: str, value: Any) -> None:
        self.version += 1
        if what == "opening":
            self._opening = value
        elif what == "file":
            kind, view = value
            self._next[kind] = [*self._next[kind], view]
        else:
            self._opening = None
            self._lock.notify_all()
            if what == "whole":
                self._known = {**self._next, **value}
            else:
                self._wrong = value


def _empty() -> dict[str, Any]:
    return {"clips": [], "logs": [], "left_out": [], "pairs": {}, "text": None}


def _read(folder: Path, pipe: Connection) -> None:
    """In the process that reads."""
    start_worker()
    from overlay.desk.reading import read_on_request  # its libraries are for that process alone

    read_on_request(folder, pipe)
