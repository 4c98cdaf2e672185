"""Files that the desk hands out: inside the day's folder, of kinds that a page shows."""

from __future__ import annotations

from pathlib import Path, PurePosixPath

from overlay.errors import InputError

SHOWN = {
    ".mp4": "video/mp4",
    ".m4v": "video/mp4",
    ".mov": "video/mp4",  # browsers play H.264 in it under this name
    ".webm": "video/webm",
    ".mkv": "video/x-matroska",
    ".png": "image/png",
    ".webp": "image/webp",
    ".csv": "text/csv; charset=utf-8",
    ".json": "application/json",
    ".md": "text/plain; charset=utf-8",
    ".html": "text/html; charset=utf-8",
}


def inside(folder: Path, name: str) -> Path:
    """The file of that name in the folder.

    Raises
    ------
    InputError
        If the name leaves the folder, by itself or through a link, or is no file, or not of a
        kind in `SHOWN`. The message does not tell which files there are elsewhere.
    """
    parts = PurePosixPath(name).parts
    is_plain = name.isprintable() and "\\" not in name and not name.startswith("/")
    if not is_plain or not parts or any(part in ("..", "/") for part in parts):
        raise InputError(f"{name[:80]!r}: is outside the folder, which the desk does not leave")
    if any(part.startswith(".") for part in parts) or Path(name).suffix.lower() not in SHOWN:
        raise InputError(f"{name[:80]!r}: is no file that the desk shows")
    root = folder.resolve()
    try:
        found = (root / name).resolve(strict=True)
    except (OSError, ValueError, RuntimeError):
        raise InputError(f"{name[:80]!r}: no such file in the folder") from None
    if not found.is_relative_to(root):
        raise InputError(f"{name[:80]!r}: is outside the folder, which the desk does not leave")
    if not found.is_file():
        raise InputError(f"{name[:80]!r}: no such file in the folder")
    return found
