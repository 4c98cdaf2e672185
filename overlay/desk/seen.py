"""What is in the folder, read again only when a file has changed."""

from __future__ import annotations

import threading
from contextlib import suppress
from pathlib import Path
from typing import Any

from overlay.errors import InputError, TimetrueError
from overlay.jobs.day_new import Folder, look_at


class Seen:
    """The files of a folder.

    Parameters
    ----------
    folder : Path
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder.resolve()
        self._last: tuple[Any, Folder] | None = None
        self._looking = threading.Lock()

    def warm(self) -> None:
        """Open the files before the page asks; what is wrong it tells the page."""
        with suppress(TimetrueError):
            self.now()

    def now(self) -> Folder:
        """As they are now.

        Raises
        ------
        InputError
            If the folder cannot be read.
        """
        with self._looking:
            try:
                files = [entry for entry in self.folder.iterdir() if entry.is_file()]
                stamp = sorted((f.name, f.stat().st_size, f.stat().st_mtime_ns) for f in files)
            except OSError as error:
                raise InputError(f"{self.folder}: cannot be read: {error.strerror}") from error
            if self._last is None or self._last[0] != stamp:
                self._last = (stamp, look_at(self.folder))
            return self._last[1]
