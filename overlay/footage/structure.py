"""Whether a film file is whole, judged by its outer structure alone.

The demuxers stop quietly at the end of a file that is cut off. Here the declared sizes of the
outermost parts are compared with the file's length, by the published layouts: ISO/IEC 14496-12
(boxes), RFC 8794 (EBML elements), RIFF chunks, ISO/IEC 13818-1 (transport packets of 188 bytes).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

_ISO_FIRST = {b"ftyp", b"moov", b"mdat", b"free", b"wide", b"skip", b"styp", b"pnot"}
_EBML_HEADER = 0x1A45DFA3
_EBML_SEGMENT = 0x18538067
_TS_SYNC = 0x47
_LARGEST_INDEX = 1 << 26  # bytes of an index that are looked at; an hour of film has a few 2**20
_MANY_SAMPLES = 1_000_000
_MOST_PARTS = 200_000  # a bound on the walk through a damaged file


@dataclass(frozen=True)
class Structure:
    """What the outer parts of a file say."""

    kind: str  # ``iso`` (MP4, MOV), ``ebml`` (MKV, WebM), ``riff`` (AVI), ``ts`` or ``other``
    has_index: bool  # whether an ISO file has its ``moov`` box; True for other kinds
    is_cut_off: bool  # whether a part says it is longer than the file
    # Whether the index of an ISO file counts far more samples than the file can hold, for which a
    # demuxer would take gigabytes.
    is_false: bool = False


def structure(path: Path) -> Structure:
    """Walk the outermost parts of a file.

    Parameters
    ----------
    path : Path
        A readable file that is not empty.
    """
    length = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(400)
        if head[4:8] in _ISO_FIRST:
            return _iso(file, length)
        if head[:4] == _EBML_HEADER.to_bytes(4, "big"):
            return Structure("ebml", True, _ebml_is_cut(file, length))
        if head[:4] == b"RIFF":
            return Structure("riff", True, _riff_is_cut(file, length))
        for size, first in ((188, 0), (192, 4), (204, 0)):
            if len(head) > first + size and head[first] == head[first + size] == _TS_SYNC:
                return Structure("ts", True, length % size != 0)
    return Structure("other", True, False)


def _iso(file: BinaryIO, length: int) -> Structure:
    at, has_index, is_cut, index = 0, False, False, b""
    for _ in range(_MOST_PARTS):
        if at >= length:
            break
        file.seek(at)
        head = file.read(16)
        size, name = int.from_bytes(head[:4], "big"), head[4:8]
        if size == 1 and len(head) == 16:
            size = int.from_bytes(head[8:16], "big")
        elif size == 0:  # reaches to the end of the file
            size = length - at
        if len(head) < 8 or size < 8:
            is_cut = True
            break
        is_cut = at + size > length
        has_index |= name == b"moov" and not is_cut
        if name == b"moov":
            file.seek(at)
            index = file.read(min(size, _LARGEST_INDEX))
        at += size
    # A film that is cut off may rightly count up to where it once ended.
    return Structure("iso", has_index, is_cut, _counts_too_many(index, max(length, at)))


def _counts_too_many(index: bytes, length: int) -> bool:
    """Whether a sample size box (``stsz``, 8.7.3.2) of one size for all counts past the file."""
    at = index.find(b"stsz")
    while at >= 0:
        size, count = (int.from_bytes(index[at + n : at + n + 4], "big") for n in (8, 12))
        if size and count > _MANY_SAMPLES and size * count > length:
            return True
        at = index.find(b"stsz", at + 4)
    return False


def _riff_is_cut(file: BinaryIO, length: int) -> bool:
    at = 0
    while at < length:  # films over 1 GiB are several RIFF chunks in a row
        file.seek(at)
        head = file.read(8)
        size = int.from_bytes(head[4:8], "little")
        if head[:4] != b"RIFF":
            return False  # something harmless after the last chunk
        if len(head) < 8 or size == 0 or at + 8 + size > length:
            return True
        at += 8 + size + size % 2
    return False


def _ebml_number(file: BinaryIO, *, keep_marker: bool) -> int | None:
    """One variable-length number (RFC 8794 section 4); None at the end or when unknown."""
    first = file.read(1)
    if not first or first[0] == 0:
        return None
    extra = 8 - first[0].bit_length()
    rest = file.read(extra)
    if len(rest) < extra:
        return None
    value = int.from_bytes(first + rest, "big")
    if keep_marker:
        return value
    bits = 7 * (extra + 1)
    value &= (1 << bits) - 1
    return None if value == (1 << bits) - 1 else value


def _ebml_is_cut(file: BinaryIO, length: int) -> bool:
    file.seek(0)
    for _ in range(_MOST_PARTS):
        start = file.tell()
        if start >= length:
            return start > length
        name = _ebml_number(file, keep_marker=True)
        size = _ebml_number(file, keep_marker=False)
        if name is None:
            return True
        if size is None and name != _EBML_SEGMENT:
            return False  # a live recording of unknown size: the file cannot tell
        if size is not None and file.tell() + size > length:
            return True
        if name != _EBML_SEGMENT and size is not None:
            file.seek(size, 1)
    return False
