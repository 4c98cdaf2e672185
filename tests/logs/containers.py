"""Films with timed metadata, written byte by byte from the specifications.

Boxes: ISO/IEC 14496-12 (base media file format), clauses 4.2, 8.2 to 8.7 and 12; pictures as JPEG
in the ``jpeg`` sample entry of the QuickTime file format. Sample entries ``camm`` and ``gpmd`` as
their published specifications lay them out; field orders and the fourth-character codes are from
memory of those.
"""

import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

import cv2
import numpy as np

MATRIX = struct.pack(">9I", 0x10000, 0, 0, 0, 0x10000, 0, 0, 0, 0x40000000)


def box(kind: str, *parts: bytes) -> bytes:
    content = b"".join(parts)
    return struct.pack(">I4s", 8 + len(content), kind.encode()) + content


def full_box(kind: str, *parts: bytes, version: int = 0, flags: int = 0) -> bytes:
    return box(kind, struct.pack(">I", version << 24 | flags), *parts)


@dataclass(frozen=True)
class Track:
    """Samples with durations in ticks; `start` ticks of emptiness come before them."""

    entry: str
    samples: Sequence[bytes]
    durations: Sequence[int]
    timescale: int = 1000
    start: int = 0
    size: tuple[int, int] | None = None
    handler: str = field(default="meta")


