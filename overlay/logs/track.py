"""The track that a camera keeps inside its own film, on the clock of the pictures."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from fractions import Fraction

import numpy as np

from overlay.errors import InputError, UsageError
from overlay.footage.container import opened, packets
from overlay.footage.model import ClipFacts
from overlay.logs import camm, klv
from overlay.logs.clean import SPEED_SIGMA, Raw
from overlay.logs.fixes import Fixes, together
from overlay.logs.model import ALTITUDE, LATITUDE, LONGITUDE, SPEED, Cleaning
from overlay.timebase import FloatArray

LARGEST_PACKET = 1 << 22  # bytes; a second of all sensors is some ten thousand
MOST_ROWS = 2_000_000  # two days at 10 Hz
POOR_DILUTION = 10.0  # above it a fix is called poor (common practice, no source)
LEAST_FIX = 2.0
# Packets follow each other where the next starts within this share of one's length after its end.
FOLLOWS = 0.5


@dataclass
class _Receiver:
    """One source of positions in a film: its packets in order."""

    kind: str
    name: str
    starts_s: list[float] = field(default_factory=list)
    lengths_s: list[float] = field(default_factory=list)
    parts: list[Fixes] = field(default_factory=list)

    def add(self, start_s: float, length_s: float, part: Fixes) -> None:
        self.starts_s.append(start_s)
        self.lengths_s.append(length_s)
        self.parts.append(part)

    def fixes(self) -> Fixes:
        counts = np.array([len(part) for part in self.parts])
        at_s = row_times(np.array(self.starts_s), np.array(self.lengths_s), counts)
        return together(self.parts, at_s)


@dataclass
class _Scan:
    receivers: dict[tuple[int, str, str], _Receiver] = field(default_factory=dict)
    packets: int = 0
    malformed: int = 0
    rows: int = 0


def read_track(clip: ClipFacts, *, columns: Mapping[str, str] | None = None) -> Raw | None:
    """The positions and speeds that a camera wrote into its film, or None where there are none.

    Times are the container's, less that of the first picture; rows that share a packet are spread
    over it at the sensor's own rate.

    Parameters
    ----------
    clip : ClipFacts
    columns : mapping, optional
        ``{"device": NAME}`` takes another of several devices than the one that says most.

    Raises
    ------
    InputError
        If there is a track, but damaged or without a single fix.
    UsageError
        If the film has no such device.
    """
    name = clip.path
    first_s = int(clip.frame_times.pts[0]) * clip.frame_times.time_base
    scan = _scanned(clip.path, first_s)
    receivers = [receiver for receiver in scan.receivers.values() if receiver.parts]
    if not receivers:
        if scan.malformed:
            raise InputError(
                f"{name}: its track of timed metadata is damaged ({scan.malformed} packets cannot "
                "be read); copy the clip again, or give a log"
            )
        return None
    best, fixes, note = _chosen(receivers, columns or {}, name)
    return _raw(best, fixes, scan, name, note)


def _scanned(path: str | os.PathLike[str], first_s: Fraction) -> _Scan:
    scan = _Scan()
    with opened(path) as film:
        streams = [stream for stream in film.container.streams if stream.type == "data"]
        for packet in packets(film, *streams) if streams else ():
            base = packet.time_base or Fraction(0)
            if not packet.size or packet.pts is None or scan.rows > MOST_ROWS:
                continue
            start_s = float(packet.pts * base - first_s)
            length_s = float((packet.duration or 0) * base)
            data = bytes(packet) if packet.size <= LARGEST_PACKET else b""
            _take(scan, packet.stream_index, data, start_s, length_s)
    return scan


def _take(scan: _Scan, stream: int, data: bytes, start_s: float, length_s: float) -> None:
    if data[:4] == b"DEVC":
        scan.packets += 1
        try:
            found = klv.positions(data)
        except klv.Malformed:
            scan.malformed += 1
            return
        for entry in found:
            key = (stream, entry.device, entry.stream)
            receiver = scan.receivers.setdefault(key, _Receiver("gpmd", entry.device))
            receiver.add(start_s, length_s, entry.fixes)
            scan.rows += len(entry.fixes)
    elif (part := camm.positions(data)) is not None:
        scan.packets += 1
        if len(part):
            receiver = scan.receivers.setdefault((stream, "", ""), _Receiver("camm", "camera"))
            receiver.add(start_s, length_s, part)
            scan.rows += len(part)


def row_times(starts_s: FloatArray, lengths_s: FloatArray, counts: FloatArray) -> FloatArray:
    """Footage times of the rows of packets.

    Where packets follow each other, a straight line through their starts over the number of rows
    before each gives the sensor's own rate: a packet takes in a row more or less by chance. Else
    the rows of a packet are spread evenly over it.

    Parameters
    ----------
    starts_s, lengths_s : ndarray of float, shape (packets,)
    counts : ndarray of int, shape (packets,)

    Returns
    -------
    ndarray of float, shape (sum of counts,)

    Examples
    --------
    >>> row_times(np.array([0.0, 1.0]), np.array([1.0, 1.0]), np.array([2, 2])).tolist()
    [0.0, 0.5, 1.0, 1.5]
    """
    spread = np.concatenate(
        [
            start_s + length_s * np.arange(count) / max(count, 1)
            for start_s, length_s, count in zip(starts_s, lengths_s, counts, strict=True)
        ]
    )
    if len(counts) < 3 or not bool(np.any(counts > 1)):
        return spread
    apart = np.abs(starts_s[1:] - starts_s[:-1] - lengths_s[:-1])
    breaks = np.flatnonzero(apart > FOLLOWS * lengths_s[:-1]) + 1
    row = np.concatenate([[0], np.cumsum(counts)])
    at_s = spread.copy()
    for first, last in zip([0, *breaks], [*breaks, len(counts)], strict=True):
        before = row[first:last].astype(np.float64)
        if last - first < 3 or before[-1] == before[0]:
            continue
        rate_s, start_s = np.polyfit(before - before[0], starts_s[first:last], 1)
        off_s = np.abs(start_s + rate_s * (before - before[0]) - starts_s[first:last])
        if rate_s > 0 and float(np.max(off_s)) <= 1.5 * rate_s:
            at_s[row[first] : row[last]] = start_s + rate_s * np.arange(row[last] - row[first])
    return at_s


def _chosen(
    receivers: list[_Receiver], columns: Mapping[str, str], path: str
) -> tuple[_Receiver, Fixes, str | None]:
    """The receiver that says most, or the one that is named."""
    unknown = set(columns) - {"device"}
    if unknown:
        raise UsageError(f"{path}: a track inside a clip has no column to map; leave the map out")
    names = ", ".join(dict.fromkeys(repr(receiver.name) for receiver in receivers))
    if "device" in columns:
        receivers = [r for r in receivers if columns["device"].lower() in r.name.lower()]
        if not receivers:
            raise UsageError(f"{path}: has no device {columns['device']!r}; it has {names}")
    scored = [(receiver, receiver.fixes()) for receiver in receivers]
    best, fixes = max(scored, key=lambda pair: int(np.count_nonzero(_usable(pair[1]))))
    others = [receiver.name for receiver in receivers if receiver is not best]
    note = None
    if others:
        note = (
            f"the film has positions from {names}; {best.name!r} is taken, which has most fixes "
            '(another one: --column device="NAME")'
        )
    return best, fixes, note


def _usable(fixes: Fixes) -> FloatArray:
    fixed = ~(fixes.fix < LEAST_FIX)
    return np.asarray(fixed & ~(fixes.dilution > POOR_DILUTION))


def _raw(best: _Receiver, fixes: Fixes, scan: _Scan, path: str, note: str | None) -> Raw:
    no_fix = fixes.fix < LEAST_FIX
    poor = ~no_fix & (fixes.dilution > POOR_DILUTION)
    good = _usable(fixes).astype(bool)
    notes = [note] if note else []
    if scan.malformed:
        notes.append(f"{scan.malformed} of {scan.packets} packets of the track are damaged")
    if np.any(poor):
        notes.append(
            f"{np.count_nonzero(poor)} of {len(fixes)} values have a dilution of precision above "
            f"{POOR_DILUTION:g} and are left out"
        )
    if not np.any(good):
        raise InputError(
            f"{path}: the camera had no usable fix in this clip ({np.count_nonzero(no_fix)} values "
            f"without one, {np.count_nonzero(poor)} too poor); wait for a fix before filming"
        )
    speed_mps, what = _speed(fixes, good)
    values = {
        LATITUDE: fixes.latitude_deg,
        LONGITUDE: fixes.longitude_deg,
        ALTITUDE: fixes.altitude_m,
        SPEED: speed_mps,
        SPEED_SIGMA: fixes.sigma_mps,
    }
    if not bool(np.any(np.isfinite(speed_mps[good]))):
        del values[SPEED]
    offsets_s = fixes.utc_s - fixes.t_s
    origin = _origin(offsets_s[np.isfinite(offsets_s) & good])
    void = int(np.count_nonzero(~good))
    counts = Cleaning(len(fixes), void_fixes=void, unparsable=scan.malformed, notes=tuple(notes))
    source = f"{what} in the clip's own track ({best.kind}, {best.name})"
    kept = {key: array[good] for key, array in values.items()}
    t_s = fixes.t_s[good]
    return Raw(path, best.kind, "footage", t_s, kept, origin, None, source, counts)


def _speed(fixes: Fixes, good: FloatArray) -> tuple[FloatArray, str]:
    over_ground, space = fixes.speed_mps[good], fixes.speed_3d_mps[good]
    if np.all(np.nan_to_num(over_ground) == 0) and np.any(space > 0):
        return fixes.speed_3d_mps, "speed in space"
    return fixes.speed_mps, "speed over ground"


def _origin(offsets_s: FloatArray) -> datetime | None:
    """UTC at footage time 0; None without a date that can be."""
    middle_s = float(np.median(offsets_s)) if len(offsets_s) else 0.0
    if not 3.2e8 < middle_s < 4.1e9:  # from 1980 to 2099
        return None
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=round(middle_s, 3))
