"""FIT activities and timed text, written by the published layouts, for the tests."""

import struct
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np

from .samples import MERIDIAN_M, START

FIT_EPOCH = datetime(1989, 12, 31, tzinfo=UTC)
# Nibble table of the CRC in the published FIT protocol.
CRC_TABLE = [
    *(0x0000, 0xCC01, 0xD801, 0x1400, 0xF001, 0x3C00, 0x2800, 0xE401),
    *(0xA001, 0x6C00, 0x7800, 0xB401, 0x5000, 0x9C01, 0x8801, 0x4400),
]


def crc(data: bytes) -> int:
    value = 0
    for byte in data:
        for nibble in (byte & 15, byte >> 4):
            value = (value >> 4) ^ CRC_TABLE[value & 15] ^ CRC_TABLE[nibble]
    return value


def fit(count: int = 60, *, with_speed: bool = True, gap: range = range(0)) -> bytes:
    """An activity at 1 Hz and 0.3 m/s²: messages as the published FIT protocol lays them out."""
    records = struct.pack("<BBBHB3B", 0x40, 0, 0, 0, 1, 0, 1, 0) + bytes([0, 4])
    fields = [(253, 4, 0x86), (0, 4, 0x85), (1, 4, 0x85), (2, 2, 0x84)]
    fields += [(6, 2, 0x84)] if with_speed else []
    records += struct.pack("<BBBHB", 0x41, 0, 0, 20, len(fields))
    records += b"".join(bytes(field) for field in fields)
    for i in range(count):
        if i in gap:
            continue
        latitude = 52.0 + np.degrees(0.3 * i**2 / 2 / MERIDIAN_M)
        records += struct.pack(
            "<BIiiH",
            1,
            int((START - FIT_EPOCH).total_seconds()) + i,
            round(latitude * 2**31 / 180),
            round(0.5 * 2**31 / 180),
            round((20.0 + 500) * 5),
        )
        records += struct.pack("<H", round(0.3 * i * 1000)) if with_speed else b""
    head = struct.pack("<BBHI4s", 14, 0x20, 2140, len(records), b".FIT")
    whole = head + struct.pack("<H", crc(head)) + records
    return whole + struct.pack("<H", crc(whole))


def stamp(t_s: float, point: str) -> str:
    whole = datetime(2026, 1, 1) + timedelta(seconds=round(t_s, 3))
    return f"{whole:%H:%M:%S}{point}{whole.microsecond // 1000:03d}"


def captions(line: Callable[[int, float], str], *, web: bool = False, count: int = 60) -> str:
    point = "." if web else ","
    cues = [
        f"{i + 1}\n{stamp(i / 10, point)} --> {stamp((i + 1) / 10, point)}\n{line(i, 0.3 * i)}\n"
        for i in range(count)
    ]
    return ("WEBVTT\n\n" if web else "") + "\n".join(cues)
