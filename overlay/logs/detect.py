"""Which format a log is, judged by its content and never by its name."""

from __future__ import annotations

from pkgutil import resolve_name

from overlay.errors import InputError
from overlay.logs.formats import Head, LogFormat

# One line a format: what `Log.format` says, and where it is read. Tried in this order; a table is
# what any other text is taken for.
FORMATS: dict[str, str] = {
    "fit": "overlay.logs.fit:FORMAT",
    "gpx": "overlay.logs.gpx:FORMAT",
    "nmea": "overlay.logs.nmea:FORMAT",
    "captions": "overlay.logs.captions:FORMAT",
    "table": "overlay.logs.table:FORMAT",
}
# First bytes of files that people pick by mistake, from the formats' own specifications.
FOREIGN: tuple[tuple[int, bytes, str], ...] = (
    (0, b"RIFF", "a sound, picture or AVI file"),
    (0, b"\xff\xd8\xff", "a picture"),
    (0, b"\x89PNG", "a picture"),
    (0, b"PK\x03\x04", "a zip archive or office document; unpack it or export CSV"),
    (0, b"\x1f\x8b", "compressed; unpack it"),
    (0, b"%PDF", "a PDF document"),
    (0, b"SQLite format 3", "a database"),
)
# First boxes of MP4 and MOV (ISO/IEC 14496-12), first bytes of Matroska (RFC 8794).
FILM: tuple[tuple[int, bytes], ...] = (
    *((4, box) for box in (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip")),
    (0, b"\x1aE\xdf\xa3"),
)


def detect(data: bytes, path: str) -> str:
    """Name the format of a log, one of `FORMATS`.

    Parameters
    ----------
    data : bytes
        The file's content, or at least its beginning.
    path : str
        For messages.

    Raises
    ------
    InputError
        If it is no log of a kind that can be read.

    Examples
    --------
    >>> detect(b"<?xml version='1.0'?><gpx version='1.1'>", "a")
    'gpx'
    >>> detect(b"t_s,rpm", "a")
    'table'
    """
    if is_film(data):
        raise InputError(f"{path}: is a video; give a GPX, NMEA or CSV log")
    head = Head(data)
    for start, magic, what in FOREIGN:
        if data[start : start + len(magic)] == magic:
            raise InputError(f"{path}: is {what}, not a log; give a GPX, NMEA or CSV log")
    for name in FORMATS:
        if name != "table" and log_format(name).knows(head):
            return name
    if head.is_markup:
        raise InputError(
            f"{path}, line 1: is XML or HTML but has no gpx element; export the log as GPX or CSV"
        )
    if head.is_binary:
        raise InputError(
            f"{path}: is a binary file, not a text log; export it as GPX, NMEA or CSV first"
        )
    return "table"


def log_format(name: str) -> LogFormat:
    """The format of a name in `FORMATS`; its module is imported when it is first asked for."""
    found: LogFormat = resolve_name(FORMATS[name])
    return found


def is_film(data: bytes) -> bool:
    """Whether a file's first bytes are those of a film.

    Examples
    --------
    >>> is_film(b"\\0\\0\\0\\x18ftypqt  "), is_film(b"t_s,rpm")
    (True, False)
    """
    return any(data[start : start + len(magic)] == magic for start, magic in FILM)
