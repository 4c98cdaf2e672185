"""Which format a log is, judged by its content and never by its name."""

from __future__ import annotations

import re
from typing import Literal

from overlay.errors import InputError

Format = Literal["gpx", "nmea", "fit", "captions", "table"]
HEAD_BYTES = 1 << 16

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
SENTENCE = re.compile(rb"[$!][A-Z]{2}(?:RMC|GGA|VTG|GNS|GLL|ZDA),[ -~]*")
# Times of a cue in SubRip and WebVTT (W3C WebVTT, 4.1).
CUE_TIMES = re.compile(
    r"\d{1,2}:\d{1,2}[,.]\d{1,3}[ \t]*-->[ \t]*(?:\d{1,4}:)?\d{1,2}:\d{1,2}[,.]\d"
)
GPX_ROOT = re.compile(r"<(?:[\w.-]+:)?gpx[\s>/]", re.IGNORECASE)


def detect(data: bytes, path: str) -> Format:
    """Name the format of a log.

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
    if data[8:12] == b".FIT":  # FIT protocol, file header
        return "fit"
    for start, magic, what in FOREIGN:
        if data[start : start + len(magic)] == magic:
            raise InputError(f"{path}: is {what}, not a log; give a GPX, NMEA or CSV log")
    head = decoded(data[:HEAD_BYTES])
    if GPX_ROOT.search(head):
        return "gpx"
    if head.lstrip("\ufeff \t\r\n").startswith("<"):
        raise InputError(
            f"{path}, line 1: is XML or HTML but has no gpx element; export the log as GPX or CSV"
        )
    if SENTENCE.search(data):
        return "nmea"
    if CUE_TIMES.search(head):
        return "captions"
    odd = sum(char == "\ufffd" or (char < " " and char not in "\t\r\n\f") for char in head)
    if odd > 0.02 * max(1, len(head)):
        raise InputError(
            f"{path}: is a binary file, not a text log; export it as GPX, NMEA or CSV first"
        )
    return "table"


def is_film(data: bytes) -> bool:
    """Whether a file's first bytes are those of a film.

    Examples
    --------
    >>> is_film(b"\\0\\0\\0\\x18ftypqt  "), is_film(b"t_s,rpm")
    (True, False)
    """
    return any(data[start : start + len(magic)] == magic for start, magic in FILM)


def decoded(data: bytes) -> str:
    """Text of a log in UTF-8, UTF-16 (with or without mark) or, failing those, Latin-1.

    Examples
    --------
    >>> decoded("t_s;Speed".encode("utf-16"))
    't_s;Speed'
    """
    if data.startswith(b"\xef\xbb\xbf"):
        return data[3:].decode("utf-8", errors="replace")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", errors="replace")
    sample = data[:2000]
    for zeros, encoding in ((sample[1::2], "utf-16-le"), (sample[::2], "utf-16-be")):
        if len(zeros) > 4 and zeros.count(0) > 0.7 * len(zeros):
            return data.decode(encoding, errors="replace")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        # A few bad bytes in UTF-8 are damage; many bytes above 127 alone are an older encoding.
        return data.decode("latin-1")
