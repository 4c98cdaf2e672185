"""Pictures with exact times for a pipe: uncompressed video in a minimal Matroska stream.

Layout and element numbers follow RFC 9559 (Matroska) on RFC 8794 (EBML). One picture makes one
cluster, so that each carries its own time in nanoseconds and none depends on a frame rate.
"""

from __future__ import annotations

UNKNOWN_SIZE = b"\x01" + b"\xff" * 7
_FIRST_OF_TRACK_ONE = b"\x81\x00\x00\x80"  # track 1, no offset from the cluster, key frame


def _size(count: int) -> bytes:
    """`count` as an EBML size of eight bytes."""
    return (1 << 56 | count).to_bytes(8, "big")


def _element(number: str, body: bytes) -> bytes:
    return bytes.fromhex(number) + _size(len(body)) + body


def _integer(number: str, value: int) -> bytes:
    return _element(number, value.to_bytes(max(1, (value.bit_length() + 7) // 8), "big"))


def stream_head(width: int, height: int, step_ns: int) -> bytes:
    """What comes before the first picture: one track of RGBA pictures, time unit 1 ns.

    `step_ns` is the usual time from a picture to the next; the pictures' own times rule, but some
    encoders want to know how long the last one lasts.
    """
    document = (
        _integer("4286", 1)  # EBML version
        + _integer("42F7", 1)  # EBML read version
        + _integer("42F2", 4)  # longest element number
        + _integer("42F3", 8)  # longest size
        + _element("4282", b"matroska")
        + _integer("4287", 4)  # document version
        + _integer("4285", 2)  # document read version
    )
    info = _integer("2AD7B1", 1) + _element("4D80", b"timetrue") + _element("5741", b"timetrue")
    video = _integer("B0", width) + _integer("BA", height) + _element("2EB524", b"RGBA")
    track = (
        _integer("D7", 1)  # track number
        + _integer("73C5", 1)  # track identity
        + _integer("83", 1)  # type: video
        + _integer("23E383", step_ns)  # default duration
        + _element("86", b"V_UNCOMPRESSED")
        + _element("E0", video)
    )
    return (
        _element("1A45DFA3", document)
        + bytes.fromhex("18538067")  # segment, open-ended
        + UNKNOWN_SIZE
        + _element("1549A966", info)
        + _element("1654AE6B", _element("AE", track))
    )


def picture_head(time_ns: int, byte_count: int) -> bytes:
    """What comes before each picture of `byte_count` bytes shown from `time_ns` (>= 0) on."""
    time = _element("E7", time_ns.to_bytes(8, "big"))
    block = len(_FIRST_OF_TRACK_ONE) + byte_count
    return (
        bytes.fromhex("1F43B675")
        + _size(len(time) + 1 + 8 + block)
        + time
        + b"\xa3"
        + _size(block)
        + _FIRST_OF_TRACK_ONE
    )
