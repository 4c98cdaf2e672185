"""In a process of its own: open the folder's files one by one, and tell of each as it is known.

So the page comes before the libraries that read files, no file holds up an answer, and one that
crashes a decoder takes nothing else down.
"""

from __future__ import annotations

from collections.abc import Iterator
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from overlay.errors import TimetrueError
from overlay.jobs.day_new import (
    Folder,
    LeftOut,
    SeenClip,
    SeenLog,
    folder_of,
    names_in,
    pair_up,
    seen_file,
)
from overlay.jobs.day_text import sheet_text

# Of each file: name, size and when it was changed.
Stamp = tuple[str, int, int]
CRASHED = "reading it ended the program that reads files; convert it, or take it out of the folder"
FIRST_UNITS = "mph"  # of a sheet that the desk starts


def read_on_request(folder: Path, pipe: Connection) -> None:
    """Answer each set of files not to be opened with what `told` tells, until nobody asks."""
    known: dict[Stamp, SeenClip | SeenLog | LeftOut] = {}
    try:
        while True:
            for said in told(folder, known, pipe.recv()):
                pipe.send(said)
    except (EOFError, OSError):
        pass  # nobody is there any more


def told(
    folder: Path, known: dict[Stamp, SeenClip | SeenLog | LeftOut], barred: frozenset[Stamp]
) -> Iterator[tuple[str, Any]]:
    """What is found: each file before it is opened and once it is known, then all together.

    Parameters
    ----------
    folder : Path
    known : dict
        Files that were read before; those read now are added, those that are gone taken out.
    barred : frozenset of Stamp
        Files not to be opened, since they ended this process before.
    """
    try:
        names = names_in(folder)
    except TimetrueError as error:
        yield "wrong", " ".join(str(error).split())
        return
    found: dict[Stamp, SeenClip | SeenLog | LeftOut] = {}
    for number, name in enumerate(names):
        yield "opening", (name, number, len(names))
        stamp = stamp_of(folder / name)
        if stamp in barred:
            found[stamp] = (name, CRASHED)
        else:
            found[stamp] = known[stamp] if stamp in known else seen_file(folder, name)
        yield "file", file_view(found[stamp])
    known.clear()
    known |= found
    yield "whole", _together(folder_of(list(found.values())))


def stamp_of(file: Path) -> Stamp:
    """What changes with a file; of one that is gone nothing but its name."""
    try:
        about = file.stat()
    except OSError:
        return file.name, 0, 0
    return file.name, about.st_size, about.st_mtime_ns


def file_view(one: SeenClip | SeenLog | LeftOut) -> tuple[str, dict[str, Any]]:
    """The list in which the page shows a file, and what it shows."""
    if isinstance(one, SeenClip):
        return "clips", {
            "name": one.name,
            "duration_s": one.duration_s,
            "has_track": one.track is not None,
        }
    if isinstance(one, SeenLog):
        return "logs", {
            "name": one.name,
            "has_speed": one.has_speed,
            "has_rpm": one.log.rpm is not None,
            "duration_s": one.span_s[1] - one.span_s[0],
        }
    return "left_out", {"name": one[0], "why": one[1]}


def _together(seen: Folder) -> dict[str, Any]:
    """How the files would be paired, and the text of a sheet that starts so."""
    pairs = pair_up(seen.clips, seen.logs)
    return {
        "text": sheet_text(seen, pairs, FIRST_UNITS)[0],
        "pairs": {
            pair.clip.name: {
                "logs": [log.name for log in pair.logs],
                "reasons": list(pair.reasons),
                "doubts": list(pair.doubts),
            }
            for pair in pairs
        },
    }