def video_track(count: int = 30, rate: int = 10, start: int = 0) -> Track:
    frames = []
    for index in range(count):
        picture = np.full((48, 64, 3), 40 + 5 * (index % 30), np.uint8)
        frames.append(cv2.imencode(".jpg", picture)[1].tobytes())
    return Track("jpeg", frames, [1000 // rate] * count, 1000, start, (64, 48), "vide")


def film(*tracks: Track) -> bytes:
    """A whole file: ftyp, mdat, moov, with one chunk a sample."""
    head = box("ftyp", b"qt  ", struct.pack(">I", 0), b"qt  ")
    place = len(head) + 8
    data, offsets = b"", []
    for track in tracks:
        own = []
        for sample in track.samples:
            own.append(place + len(data))
            data += sample
        offsets.append(own)
    boxes = [_trak(n + 1, t, o) for n, (t, o) in enumerate(zip(tracks, offsets, strict=True))]
    longest = max(sum(t.durations) * 1000 // t.timescale for t in tracks)
    mvhd = full_box(
        "mvhd",
        struct.pack(">IIIIIH10x", 0, 0, 1000, longest, 0x10000, 0x100),
        MATRIX,
        bytes(24),
        struct.pack(">I", len(tracks) + 1),
    )
    return head + box("mdat", data) + box("moov", mvhd, *boxes)


def _trak(number: int, track: Track, offsets: Sequence[int]) -> bytes:
    total = sum(track.durations)
    length = total * 1000 // track.timescale
    width, height = track.size or (0, 0)
    tkhd = full_box(
        "tkhd",
        struct.pack(">IIIII8xHHHH", 0, 0, number, 0, length, 0, 0, 0, 0),
        MATRIX,
        struct.pack(">II", width << 16, height << 16),
        flags=7,
    )
    edits = b""
    if track.start:
        empty = track.start * 1000 // track.timescale
        edits = box(
            "edts",
            full_box(
                "elst",
                struct.pack(">I", 2),
                struct.pack(">IiI", empty, -1, 0x10000),
                struct.pack(">IiI", length, 0, 0x10000),
            ),
        )
    mdhd = full_box("mdhd", struct.pack(">IIIIHH", 0, 0, track.timescale, total, 0x55C4, 0))
    hdlr = full_box("hdlr", struct.pack(">4s4s12x", b"mhlr", track.handler.encode()), b"\0")
    media = full_box("vmhd", bytes(8), flags=1) if track.size else full_box("nmhd")
    dinf = box("dinf", full_box("dref", struct.pack(">I", 1), full_box("url ", flags=1)))
    minf = box("minf", media, dinf, _stbl(track, offsets))
    return box("trak", tkhd, edits, box("mdia", mdhd, hdlr, minf))


def _stbl(track: Track, offsets: Sequence[int]) -> bytes:
    entry = bytes(6) + struct.pack(">H", 1)
    if track.size:
        entry += struct.pack(">16xHHIIIH32xHh", *track.size, 72 << 16, 72 << 16, 0, 1, 24, -1)
    count = len(track.samples)
    return box(
        "stbl",
        full_box("stsd", struct.pack(">I", 1), box(track.entry, entry)),
        full_box(
            "stts",
            struct.pack(">I", count),
            b"".join(struct.pack(">II", 1, ticks) for ticks in track.durations),
        ),
        full_box("stsc", struct.pack(">IIII", 1, 1, 1, 1)),
        full_box(
            "stsz",
            struct.pack(">II", 0, count),
            b"".join(struct.pack(">I", len(sample)) for sample in track.samples),
        ),
        full_box("stco", struct.pack(f">I{count}I", count, *offsets)),
    )


def camm_gps(
    *,
    epoch_s: float,
    fix: int,
    lat: float,
    lon: float,
    alt: float,
    east: float,
    north: float,
    up: float = 0.0,
    accuracy: float = 0.1,
    horizontal: float = 1.0,
) -> bytes:
    """Camera motion metadata, type 6: position with velocity, little-endian."""
    return struct.pack(
        "<HHdiddfffffff",
        0,
        6,
        epoch_s,
        fix,
        lat,
        lon,
        alt,
        horizontal,
        2.0,
        east,
        north,
        up,
        accuracy,
    )


def camm_position(lat: float, lon: float, alt: float) -> bytes:
    """Camera motion metadata, type 5: position alone."""
    return struct.pack("<HHddd", 0, 5, lat, lon, alt)


def camm_gyro(x: float, y: float, z: float) -> bytes:
    """Camera motion metadata, type 2: rotation rates in radians a second."""
    return struct.pack("<HHfff", 0, 2, x, y, z)


def klv(key: str, kind: str, size: int, repeat: int, content: bytes) -> bytes:
    """One key, type, size, repeat and content, padded to 32 bits."""
    head = (
        key.encode() + (b"\0" if kind == "\0" else kind.encode()) + struct.pack(">BH", size, repeat)
    )
    return head + content + bytes(-len(content) % 4)


def nested(key: str, *parts: bytes) -> bytes:
    content = b"".join(parts)
    return klv(key, "\0", 1, len(content), content)


def words(key: str, text: str) -> bytes:
    return klv(key, "c", 1, len(text), text.encode("latin-1"))


SCALE5 = (10_000_000, 10_000_000, 1000, 1000, 100)


def stream5(
    rows: Sequence[tuple[float, float, float, float, float]],
    *,
    fix: int = 3,
    dop: float = 1.5,
    at: datetime | None = None,
) -> bytes:
    """A stream of latitude, longitude, altitude, speed over ground, speed in space: five longs."""
    parts = [words("STNM", "position and speed"), klv("GPSF", "L", 4, 1, struct.pack(">I", fix))]
    if at is not None:
        stamp = f"{at:%y%m%d%H%M%S}.{at.microsecond // 1000:03d}"
        parts.append(klv("GPSU", "U", 16, 1, stamp.encode()))
    parts.append(klv("GPSP", "S", 2, 1, struct.pack(">H", round(100 * dop))))
    parts.append(klv("SCAL", "l", 4, 5, struct.pack(">5i", *SCALE5)))
    content = b"".join(
        struct.pack(">5i", *(round(v * s) for v, s in zip(row, SCALE5, strict=True)))
        for row in rows
    )
    parts.append(klv("GPS5", "l", 20, len(rows), content))
    return nested("STRM", *parts)


SCALE9 = (10_000_000, 10_000_000, 1000, 1000, 100, 1, 1000, 100, 1)


def stream9(
    rows: Sequence[tuple[float, float, float, float, float, int, float, float, int]],
) -> bytes:
    """As above with days since 2000, seconds since midnight, precision and fix of each row."""
    content = b"".join(
        struct.pack(">7i2H", *(round(v * s) for v, s in zip(row, SCALE9, strict=True)))
        for row in rows
    )
    return nested(
        "STRM",
        klv("TYPE", "c", 1, 9, b"lllllllSS"),
        klv("SCAL", "l", 4, 9, struct.pack(">9i", *SCALE9)),
        klv("GPS9", "?", 32, len(rows), content),
    )


def other_stream(count: int = 200) -> bytes:
    """Accelerations, which are passed over: three shorts a row."""
    rows = struct.pack(f">{3 * count}h", *([417] * 3 * count))
    return nested(
        "STRM", klv("SCAL", "s", 2, 1, struct.pack(">h", 418)), klv("ACCL", "s", 6, count, rows)
    )


def device(*streams: bytes, number: int = 1, name: str = "Camera") -> bytes:
    return nested(
        "DEVC", klv("DVID", "L", 4, 1, struct.pack(">I", number)), words("DVNM", name), *streams
    )


def with_track(data: bytes, track: Track) -> bytes:
    """A film that another program wrote, with one more track: its old index made free space."""
    start, size = next((at, length) for at, length, kind in outer_boxes(data) if kind == b"moov")
    index = data[start + 8 : start + size]
    freed = data[:start] + struct.pack(">I4s", size, b"free") + data[start + 8 :]
    samples = box("mdat", *track.samples)
    first = len(freed) + 8
    offsets = [first + sum(map(len, track.samples[:n])) for n in range(len(track.samples))]
    return freed + samples + box("moov", index, _trak(99, track, offsets))


def outer_boxes(data: bytes) -> list[tuple[int, int, bytes]]:
    """Start, length and kind of the outermost boxes."""
    found, at = [], 0
    while at + 8 <= len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        if size == 1:
            size = int.from_bytes(data[at + 8 : at + 16], "big")
        found.append((at, size or len(data) - at, data[at + 4 : at + 8]))
        at += size or len(data)
    return found
