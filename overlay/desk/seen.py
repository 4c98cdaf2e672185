"""What is in the folder, as far as it is seen without working a run out."""

from __future__ import annotations

import threading
from contextlib import suppress
from pathlib import Path
from typing import Any

from overlay.errors import InputError, TimetrueError
from overlay.gauges.palette import hex_of, hue_among
from overlay.jobs.day_new import Folder, look_at, pair_up
from overlay.sheet import DaySheet, Run


class Seen:
    """The files of a folder, read again only when one has changed.

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


def folder_view(seen: Folder) -> dict[str, Any]:
    """Clips, logs, what could not be read, and how they would be paired."""
    pairs = pair_up(seen.clips, seen.logs)
    return {
        "clips": [
            {
                "name": clip.name,
                "duration_s": clip.duration_s,
                "has_track": clip.track is not None,
                "created": "" if clip.created_utc is None else f"{clip.created_utc:%H:%M:%S}",
            }
            for clip in seen.clips
        ],
        "logs": [
            {
                "name": log.name,
                "has_speed": log.has_speed,
                "has_rpm": log.log.rpm is not None,
                "duration_s": log.span_s[1] - log.span_s[0],
            }
            for log in seen.logs
        ],
        "left_out": [{"name": name, "why": why} for name, why in seen.left_out],
        "pairs": {
            pair.clip.name: {
                "logs": [log.name for log in pair.logs],
                "reasons": list(pair.reasons),
                "doubts": list(pair.doubts),
            }
            for pair in pairs
        },
    }


def unknown_run(sheet: DaySheet, run: Run) -> dict[str, Any]:
    """Name, colour and state of a run that is not worked out."""
    hue = hex_of(hue_among(sheet.builds, run.build))
    return {"name": run.name, "hue": hue, "state": "new", "problem": ""}
